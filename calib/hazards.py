"""What may not go under a laser, what may with care, and the cautions that every file carries."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal, NamedTuple

from calib.declaration import read_declaration
from calib.errors import DeclarationNeeded, RefusedMaterial, shown
from calib.names import (
    Words,
    harmless_words,
    known_words,
    meant_by,
    read_closed_up,
    read_name,
    read_table,
    row_terms,
    taken_apart,
    term_words,
    without_tail,
    words_of_kind,
)
from calib.records import KINDS, Air, Machine, Operation, Sheet, unusual
from calib.texts.say import say

_BEFORE = say("hazards.before_start_bed_and_tray_clear")
# ASCII, without brackets and short, so that they fit into a comment of any file.
CAUTIONS: tuple[str, ...] = (
    say("hazards.stay_with_machine_from_first_burn"),
    _BEFORE,
    say("hazards.keep_co2_extinguisher_within_reach"),
    say("hazards.stop_at_once_if_flame_stays"),
    say("hazards.afterwards_wait_before_you_lift_lid"),
    say("hazards.calib_cant_tell_what_sheet_is"),
    say("hazards.machines_manual_your_local_rules"),
)

# From here on a diode's light is red, and can't be seen [nm] (from memory).
_RED_NM, _INFRARED_NM = 600.0, 750.0
_HARMLESS_START = "fluoresc"  # a colour, no fluorine
_ELEMENTS = {"chlorine", "fluorine", "bromine"}
_DENIALS = {"free", "no", "non", "not", "without"}
# Rows that speak of more than a substance: in a whole sentence their words mean other things.
_NO_SUBSTANCE = {"unknown", "unknown plastic", "food", "battery"}
# Trees: one isn't another, though they burn alike.
_SPECIES = {"hardwood", "softwood", "tropical wood"}
# What is put on a sheet: the substance beside it isn't the sheet's own.
_ON_TOP = {"paint", "varnish", "lacquer", "primer", "film", "coating", "glue", "adhesive", "print"}
# In a sentence only long words are taken for slips of the key.
_LONG_WORD = 8
_TELL = say("hazards.read_makers_data_sheet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """What the table of hazards says of a sheet that isn't refused."""

    # ``ok``, ``caution``, or ``declared`` when it rests on the user's statement
    verdict: Literal["ok", "caution", "declared"]
    advice: tuple[str, ...]  # What to know and to do, in sentences
    matched: tuple[str, ...]  # The terms of the table that were found in the material's name


class _Match(NamedTuple):
    term: str
    row: dict[str, str]


class _Matches(NamedTuple):
    found: tuple[_Match, ...]
    left: Words

    @property
    def refused(self) -> list[_Match]:
        return [match for match in self.found if match.row["verdict"] == "refuse"]


@cache
def _terms() -> dict[Words, _Match]:
    return {
        term_words(term): _Match(term, row)
        for row in read_table("safety")
        for term in row_terms(row, "keyword", "synonyms")
    }


@cache
def _refused_terms(length: int) -> tuple[tuple[Words, frozenset[str]], ...]:
    """Refused terms of so many words, each also as a set that is quick to compare."""
    refused = (key for key, match in _terms().items() if match.row["verdict"] == "refuse")
    return tuple((key, frozenset(key)) for key in refused if len(key) == length)


@cache
def _ambiguous() -> dict[str, dict[str, str]]:
    return {word: row for row in read_table("ambiguous") for word in row_terms(row, "words")}


@cache
def _stems() -> dict[str, dict[str, str]]:
    """Parts of words that give a material away, to its row."""
    return {row["stem"]: _terms()[term_words(row["english"])].row for row in read_table("stems")}


def _in_a_row(words: list[str], length: int) -> Iterator[tuple[_Match, list[int]]]:
    """Terms whose words stand side by side, and where."""
    for i in range(len(words) - length + 1):
        if (key := tuple(words[i : i + length])) in _terms():
            yield _terms()[key], list(range(i, i + length))


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
            for i in range(len(words) - 1):
                if tuple(words[i : i + 2]) in {key, key[::-1]}:
                    yield _terms()[key], [i, i + 1]
        elif Counter(key) <= Counter(words):
            # A word that the term has twice is found twice.
            places: list[int] = []
            for word in key:
                places.append(next(i for i, w in enumerate(words) if w == word and i not in places))
            yield _terms()[key], places


def _match_terms(given: Words) -> _Matches:
    """Find the table's terms in a name, longest first, each word used once.

    Refused phrases go before all others: no longer name of a burnable material may use up a word
    of theirs, as "leather vegetable tanned" would in "faux leather, vegetable tanned look".
    """
    words = list(given)
    lengths = range(min(max(map(len, _terms())), len(words)), 0, -1)
    searches = [(_refused_phrases, n) for n in lengths if n > 1] + [(_in_a_row, n) for n in lengths]
    found: list[_Match] = []
    for search, length in searches:
        for match, places in search(list(words), length):
            if all(words[i] for i in places):
                found.append(match)
                for i in places:
                    words[i] = ""
    return _Matches(tuple(found), tuple(word for word in words if word))


def _stem_matches(left: Words, denied: tuple[str, ...]) -> list[_Match]:
    hits = []
    for word in left:
        if word.startswith(_HARMLESS_START) or (word in _ELEMENTS and word in denied):
            continue
        hits += [_Match(word, row) for stem, row in _stems().items() if stem in word][:1]
    return hits


def _pair_matches(words: Words, found: tuple[_Match, ...]) -> list[_Match]:
    """Words that are refused together, such as treated and the name of any wood."""
    beside = {other: other for other in words} | {m.row["keyword"]: m.term for m in found}
    return [
        _Match(f"{word} {beside[other]}", _terms()[term_words(row["refused_as"])].row)
        for word, row in _ambiguous().items()
        if word in words
        for other in row_terms(row, "refused_with")
        if other in beside
    ]


def _slip_matches(words: Words, unknown: Words) -> list[_Match]:
    """What would be refused if a word that nobody knows were typed as it was likely meant."""
    for typed in unknown:
        for slip, meant in ((s, m) for s in without_tail(typed) for m in meant_by(s)):
            whole = [meant if word == typed else word for word in words]
            mended = read_name(" ".join(whole if typed in words else [meant]))
            for match in _match_terms(mended).refused:
                return [_Match(say("hazards.slip_for", slip=slip, meant=meant), match.row)]
    return []


def _refused_in(words: Words, matches: _Matches, denied: tuple[str, ...] = ()) -> list[_Match]:
    stems, pairs = _stem_matches(matches.left, denied), _pair_matches(words, matches.found)
    return matches.refused + stems + pairs


@lru_cache(maxsize=4096)  # a book names the same few materials again and again
def _refused(material: str) -> tuple[list[_Match], _Matches]:
    """What is refused in a name, and all that was found in it."""
    words, closed_up = read_name(material), read_closed_up(material)
    matches = _match_terms(words)
    denied = read_declaration(material).denied
    unknown = tuple(w for w in matches.left if w not in known_words() and w not in _ELEMENTS)
    return (
        _refused_in(words, matches, denied)
        or _refused_in(closed_up, _match_terms(closed_up), denied)
        or _slip_matches(words, taken_apart(material) + unknown)
    ), matches


def _unexplained(matches: _Matches, denied: tuple[str, ...]) -> list[str]:
    """Words that are left beside what was found, and that may matter."""
    fine = harmless_words() | (set(denied) | _DENIALS if denied else set())
    left = [w for w in matches.left if not w.isdigit() and w not in fine]
    left += [w for w in matches.left if w in fine and _must_ask(w)]
    # "Painted" by itself is a term of the table; beside a name it says that something is on it.
    named = [m for m in matches.found if not _must_ask(m.term)]
    return left + [m.term for m in matches.found if named and _must_ask(m.term)]


def _same_question(word: str) -> set[str]:
    return {w for term in row_terms(_ambiguous()[word], "words") for w in term_words(term)}


def _must_ask(word: str) -> bool:
    return bool(_ambiguous().get(word, {}).get("must_ask"))


def _refusal(material: str, match: _Match) -> str:
    row = match.row
    parts = [
        say("hazards.is_refused_because", material=shown(material), match=match, row=row),
        row["plain_advice"],
        row["instead"],
    ]
    if match.term in _ambiguous():
        parts.append(_ambiguous()[match.term]["question"])
    if _DENIALS & set(read_name(material)):
        parts.append(say("hazards.words_such_as_free"))
    return " ".join(parts)


class _Named(NamedTuple):
    refused: list[_Match]
    found: tuple[_Match, ...]
    substances: frozenset[str]  # Those that no table judges
    own: tuple[str, ...]  # What the sheet itself is said to be made of, not what is put on it


def _named_in(declaration: str) -> _Named:
    """What a declaration names, but for what it denies."""
    words = read_name(read_declaration(declaration).named)
    said = _said_in(words)
    unknown = tuple(w for w in said.left if w not in known_words() and len(w) >= _LONG_WORD)
    on_top = {i + k for i, word in enumerate(words) if word in _ON_TOP for k in (-1, 0, 1)}
    bare, rest = _said_in(tuple(word for i, word in enumerate(words) if i not in on_top))
    substances = words_of_kind("substance")
    own = (*(m.term for m in bare if m.row["made_of"] != "any"), *(substances & set(rest)))
    refused = _refused_in(words, said) or _slip_matches(words, unknown)
    return _Named(refused, said.found, substances & frozenset(said.left), own)


def _said_in(words: Words) -> _Matches:
    found, left = _match_terms(words)
    said = (m for m in found if m.row["keyword"] not in _NO_SUBSTANCE and m.term != "board")
    return _Matches(tuple(said), left)


def _may_be(named: _Match, said: _Named) -> bool:
    """Whether a sheet with this name may truly be what is said of it."""
    terms, row = set(row_terms(named.row, "made_of")), named.row
    return bool(terms & said.substances) or any(
        {m.term, m.row["keyword"]} & terms
        if m.row is not row
        else row["keyword"] not in _SPECIES or m.term in {named.term, *terms}
        for m in said.found
    )


def _declared_otherwise(sheet: Sheet, found: tuple[_Match, ...]) -> Iterator[str]:
    """What of a sheet's own declaration speaks against it."""
    material, declaration = shown(sheet.material), shown(sheet.declaration)
    if stated := ", ".join(read_declaration(sheet.declaration).stated):
        yield say("hazards.it_states", material=material, declaration=declaration, stated=stated)
    said = _named_in(sheet.declaration)
    for match in said.refused:
        yield say("hazards.it_names", material=material, declaration=declaration, match=match)
    named = [m for m in found if m.row["made_of"] != "any" and not _must_ask(m.term)]
    if named and said.own and not any(_may_be(match, said) for match in named):
        yield say("hazards.it_contradicts", material=material, said=said, named=named)


def _passed_through(sheet: Sheet, found: tuple[_Match, ...]) -> Iterator[str]:
    """Why a diode laser's light isn't held back by a sheet."""
    words, material = set(read_name(sheet.material)), shown(sheet.material)
    # Of a material that isn't in the table only its own name tells; "clear pine" has no knots.
    clear = bool(words & words_of_kind("clear"))
    passed = [m.term for m in found if m.row["diode"] == "refuse" or (m.row["diode"] and clear)]
    if passed or (clear and not found):
        through = repr(passed[0]) if passed else say("hazards.clear_sheet")
        yield say("hazards.light_passes", material=material, through=through)
    for match in found:
        if match.row["diode"] and not words & words_of_kind("colour", "pale colour"):
            yield say("hazards.light_may_pass", material=material, match=match)


def _need_declaration(sheet: Sheet, matches: _Matches, asked: list[str]) -> None:
    """Raise DeclarationNeeded unless what the sheet is declared to be makes up for its name."""
    missing, said = read_declaration(sheet.declaration).missing, _named_in(sheet.declaration)
    if not missing and not (said.found or said.substances):
        missing = say("hazards.it_doesnt_name_polymer")
    spoken = set(read_name(sheet.declaration))
    unsaid = [w for w in asked if _must_ask(w) and not spoken & _same_question(w)]
    if not missing and unsaid:
        missing = say("hazards.it_doesnt_speak", unsaid=unsaid)
    if not missing:
        return
    why = ""
    if matches.found and asked:
        why = say("hazards.isnt_explained", words=", ".join(map(repr, asked[:5])))
    parts = [say("hazards.isnt_known_well", material=shown(sheet.material), why=why)]
    parts += dict.fromkeys(_ambiguous()[w]["question"] for w in asked if _must_ask(w))
    slips = [meant_by(w) for w in asked if w not in known_words() and meant_by(w)]
    if slips:
        parts.append(say("hazards.did_you_mean", slips=slips))
    if given := sheet.declaration.strip():
        parts.append(say("hazards.it_isnt_enough", declaration=shown(given), missing=missing))
    raise DeclarationNeeded(" ".join(parts) + _TELL)


def _advice(
    sheet: Sheet, found: tuple[_Match, ...], declared: bool, machine: Machine | None
) -> Iterator[str]:
    words = set(read_name(sheet.material))
    if declared:
        yield say("hazards.not_in_table_of_materials")
    rows = {m.row["keyword"]: m.row for m in found}
    for keyword, row in rows.items():
        yield f"{keyword}: {row['hazard']}. {row['plain_advice']}"
    for match in found:
        if match.term in _ambiguous():
            yield _ambiguous()[match.term]["question"]
    if _DENIALS & words:
        yield say("hazards.words_such_as_free_2")
    if machine is None or machine.source != "diode":
        return
    if words & words_of_kind("pale colour") and any(m.row["diode"] for m in found):
        yield say("hazards.white_and_blue_plastic_throw_much")
    # The expectations are of blue light.
    if (light := machine.wavelength_nm or 0.0) >= _RED_NM:
        yield say(
            "hazards.infrared_light_passes"
            if light >= _INFRARED_NM
            else "hazards.red_light_passes",
            light=light,
        )


def diode_cautions(machine: Machine | None) -> tuple[str, ...]:
    """What a diode's light calls for beside the usual cautions; nothing for other lasers."""
    if machine is None or machine.source != "diode":
        return ()
    light = machine.wavelength_nm
    # Eyewear is marked for wavelength and power: EN 207, superseded by ISO 19818-1:2021. An open
    # beam of class 4 hurts eyes and skin, thrown back too, and lights fires (AUVA, laser safety).
    # Light of 400 to 1400 nm is focused on the retina; from 700 nm on it is hardly seen (both from
    # memory). What holds light back at one wavelength lets another through.
    marked = f"{light:g} nm" if light else say("hazards.wavelength_on_its_label")
    unseen = say("hazards.cant_be_seen") if light and light >= 700 else ""
    return (
        say("hazards.diode_laser_its_light_blinds", unseen=unseen, marked=marked),
        say("hazards.burn_inside_closed_housing_made"),
        say("hazards.keep_other_people"),
        say("hazards.nothing_shiny_under_beam_or_beside"),
    )


def air_caution(air: Air | None, operation: Operation) -> str:
    """What a board's own air calls for; nothing where it is the usual one."""
    air, usual = unusual(air, operation), KINDS[operation].air
    if air is None:
        return ""
    if air == "off":
        return say("hazards.air_off_for_this_board", usual=usual)
    if air == "low":
        return say("hazards.air_low_for_this_board", usual=usual)
    return say("hazards.air_on_for_this_board", usual=usual)


def board_cautions(
    machine: Machine, sheet: Sheet, operation: Operation, air: Air | None
) -> tuple[str, ...]:
    """All cautions of a board: the usual ones with its own air, the laser's own, its sheet's.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    usual = CAUTIONS
    if own := air_caution(air, operation):
        start = own, say("hazards.before_start_but_for_air")
        usual = (*start, *(caution for caution in CAUTIONS if caution != _BEFORE))
    return (*usual, *check_hazard(sheet, machine, operation).advice)


def check_hazard(
    sheet: Sheet, machine: Machine | None = None, operation: Operation | None = None
) -> Hazard:
    """Say whether a sheet may be burnt, before anything is drawn.

    Raises RefusedMaterial when a term of the name, or what it is likely a slip of the key for, is
    refused; no declaration lifts that; DeclarationNeeded when no term fits, or a word is left over
    that isn't in the list of harmless ones, and the declaration isn't the statement that
    `read_declaration` describes, names no polymer, fibre or wood, or doesn't speak of a word that
    is asked about. A declaration that contradicts the name is refused.

    Examples
    --------
    >>> check_hazard(Sheet(name="b", material="Birch plywood", thickness_mm=3.0)).verdict
    'caution'
    """
    refused, matches = _refused(sheet.material)
    if refused:
        raise RefusedMaterial(_refusal(sheet.material, refused[0]))
    # The row of any wood counts only where no other row says more.
    found = tuple(m for m in matches.found if m.row["keyword"] != "wood") or matches.found
    asked = _unexplained(matches, read_declaration(sheet.material).denied)
    declared = not found or bool(asked)
    if not declared or not read_declaration(sheet.declaration).missing:
        for reason in _declared_otherwise(sheet, matches.found if declared else found):
            raise RefusedMaterial(reason)
    if declared:
        _need_declaration(sheet, matches, asked)
    if machine is not None and machine.source == "diode":
        for reason in _passed_through(sheet, found):
            raise RefusedMaterial(reason)
    for match in found:
        if operation == "cut" and match.row["marking_only"]:
            raise RefusedMaterial(
                say("hazards.cant_be_cut", material=shown(sheet.material), match=match)
            )
    careful = any(m.row["verdict"] == "caution" for m in found)
    return Hazard(
        verdict="declared" if declared else "caution" if careful else "ok",
        advice=(*_advice(sheet, found, declared, machine), *diode_cautions(machine)),
        matched=tuple(m.term for m in found),
    )
