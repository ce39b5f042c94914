"""What may not go under a laser, what may with care, and the cautions that every file carries."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Literal, NamedTuple

from calib.declaration import DECLARATION_EXAMPLE, read_declaration
from calib.errors import DeclarationNeeded, RefusedMaterial, shown
from calib.materials import Words, read_table, row_terms, split_words
from calib.records import Machine, Operation, Sheet

# ASCII, without brackets and short, so that they fit into a comment of any file.
CAUTIONS: tuple[str, ...] = (
    "Stay with the machine from the first burn to the last. If you can't, don't start.",
    "Before the start: bed and tray clear of scraps and dust, extraction on, air assist on,"
    " lid shut.",
    "Keep a CO2 extinguisher within reach and know how to use it.",
    "Stop at once if a flame stays alight after the head has moved on.",
    "Afterwards wait before you lift the lid, with the extraction running, and stay until"
    " nothing smokes or glows.",
    "calib can't tell what your sheet is made of. If you don't know either, don't burn it.",
    "The machine's manual, your local rules and the people trained on it come before anything"
    " written here.",
)

# Parts of words that give a material away even when the word itself isn't in the table.
_STEMS = {
    "pvc": "pvc",
    "vinyl": "vinyl",
    "chlor": "halogenated plastic",
    "fluor": "halogenated plastic",
    "brom": "halogenated plastic",
    "halogen": "halogenated plastic",
}
_HARMLESS_START = "fluoresc"  # a colour, no fluorine
_ELEMENTS = {"chlorine", "fluorine", "bromine"}
_DENIALS = {"free", "no", "non", "not", "without"}
# How alike a word must be to a harmless term for it to be asked about beside a known word.
_SURELY_A_SLIP = 0.85
# Words that say nothing about what a sheet is made of.
_EMPTY_WORDS = {"mm", "cm", "in", "inch", "inche", "thin", "thick", "sheet", "the", "of", "a"}

# How blue diode light meets coloured plastic: from memory.
_SEE_THROUGH = {
    "clear", "transparent", "translucent", "colourless", "colorless", "crystal", "frosted",
    "opal", "tinted", "seethrough",
}  # fmt: skip
_PALE = {"white", "blue", "ivory", "cream", "beige"}
_COLOURS = _PALE | {
    "black", "brown", "red", "orange", "yellow", "green", "grey", "gray", "pink", "purple",
    "violet", "navy", "dark", "opaque",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """What the table of hazards says of a sheet that isn't refused.

    Parameters
    ----------
    verdict
        ``ok``, ``caution``, or ``declared`` when it rests on the user's statement.
    advice
        What to know and to do, in sentences.
    matched
        The terms of the table that were found in the material's name.
    """

    verdict: Literal["ok", "caution", "declared"]
    advice: tuple[str, ...]
    matched: tuple[str, ...]


class _Match(NamedTuple):
    term: str
    row: dict[str, str]


class _Matches(NamedTuple):
    found: tuple[_Match, ...]
    left: Words


@cache
def _terms() -> dict[Words, _Match]:
    return {
        split_words(term): _Match(term, row)
        for row in read_table("safety")
        for term in row_terms(row, "keyword", "synonyms")
    }


@cache
def _refused_terms(length: int) -> tuple[tuple[Words, frozenset[str]], ...]:
    """Refused terms of so many words, each also as a set that is quick to compare."""
    return tuple(
        (key, frozenset(key))
        for key, match in _terms().items()
        if match.row["verdict"] == "refuse" and len(key) == length
    )


@cache
def _longest() -> int:
    return max(len(key) for key in _terms())


@cache
def _row(keyword: str) -> dict[str, str]:
    return next(row for row in read_table("safety") if row["keyword"] == keyword)


@cache
def _ambiguous() -> dict[str, dict[str, str]]:
    return {row["word"]: row for row in read_table("ambiguous")}


def _in_a_row(words: list[str], length: int) -> Iterator[tuple[_Match, list[int]]]:
    """Terms whose words stand side by side."""
    runs = [list(range(i, i + length)) for i in range(len(words) - length + 1)]
    yield from ((_terms()[key], run) for run in runs if (key := _pick(words, run)) in _terms())


def _refused_phrases(words: list[str], length: int) -> Iterator[tuple[_Match, list[int]]]:
    """Refused terms of two words and more, also said in another way.

    Two words may be turned round; three and more may stand in any order, apart. Only refused
    terms may: a looser match makes a verdict worse, never better.
    """
    given = frozenset(words)
    for key, parts in _refused_terms(length):
        if not parts <= given:
            continue
        if length == 2:
            pairs = [[i, i + 1] for i in range(len(words) - 1)]
            yield from ((_terms()[key], p) for p in pairs if _pick(words, p) in {key, key[::-1]})
        elif Counter(key) <= Counter(words):
            yield _terms()[key], _places(words, key)


def _places(words: list[str], key: Words) -> list[int]:
    """Where the words of a term stand; a word that it has twice is found twice."""
    left = list(words)
    places = []
    for word in key:
        places.append(left.index(word))
        left[places[-1]] = ""
    return places


def _pick(words: list[str], places: list[int]) -> Words:
    return tuple(words[i] for i in places)


def _match_terms(material: str) -> _Matches:
    """Find the table's terms in a name, longest first, each word used once.

    Refused phrases go before all others: no longer name of a burnable material may use up a word
    of theirs, as "leather vegetable tanned" would in "faux leather, vegetable tanned look".
    """
    words = list(split_words(material))
    lengths = range(min(_longest(), len(words)), 0, -1)
    searches = [(_refused_phrases, n) for n in lengths if n > 1] + [(_in_a_row, n) for n in lengths]
    found: list[_Match] = []
    for search, length in searches:
        for match, places in search(list(words), length):
            if "" not in _pick(words, places):
                found.append(match)
                for i in places:
                    words[i] = ""
    return _Matches(tuple(found), tuple(word for word in words if word))


def _stem_matches(material: str, left: Words) -> list[_Match]:
    denied = read_declaration(material).denied
    hits = []
    for word in left:
        if word.startswith(_HARMLESS_START) or (word in _ELEMENTS and word in denied):
            continue
        hits += [_Match(word, _row(row)) for stem, row in _STEMS.items() if stem in word][:1]
    return hits


def _textile_matches(words: Words) -> list[_Match]:
    return [
        _Match(f"{word} {other}", _row("acrylic fibre"))
        for word, row in _ambiguous().items()
        if word in words
        for other in row_terms(row, "refused_with")
        if other in words
    ]


def _without_generic(matches: _Matches) -> tuple[_Match, ...]:
    """Drop the row of any wood when another row says more, or when ``board`` says nothing."""
    special = tuple(m for m in matches.found if m.row["keyword"] != "wood")
    if special:
        return special
    named = [word for word in matches.left if word.isalpha() and word not in _EMPTY_WORDS]
    only_board = bool(matches.found) and all(m.term == "board" for m in matches.found)
    return () if only_board and named else matches.found


def _refusal(material: str, match: _Match) -> str:
    row = match.row
    parts = [
        f"{shown(material)} is refused because of {match.term!r}: {row['hazard']}.",
        row["plain_advice"],
        row["instead"],
    ]
    if match.term in _ambiguous():
        parts.append(_ambiguous()[match.term]["question"])
    if _DENIALS & set(split_words(material)):
        parts.append(
            "Words such as free, no or without don't lift this: name what the sheet is made of,"
            " as its data sheet does."
        )
    return " ".join(parts)


def _refuse_by_declaration(sheet: Sheet) -> None:
    stated = read_declaration(sheet.declaration).stated
    if stated:
        raise RefusedMaterial(
            f"{shown(sheet.material)} is refused because its declaration speaks of"
            f" {', '.join(stated)} without ruling it out ({shown(sheet.declaration)}): such a sheet"
            f" makes acid gas. If it holds none, write: {DECLARATION_EXAMPLE!r} Else use a sheet"
            " without it."
        )


def _refuse_diode(sheet: Sheet, found: tuple[_Match, ...]) -> None:
    words = set(split_words(re.sub(r"see[\s-]*through", "seethrough", sheet.material.lower())))
    # Of a material that isn't in the table only its own name tells; "clear pine" has no knots.
    clear = bool(words & _SEE_THROUGH)
    passed = [m.term for m in found if m.row["diode"] == "refuse" or (m.row["diode"] and clear)]
    if passed or (clear and not found):
        through = repr(passed[0]) if passed else "a clear sheet"
        raise RefusedMaterial(
            f"{shown(sheet.material)} is refused on a diode laser: the beam passes through"
            f" {through} and burns what lies behind it. Use a CO2 laser, or a sheet that lets no"
            " light through, such as black acrylic."
        )
    for match in found:
        if match.row["diode"] and not words & _COLOURS:
            raise RefusedMaterial(
                f"{shown(sheet.material)} is refused on a diode laser as long as it has no colour:"
                f" the beam passes through clear {match.term!r}. If it lets no light through, name"
                f" its colour, such as 'black {match.term}'; else use a CO2 laser."
            )


def _refuse_cut(sheet: Sheet, found: tuple[_Match, ...]) -> None:
    for match in found:
        if match.row["marking_only"]:
            raise RefusedMaterial(
                f"{shown(sheet.material)} can't be cut: {match.row['hazard']}."
                " Plan a line_mark or an area_mark on it instead."
            )


def _slip(word: str, *, known: bool) -> _Match | None:
    """The one-word term that a word is likely a slip of the key for.

    Beside a word that is ``known`` a term that isn't refused must be nearer to be asked about.
    """
    single = {key[0]: match for key, match in _terms().items() if len(key) == 1}
    alike = [term for term in single if len(word) > 3 and term[0] == word[0]]
    swapped = [term for term in alike if sorted(term) == sorted(word)]
    near = swapped[:1] or get_close_matches(word, alike, n=1, cutoff=0.75)
    if not near:
        return None
    sure = not known or single[near[0]].row["verdict"] == "refuse"
    if sure or swapped or get_close_matches(word, near, cutoff=_SURELY_A_SLIP):
        return single[near[0]]
    return None


def _likely_meant(left: Words) -> str:
    """Ask about words that look like a slip of the key."""
    for word in left:
        match = _slip(word, known=False)
        if match is not None:
            refused = match.row["verdict"] == "refuse"
            return f" Did you mean {match.term!r}?" + (" That is refused." if refused else "")
    return ""


def _need_declaration(sheet: Sheet, asked: list[str], left: Words) -> None:
    missing = read_declaration(sheet.declaration).missing
    if not missing:
        return
    given = sheet.declaration.strip()
    why = f" The declaration {shown(given)} isn't enough: {missing}." if given else ""
    questions = "".join(" " + _ambiguous()[word]["question"] for word in asked)
    raise DeclarationNeeded(
        f"{shown(sheet.material)} isn't a material that calib knows well enough."
        f"{questions or _likely_meant(left)}{why}"
        " Read the maker's data sheet; if it holds no chlorine, fluorine or bromine, say so in the"
        f" sheet's declaration, such as: {DECLARATION_EXAMPLE!r} Without a data sheet, don't burn"
        " it."
    )


def _advice(sheet: Sheet, found: tuple[_Match, ...], declared: bool, diode: bool) -> Iterator[str]:
    words = set(split_words(sheet.material))
    if declared:
        yield (
            "Not in the table of materials: this rests on your statement about its data sheet."
            " Begin with one small burn, extraction on."
        )
    rows = {m.row["keyword"]: m.row for m in found}
    for keyword, row in rows.items():
        yield f"{keyword}: {row['hazard']}. {row['plain_advice']}"
    for match in found:
        if match.term in _ambiguous():
            yield _ambiguous()[match.term]["question"]
    if _DENIALS & words:
        yield "Words such as free, no or without prove nothing: look into the data sheet."
    if diode and words & _PALE and any(m.row["diode"] for m in found):
        yield "White and blue plastic throw much of a diode's blue light back or let it through."


def diode_cautions(machine: Machine | None) -> tuple[str, ...]:
    """What a diode's light calls for beside the usual cautions; nothing for other lasers."""
    if machine is None or machine.source != "diode":
        return ()
    light = machine.wavelength_nm
    # Eyewear is marked for wavelength and power: EN 207, superseded by ISO 19818-1:2021. An open
    # beam of class 4 hurts eyes and skin, thrown back too, and lights fires (AUVA, laser safety).
    # Light of 400 to 1400 nm is focused on the retina; from 700 nm on it is hardly seen (both from
    # memory). What holds light back at one wavelength lets another through.
    marked = "the wavelength on its label, mostly 445 to 455 nm," if light is None else ""
    unseen = "can't be seen and " if light is not None and light >= 700 else ""
    return (
        f"Diode laser: its light {unseen}blinds at once, thrown back too. Everybody in the room"
        f" wears eyewear marked for {marked or f'{light:g} nm'} and for its power; sunglasses and"
        " eyewear for another wavelength don't protect. Never look into the beam, with eyewear"
        " either.",
        "Burn inside a closed housing made for this laser's light, lid shut; an open frame keeps"
        " nothing back.",
        "Keep other people, children and animals out of the room, and the light away from doors and"
        " windows.",
        "Nothing shiny under the beam or beside it, such as bare metal, foil, mirror or glass: it"
        " throws the beam back.",
    )


def sheet_cautions(machine: Machine | None, advice: Sequence[str]) -> tuple[str, ...]:
    """The usual cautions, the laser's own, and the advice on a sheet, said to be such."""
    own = diode_cautions(machine)
    sheets = (f"This sheet: {words}" for words in advice if words not in own)
    return tuple(dict.fromkeys((*CAUTIONS, *own, *sheets)))


def check_hazard(
    sheet: Sheet, machine: Machine | None = None, operation: Operation | None = None
) -> Hazard:
    """Say whether a sheet may be burnt, before anything is drawn.

    Parameters
    ----------
    sheet
        Its material is looked up in ``calib/data/safety.csv``; its declaration counts only where
        the table doesn't know the material.
    machine
        With it, what passes a diode's beam is refused as well.
    operation
        With ``cut``, what can only be marked is refused as well.

    Returns
    -------
    Hazard
        The worst verdict of all terms found, with the advice.

    Raises
    ------
    RefusedMaterial
        When a term of the name is refused; no declaration lifts that. Also when the declaration
        itself speaks of chlorine, fluorine or bromine without ruling it out.
    DeclarationNeeded
        When no term fits, or a word such as ``laminated`` hides what the sheet is made of, and
        the declaration isn't the statement that `read_declaration` describes.

    Examples
    --------
    >>> check_hazard(Sheet(name="b", material="Birch plywood", thickness_mm=3.0)).verdict
    'caution'
    """
    matches = _match_terms(sheet.material)
    words = split_words(sheet.material)
    refused = [m for m in matches.found if m.row["verdict"] == "refuse"]
    refused += _stem_matches(sheet.material, matches.left) + _textile_matches(words)
    if refused:
        raise RefusedMaterial(_refusal(sheet.material, refused[0]))
    found = _without_generic(matches)
    asked = [w for w in matches.left if w in _ambiguous() and _ambiguous()[w]["must_ask"]]
    # A misspelt word beside a known one may be what matters: "oak vynil", "birch playwood".
    unread = (word for word in matches.left if word not in _ELEMENTS)
    slips = [word for word in unread if _slip(word, known=True)]
    declared = not found or bool(asked or slips)
    if declared:
        _need_declaration(sheet, asked, matches.left)
    else:
        _refuse_by_declaration(sheet)
    diode = machine is not None and machine.source == "diode"
    if diode:
        _refuse_diode(sheet, found)
    if operation == "cut":
        _refuse_cut(sheet, found)
    worst: Literal["ok", "caution"] = (
        "caution" if any(m.row["verdict"] == "caution" for m in found) else "ok"
    )
    return Hazard(
        verdict="declared" if declared else worst,
        advice=(*_advice(sheet, found, declared, diode), *diode_cautions(machine)),
        matched=tuple(m.term for m in found),
    )
