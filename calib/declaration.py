"""Reads a user's statement on a sheet: was its data sheet read, and what does that rule out."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from calib.names import read_table, row_terms, without_accents
from calib.texts.say import say

_ELEMENTS = ("chlorine", "fluorine", "bromine")
_SPELLINGS = {
    "chlorine": "chlorine chlorin chloride chlorides chlorinated chlor cl",
    "fluorine": "fluorine flourine fluorin fluoride fluorides fluorinated fluor f",
    "bromine": "bromine bromin bromide bromides brominated brom br",
}
_HALOGEN_OF: Mapping[str, tuple[str, ...]] = {
    word: (element,) for element, words in _SPELLINGS.items() for word in words.split()
} | dict.fromkeys(
    ("halogen", "halogens", "halogenated", "halide", "halides"), _ELEMENTS
)  # fmt: skip
# Materials that hold one of them: to name one is a warning, to deny one rules nothing out.
_CARRIER_OF: Mapping[str, tuple[str, ...]] = dict.fromkeys(
    ("pvc", "vinyl", "polyvinyl", "neoprene", "chloroprene"), ("chlorine",)
) | dict.fromkeys(("ptfe", "fluoropolymer", "pvdf"), ("fluorine",))

_SHEET = (
    r"(?:data ?sheets?|s ?d ?s|m ?s ?d ?s|t ?d ?s|(?:safety|spec|specification|product|technical|"
    r"maker s|makers|manufacturer s|manufacturers) sheets?|safety data)"
)
_DOUBT = re.compile(
    r"\b(?:maybe|perhaps|probably|possibly|presumably|hopefully|apparently|likely|unsure|unknown|"
    r"unread|guess|think|hope|assume|suppose|believe|might|may|should|seems?|could)\b"
    r"|\b(?:not|never)(?: yet| really| actually| fully)? (?:read|check(?:ed)?|look(?:ed)?|know|"
    r"sure|certain|available)\b"
    rf"|\b(?:not|never) (?:have|had|got|find|found|see|seen|own)(?: \w+){{0,4}} {_SHEET}\b"
    rf"|\b(?:no|without|missing|lost)(?: the| an?| any| maker s| makers| safety)* {_SHEET}\b"
    r"|\?"
)

_NEGATORS = {"no", "not", "none", "non", "without", "zero", "neither", "nor", "never", "nothing"}
_TURNS = {
    ".", ";", "!", "but", "however", "although", "though", "except", "only", "yet", "while",
    "whereas",
}  # fmt: skip
_VERBS = {
    "contain", "contains", "containing", "has", "have", "hold", "holds", "include", "includes",
    "with", "is", "are", "made", "polymer", "material", "fibre", "fiber",
}  # fmt: skip
_JOINERS = {"and", "or", "nor", "plus"}
_FILLERS = {"content", "contents", "level", "compounds", "all", "is", "are", "was", "were", "of"}
_NONE_WORDS = {"none", "nil", "absent", "zero", "free"}
_NOT_THERE = {"present", "detected", "found", "contained", "included", "used", "there", "in"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """What a statement says."""

    denied: tuple[str, ...]  # Elements that it rules out
    stated: tuple[str, ...]  # Elements that it speaks of without ruling them out
    named: str  # The words that it doesn't deny, but for the elements
    missing: str  # What it lacks to be accepted, in words; empty when it is accepted


@cache
def _foreign() -> tuple[re.Pattern[str], dict[str, str]]:
    """German, French and Spanish words of a statement, and the English ones that are read below."""
    rows = read_table("statement")
    english = {word: row["english"] for row in rows for word in row_terms(row, "words")}
    longest_first = "|".join(sorted(english, key=len, reverse=True)).replace(" ", "[ -]")
    return re.compile(rf"\b(?:{longest_first})\b"), english


def _tokens(text: str) -> list[str]:
    plain = without_accents(text).replace("\u2019", "'")
    plain = re.sub(r"([a-z]{3,}?)-?frei(?:e[mnrs]?)?\b", r"\1 free", plain)
    plain = re.sub(r"n't\b", " not", plain.replace("can't", "can not").replace("cannot", "can not"))
    plain = re.sub(r"([a-z]{4,})free\b", r"\1 free", plain)
    plain = re.sub(r"\b([nldj])'", r"\1 ", plain)
    foreign, english = _foreign()
    plain = foreign.sub(lambda found: english[found[0].replace("-", " ")], plain)
    return re.findall(r"\d+(?:[.,]\d+)?|[^\W\d_]+|[.;!?]", plain)


def _is_turned_round(tokens: list[str], i: int) -> bool:
    """Whether one of the two words before is a negation, as in ``does not contain``."""
    return bool(_NEGATORS & set(tokens[max(i - 2, 0) : i]))


def _denies_after(tokens: list[str], i: int, denied: bool) -> bool:
    """Read what follows a list of elements: ``free``, ``none``, ``not present``, ``0``, ``5 %``."""
    while i < len(tokens) and tokens[i] in _FILLERS:
        i += 1
    word, after = (*tokens[i : i + 2], "", "")[:2]
    if re.fullmatch(r"\d.*", word):
        return float(word.replace(",", ".")) == 0.0
    if word == "free" and after not in {"of", "from"}:
        return not denied
    if word in _NONE_WORDS and word != "free":
        return True
    if word == "no" and after not in _HALOGEN_OF:
        return True
    if word == "not":
        return after in _NOT_THERE
    return False if word == "yes" else denied


def _list_end(tokens: list[str], i: int) -> int:
    # "It is PVC, halogen free" isn't one list.
    known = (_HALOGEN_OF if tokens[i] in _HALOGEN_OF else _CARRIER_OF).keys()
    end = i + 1
    while end < len(tokens):
        if tokens[end] in known:
            end += 1
        elif tokens[end] in _JOINERS and end + 1 < len(tokens) and tokens[end + 1] in known:
            end += 2
        else:
            break
    return end


def _claims(tokens: list[str]) -> tuple[set[str], set[str], list[str]]:
    """Elements that are ruled out, elements that are named otherwise, and other words as said."""
    ruled_out, stated, said = set[str](), set[str](), list[str]()
    denied, i = False, 0
    while i < len(tokens):
        word = tokens[i]
        if word in _HALOGEN_OF or word in _CARRIER_OF:
            end = _list_end(tokens, i)
            halogens = {e for named in tokens[i:end] for e in _HALOGEN_OF.get(named, ())}
            if _denies_after(tokens, end, denied):
                ruled_out |= halogens
            else:
                stated |= halogens.union(*(_CARRIER_OF.get(named, ()) for named in tokens[i:end]))
            i = end
            continue
        if word in _TURNS:
            denied = False
        elif word in _VERBS:
            denied = _is_turned_round(tokens, i)
        elif word in _NEGATORS:
            denied = True
        elif word == "free" and tokens[i + 1 : i + 2] in (["of"], ["from"]):
            denied = not _is_turned_round(tokens, i)
        if not denied:
            said.append(word)
        i += 1
    return ruled_out, stated, said


def read_declaration(text: str) -> Declaration:
    """Read a statement such as "data sheet read, no chlorine, fluorine or bromine".

    Examples
    --------
    >>> read_declaration("SDS read: halogen free").missing
    ''
    >>> read_declaration("data sheet read; contains chlorine, no fluorine, no bromine").stated
    ('chlorine',)
    """
    tokens = _tokens(text)
    denied, stated, said = _claims(tokens)
    spoken = " ".join(tokens)
    open_elements = [e for e in _ELEMENTS if e not in denied]
    if stated:
        names = ", ".join(e for e in _ELEMENTS if e in stated)
        missing = say("declaration.it_speaks_of_without_ruling", names=names)
    elif not spoken:
        missing = say("declaration.it_is_blank")
    elif _DOUBT.search(spoken):
        missing = say("declaration.it_leaves_doubt")
    elif not re.search(rf"\b{_SHEET}\b", spoken):
        missing = say("declaration.it_doesnt_say_that_makers_data")
    elif open_elements:
        missing = say("declaration.it_doesnt_rule_out", open_elements=", ".join(open_elements))
    else:
        missing = ""
    return Declaration(
        denied=tuple(e for e in _ELEMENTS if e in denied),
        stated=tuple(e for e in _ELEMENTS if e in stated),
        named=" ".join(said),
        missing=missing,
    )
