"""Names that are typed for sheets, each with its verdict; and the tables that they are read with.

Where a verdict comes from stands beside each name: a key of the sources in calib/data/README.md,
"common practice, no source" or "from memory".
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from pathlib import Path

import pytest
from hazard_table import STATEMENT, TERMS, sheet, told_of

from calib.errors import DeclarationNeeded, RefusedMaterial, shown
from calib.hazards import check_hazard
from calib.materials import family_of
from calib.names import harmless_words, known_words, read_name, read_table, row_terms, split_words

_FILE = Path(__file__).parent / "reference" / "material_names.csv"
NAMES = list(csv.DictReader(_FILE.read_text(encoding="utf-8").splitlines()))
README = (Path(__file__).parents[1] / "calib" / "data" / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("row", NAMES, ids=lambda row: ascii(row["name"]))
def test_a_name_has_its_verdict_whatever_is_declared(row: dict[str, str]) -> None:
    name, verdict = row["name"], row["verdict"]
    if verdict == "refuse":
        for declaration in ("", STATEMENT):
            said = re.escape(f"{shown(name)} is refused because of {row['because']!r}")
            with pytest.raises(RefusedMaterial, match=said):
                check_hazard(sheet(name, declaration))
    elif verdict == "ask":
        with pytest.raises(DeclarationNeeded, match=re.escape(shown(name))):
            check_hazard(sheet(name))
        assert check_hazard(sheet(name, told_of(name))).verdict == "declared"
    else:
        hazard = check_hazard(sheet(name))
        assert (hazard.verdict, " + ".join(hazard.matched)) == (verdict, row["because"])


def test_the_names_say_where_their_verdicts_come_from() -> None:
    verdicts = Counter(row["verdict"] for row in NAMES)
    assert len({row["name"] for row in NAMES}) == len(NAMES) >= 400
    assert min(verdicts[v] for v in ("ok", "caution", "ask", "refuse")) >= 30
    for row in NAMES:
        assert row["because"]
        if row["source"] not in {"from memory", "common practice, no source"}:
            assert all(f"\n| {key} | " in README for key in row["source"].split(";")), row


@pytest.mark.parametrize(
    ("material", "family"),
    [
        ("Birkensperrholz 4 mm", "birch plywood"),
        ("contreplaqué de bouleau", "birch plywood"),
        ("contrachapado de chopo", "poplar plywood"),
        ("Pappelsperrholzplatte", "poplar plywood"),
        ("tablero DM", "mdf"),
        ("Hartfaserplatte", "hardboard"),
        ("Lindenholz", "basswood"),
        ("chêne massif", "hardwood"),
        ("pino", "softwood"),
        ("metacrilato transparente extruido", "extruded acrylic"),
        ("Acrylglas GS schwarz", "cast acrylic"),
        ("plaque de liège", "cork"),
        ("Wollfilz", "wool felt"),
        ("Graupappe", "greyboard"),
        ("cartón corrugado", "corrugated cardboard"),
        ("cartulina", "card"),
        ("cuero curtido vegetal", "leather"),
    ],
)
def test_a_name_in_another_language_finds_its_family(material: str, family: str) -> None:
    assert family_of(material) == family


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("Birkensperrholzplatte 3mm", ("birch", "plywood", "sheet", "3", "mm")),
        ("contreplaqué en bouleau", ("birch", "plywood")),
        ("poly carbonate", ("polycarbonate",)),
        ("p0lycarbonate", ("polycarbonate",)),
        ("РVС", ("pvc",)),
        ("♸", ("polystyrene",)),
        ("watercolour paper", ("watercolour", "paper")),
        ("purpurrot", ("purpurrot",)),
        ("the", ("the",)),
    ],
)
def test_a_name_is_read_in_english(typed: str, words: tuple[str, ...]) -> None:
    assert read_name(typed) == words


def test_no_name_means_two_things_or_loses_a_word_that_matters() -> None:
    meanings: dict[tuple[str, tuple[str, ...]], set[str]] = {}
    for row in read_table("names"):
        for name in row_terms(row, "names"):
            meanings.setdefault((row["alone"], read_key(name)), set()).add(row["english"])
            if len(split_words(name)) > len(read_key(name)) == 1:
                assert read_key(name)[0] not in telling(), name
    assert {key: m for key, m in meanings.items() if len(m) > 1} == {}
    assert not {key for _, key in meanings if key in {split_words(term) for _, term in TERMS}}


def read_key(name: str) -> tuple[str, ...]:
    """Words of a name without articles and the like, which names are compared without."""
    (functions,) = (row for row in read_table("words") if row["kind"] == "function")
    return tuple(w for w in split_words(name) if w not in functions["words"].split("|"))


def telling() -> set[str]:
    """Words of the English tables that must not be turned round by a word left out beside them."""
    terms = {words[0] for _, term in TERMS if len(words := split_words(term)) == 1}
    return terms | {word for row in read_table("ambiguous") for word in row_terms(row, "words")}


def test_what_a_name_stands_for_is_known() -> None:
    terms = {split_words(term) for _, term in TERMS}
    for row in read_table("names"):
        words = split_words(row["english"])
        assert words in terms or set(words) <= known_words(), row


def test_no_harmless_word_is_a_term_or_one_that_is_asked_about() -> None:
    asked = (row for row in read_table("ambiguous") if row["must_ask"])
    for word in (word for row in asked for word in row_terms(row, "words")):
        assert word not in harmless_words()
    terms = {split_words(term) for _, term in TERMS}
    assert not {word for word in harmless_words() if (word,) in terms}


def test_each_stem_leads_to_a_refused_row() -> None:
    refused = {term for row, term in TERMS if row["verdict"] == "refuse"}
    assert {row["english"] for row in read_table("stems")} <= refused
