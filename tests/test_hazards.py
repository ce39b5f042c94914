"""What is refused stays refused: the table of hazards, every term of it, and its cautions."""

from __future__ import annotations

import re
from collections import Counter

import pytest
from hazard_table import BURNABLE, REFUSED, ROWS, STATEMENT, TERMS, laser, sheet

from calib.errors import RefusedMaterial
from calib.hazards import CAUTIONS, check_hazard
from calib.names import split_words

# --- the table ---------------------------------------------------------------------------------


def test_the_table_of_hazards_is_whole() -> None:
    verdicts = Counter(row["verdict"] for row in ROWS)
    assert verdicts == {"refuse": 66, "caution": 33, "ok": 4}
    assert len(TERMS) >= 720
    assert all(row["hazard"] and row["plain_advice"] for row in ROWS)
    assert all(bool(row["instead"]) == (row["verdict"] == "refuse") for row in ROWS)
    assert {row["diode"] for row in ROWS} == {"", "refuse", "needs colour"}
    assert {row["marking_only"] for row in ROWS} == {"", "yes"}


def test_no_two_rows_share_a_term() -> None:
    owners: dict[tuple[str, ...], set[str]] = {}
    for row, term in TERMS:
        owners.setdefault(split_words(term), set()).add(row["keyword"])
    assert [words for words, rows in owners.items() if len(rows) > 1] == []
    assert () not in owners


@pytest.mark.parametrize("term", REFUSED)
def test_every_refused_term_is_refused_whatever_is_declared(term: str) -> None:
    for typed in (term, term.upper(), f"3 mm {term}, white"):
        with pytest.raises(RefusedMaterial, match=re.escape(repr(typed)) + " is refused because"):
            check_hazard(sheet(typed, STATEMENT), laser("co2"))


@pytest.mark.parametrize(("row", "term"), BURNABLE, ids=lambda v: v if isinstance(v, str) else "")
def test_every_other_term_has_its_verdict_and_advice(row: dict[str, str], term: str) -> None:
    hazard = check_hazard(sheet(f"{term.title()} 3mm"))
    assert hazard.verdict == row["verdict"]
    assert hazard.matched == (term,)
    assert any(row["plain_advice"] in advice for advice in hazard.advice)


# --- cautions ----------------------------------------------------------------------------------


def test_the_cautions_say_what_they_must() -> None:
    text = " ".join(CAUTIONS).lower()
    for word in (
        "stay with the machine", "extraction", "air assist", "extinguisher", "lid shut",
        "bed and tray clear", "manual", "local rules", "people trained", "flame",
    ):  # fmt: skip
        assert word in text
    for word in ("bypass", "look into", "open the lid", "override"):
        assert word not in text


@pytest.mark.parametrize("caution", CAUTIONS)
def test_a_caution_fits_a_comment_of_any_file(caution: str) -> None:
    assert caution.isascii()
    assert not set(caution) & set("()%<>&;\n")
    assert len(caution) <= 120
