"""Families of sheet goods: their expected response to the beam and their makers' tolerances.

What is known stands in the tables of ``calib/data``, each row with its source; a new material
needs new lines there and nothing here.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache, lru_cache
from typing import Any, NamedTuple, get_args

from calib.errors import InvalidRecord
from calib.names import read_name, read_table, row_terms, term_words
from calib.records import SCALES, LaserSource, Sheet
from calib.texts.say import say
from calib.units import MM_PER_INCH

# The family of a material that no table knows: very wide.
UNKNOWN_FAMILY = "other"
# Plywood and board sold by the inch come in steps of 1/32 in.
_INCH_STEP_MM = MM_PER_INCH / 32.0
# Half a hundredth of a millimetre: sizes are typed with two decimals.
_TYPED_MM = 0.006

# What the grades are called where they don't look as on wood (common practice, no source). The
# first words of a mark are the same everywhere but for the last: so a wanted mark is told.
_ACRYLIC: dict[str, tuple[str, ...]] = {
    "char": ("polished", "frosted", "rounded at the edges", "sooty", "welded again"),
    "mark": (
        "nothing", "faint", "clear (frosted white)", "heavy (deep and rough)", "melted or cut",
    ),
}  # fmt: skip
_OWN_SCALES: dict[str, dict[str, tuple[str, ...]]] = {
    **dict.fromkeys(("cast acrylic", "extruded acrylic", "acrylic"), _ACRYLIC),
    "stone": {
        "mark": (
            "nothing", "faint", "clear (light grey)", "heavy (white, rough to the nail)",
            "glassy, yellowish or flaking",
        ),
    },
    "coated metal": {
        "mark": (
            "nothing", "faint", "clear (light, the coating still smooth)", "heavy (rough, or dull)",
            "bare (the coating is gone)",
        ),
    },
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """What is expected of a family of materials before anything was burnt."""

    family: str  # For which materials and which source
    laser: LaserSource
    # Energy per cut face that just cuts through, at 3 mm and 10 mm/s [J/mm²]
    severance_energy_j_mm2: float
    severance_scale_ln: float  # Scale of a Student t with 4 degrees on its logarithm [1]
    thickness_exponent: float  # b in E ~ (t / 3 mm)^b [1]
    line_mark_j_mm: float  # Line energy of a clear surface line [J/mm]
    line_mark_scale_ln: float  # Scale of its logarithm [1]
    area_dose_j_mm2: float  # Areal dose of a clear area mark [J/mm²]
    area_scale_ln: float  # Scale of its logarithm [1]
    char_excess_ln: float  # How far in ln energy above the cut's edge a coupon turns brown [1]
    char_scale_ln: float  # Its scale [1]
    defects_per_m: float  # Knots and glue pockets that no power cuts [1/m]
    scatter_scale_ln: float  # Scale of the logarithm of the scatter from coupon to coupon [1]
    most_times: float  # So many times the expected energy may one pass give without fire [1]
    source_key: str  # Of the source, in ``calib/data/README.md``; NONE when there is none
    # Of the severance energy: seen, from memory, or common practice without a source
    provenance: str
    mark_provenance: str  # Of everything else, in the same words


class ThicknessRange(NamedTuple):
    """Thinnest and thickest that a standard allows for a nominal thickness [mm], and which."""

    low_mm: float
    high_mm: float
    source: str


@cache
def _ranked_terms() -> list[tuple[Counter[str], int, str]]:
    """Every known term as counted words, its family's place in the table, and the family."""
    rank = {row["family"]: place for place, row in enumerate(read_table("families"))}
    own = {
        term_words(term): row["family"]
        for row in reversed(read_table("families"))
        for term in row_terms(row, "terms")
    }
    inherited = {
        term_words(term): family
        for row in read_table("safety")
        if (family := own.get(term_words(row["keyword"]))) and row["verdict"] != "refuse"
        for term in row_terms(row, "synonyms")
    }
    return [(Counter(t), rank[family], family) for t, family in (inherited | own).items()]


def known_terms() -> tuple[str, ...]:
    """The names by which the table knows materials."""
    return tuple(term for row in read_table("families") for term in row_terms(row, "terms"))


@lru_cache(maxsize=4096)
def family_of(material: str) -> str:
    """Family of a material, from its name in plain words.

    Notes
    -----
    A term fits when all its words are in the name. The term with most words wins; among equals
    the family that stands first in the table, so that an oak veneered MDF is an MDF.

    Examples
    --------
    >>> family_of("3mm Birch Plywood"), family_of("MDF, oak veneered"), family_of("zorbex")
    ('birch plywood', 'mdf', 'other')
    """
    words = Counter(read_name(material))
    fitting = [
        (-term.total(), rank, family) for term, rank, family in _ranked_terms() if term <= words
    ]
    return min(fitting)[2] if fitting else UNKNOWN_FAMILY


def scales_of(material: str) -> Mapping[str, tuple[str, ...]]:
    """What the grades of char and of a mark are called on a material; the grades are the same.

    Examples
    --------
    >>> scales_of("cast acrylic")["char"][1], scales_of("MDF")["char"][1]
    ('frosted', 'tan')
    """
    return SCALES | _OWN_SCALES.get(family_of(material), {})


@cache
def _responses() -> dict[tuple[str, str], Response]:
    table = {}
    for row in read_table("response"):
        given: dict[str, Any] = {
            one.name: float(row[one.name]) if one.type == "float" else row[one.name]
            for one in fields(Response)
        }
        table[row["family"], row["laser"]] = Response(**given)
    return table


def expected_response(material: str, laser: LaserSource) -> Response:
    """What is expected of a material under a kind of laser before anything was burnt.

    Raises InvalidRecord when the laser is another word.

    Examples
    --------
    >>> expected_response("Cast Acrylic 3 mm", "co2").severance_energy_j_mm2
    0.6
    """
    if laser not in get_args(LaserSource):
        raise InvalidRecord(say("materials.laser_is_give_one_of_co2", laser=laser))
    return _responses()[family_of(material), laser]


def cut_energy_j_mm(response: Response, sheet: Sheet) -> float:
    """Line energy expected to just cut a sheet: E_3 t (t / 3)^b, as measured if it was [J/mm]."""
    t = sheet.working_thickness_mm
    return float(response.severance_energy_j_mm2 * t * (t / 3.0) ** response.thickness_exponent)


def thickness_range_mm(sheet: Sheet) -> ThicknessRange | None:
    """How thin and how thick a sheet of this nominal thickness may be by its standard.

    Examples
    --------
    >>> thickness_range_mm(Sheet(name="a", material="cast acrylic", thickness_mm=3.0))[:2]
    (2.3, 3.7)
    """
    family, words = family_of(sheet.material), read_name(sheet.material)
    t = float(sheet.thickness_mm)
    inch_size = abs(math.remainder(t, _INCH_STEP_MM)) < _TYPED_MM and not t.is_integer()
    for row in read_table("sheet_tolerances"):
        if (
            family in row_terms(row, "families")
            and (not row["word"] or row["word"] in words)
            and (not row["without_word"] or row["without_word"] not in words)
            and (not row["inch_sizes"] or inch_size)
            and float(row["from_mm"]) - _TYPED_MM < t < float(row["to_mm"]) + _TYPED_MM
        ):
            minus = float(row["minus_mm"]) + float(row["minus_per_mm"]) * t
            plus = float(row["plus_mm"]) + float(row["plus_per_mm"]) * t
            source = f"{row['standard']} ({row['provenance']})"
            return ThicknessRange(round(max(t - minus, 0.0), 3), round(t + plus, 3), source)
    return None
