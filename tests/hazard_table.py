"""The table of hazards by its terms, and a sheet and a laser to ask about."""

from __future__ import annotations

from typing import Any

from calib.names import read_table, row_terms
from calib.records import Machine, Sheet

# A statement that is accepted where one is needed.
STATEMENT = (
    "I have read the maker's data sheet: it is made of cellulose and holds no chlorine, fluorine"
    " or bromine."
)
ROWS = read_table("safety")
TERMS = [(row, term) for row in ROWS for term in row_terms(row, "keyword", "synonyms")]
REFUSED = [term for row, term in TERMS if row["verdict"] == "refuse"]
BURNABLE = [(row, term) for row, term in TERMS if row["verdict"] != "refuse"]


def told_of(material: str) -> str:
    """A statement that speaks of a sheet by its name."""
    return STATEMENT.replace("it is made", f"it is sold as {material}, is made")


def sheet(material: str, declaration: str = "") -> Sheet:
    return Sheet(name="s", material=material, thickness_mm=3.0, declaration=declaration)


def laser(source: Any) -> Machine:
    return Machine(
        name="m", rated_w=20.0, bed_mm=(300.0, 300.0), max_speed_mm_s=200.0, source=source
    )
