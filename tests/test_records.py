"""Records check themselves once, when made, and say what is allowed."""

from __future__ import annotations

import dataclasses
import re

import pytest

import calib
from calib.errors import InvalidRecord, shown
from calib.records import (
    COUPON_CUT_MM,
    Advice,
    Burn,
    Cell,
    Grid,
    Machine,
    Reading,
    Setting,
    Sheet,
)

MACHINE = {"name": "bench", "rated_w": 60.0, "bed_mm": (600.0, 400.0), "max_speed_mm_s": 400.0}
SHEET = {"name": "birch 3", "material": "birch plywood", "thickness_mm": 3.0}
BURN = {"operation": "cut", "power_pct": 60.0, "speed_mm_s": 12.0}
SETTING = {"power_pct": 60.0, "speed_mm_s": 12.0}
CELL = SETTING | {
    "label": "A1", "x_mm": 5.0, "y_mm": 5.0, "width_mm": 16.0, "height_mm": 16.0, "burn_order": 1,
}  # fmt: skip
READING = {"cell": "A1"}
ADVICE = {
    "operation": "cut", "setting": Setting(**SETTING), "aim": "fastest", "reliability": 0.99,
    "chance": 0.992,
}  # fmt: skip
GRID = {
    "board_id": "K7QF", "machine": Machine(**MACHINE), "sheet": Sheet(**SHEET), "operation": "cut",
    "board_mm": (100.0, 80.0), "cells": (Cell(**CELL),), "label_setting": Setting(**SETTING),
}  # fmt: skip

BASES = [
    (Machine, MACHINE),
    (Sheet, SHEET),
    (Burn, BURN),
    (Setting, SETTING),
    (Cell, CELL),
    (Reading, READING),
    (Advice, ADVICE),
    (Grid, GRID),
]

NAN, INF = float("nan"), float("inf")

WRONG = [
    *[(Machine, MACHINE, "name", value) for value in ("", "  ", "a\nb", "x" * 201, 7)],
    *[(Machine, MACHINE, "rated_w", value) for value in (0.0, -60.0, 2001.0, NAN, INF, "60", True)],
    (Machine, MACHINE, "rated_w", 1e-36),
    (Machine, MACHINE, "rated_w", 10**400),
    (Machine, MACHINE, "bed_mm", (600.0, 10**400)),
    (Machine, MACHINE, "power_curve", ((50.0, 10**400),)),
    *[(Machine, MACHINE, "source", value) for value in ("CO2", "fiber", "", None)],
    *[(Machine, MACHINE, "bed_mm", value) for value in ((600.0,), (600.0, NAN), (5.0, 400.0), 600)],
    *[(Machine, MACHINE, "max_speed_mm_s", value) for value in (0.0, -1.0, 20001.0)],
    *[(Machine, MACHINE, "acceleration_mm_s2", value) for value in (0.0, -1.0, INF, 1e-320)],
    *[(Machine, MACHINE, "beam_starts_pct", value) for value in (-1.0, 100.0)],
    *[(Machine, MACHINE, "ceiling_pct", value) for value in (0.0, 101.0, 9.0)],
    *[(Machine, MACHINE, "power_step_pct", value) for value in (0.0, 51.0, 1e-36)],
    *[(Machine, MACHINE, "speed_step_mm_s", value) for value in (0.0, 401.0, 1e-36)],
    *[(Machine, MACHINE, "power_word_full", value) for value in (0.0, -5.0, 1e-320)],
    *[(Machine, MACHINE, "beam_on_word", value) for value in ("M5", "m3", "")],
    *[(Machine, MACHINE, "air_on_word", value) for value in ("M3", "on")],
    *[(Machine, MACHINE, "origin", value) for value in ("middle", "")],
    *[(Machine, MACHINE, "offset_mm", value) for value in ((1.0,), (0.0, 20000.0))],
    *[
        (Machine, MACHINE, "power_curve", value)
        for value in (
            ((50.0, 30.0), (20.0, 10.0)),
            ((20.0, 30.0), (50.0, 10.0)),
            ((0.0, 5.0),),
            ((50.0, 0.0),),
            ((101.0, 60.0),),
            ((50.0,),),
            (("a", "b"),),
        )
    ],
    *[(Sheet, SHEET, "material", value) for value in ("", " ", "a\tb")],
    *[(Sheet, SHEET, "thickness_mm", value) for value in (0.0, -3.0, 61.0, NAN)],
    *[(Sheet, SHEET, "measured_mm", value) for value in (0.0, -3.0)],
    (Sheet, SHEET, "declaration", "x" * 1001),
    *[(Burn, BURN, "operation", value) for value in ("engrave", "", "Cut")],
    *[(Burn, BURN, "power_pct", value) for value in (0.0, 101.0, NAN)],
    *[(Burn, BURN, "speed_mm_s", value) for value in (0.0, -12.0, INF)],
    *[(Burn, BURN, "passes", value) for value in (0, 51, 1.0, True)],
    *[(Burn, BURN, "through", value) for value in ("yes", "Through", True, "")],
    *[(Burn, BURN, "char", value) for value in (-1, 5, 2.0)],
    *[(Burn, BURN, "mark", value) for value in (-1, 5)],
    *[(Burn, BURN, "count", value) for value in (0, -2)],
    *[(Burn, BURN, "cut_length_mm", value) for value in (0.0, -1.0)],
    *[(Burn, BURN, "source", value) for value in ("guess", "")],
    (Burn, BURN | {"operation": "area_mark"}, "line_pitch_mm", None),
    *[(Setting, SETTING, "line_pitch_mm", value) for value in (0.0, 21.0)],
    *[(Setting, SETTING, "passes", value) for value in (0, 1.5)],
    *[(Reading, READING, "cell", value) for value in ("", "A23456789")],
    *[(Reading, READING, "through", value) for value in ("x", "ok")],
    *[(Reading, READING, "char", value) for value in (7, -1)],
    *[(Reading, READING, "width_mm", value) for value in (0.0, 1001.0)],
    *[(Advice, ADVICE, "chance", value) for value in (1.1, -0.1, NAN)],
    *[(Advice, ADVICE, "reliability", value) for value in (1.1, -0.1)],
    *[(Advice, ADVICE, "scope", value) for value in ("week", "")],
    *[(Grid, GRID, "operation", value) for value in ("fold", None)],
    *[(Grid, GRID, "cells", value) for value in ((),)],
    *[(Grid, GRID, "round", value) for value in (0, 1.5)],
]


@pytest.mark.parametrize(("record", "base"), BASES, ids=lambda v: getattr(v, "__name__", ""))
def test_a_good_record_is_made_frozen_and_by_keyword(record: type, base: dict[str, object]) -> None:
    made = record(**base)
    assert record(**base) == made
    with pytest.raises(dataclasses.FrozenInstanceError, match=next(iter(base))):
        setattr(made, next(iter(base)), None)
    with pytest.raises(TypeError, match="positional"):
        record(*base.values())


@pytest.mark.parametrize(("record", "base", "field", "value"), WRONG)
def test_a_wrong_value_is_named_with_what_is_allowed(
    record: type, base: dict[str, object], field: str, value: object
) -> None:
    named = re.escape(f"{record.__name__}.{field} is {shown(value)}: ")
    with pytest.raises(InvalidRecord, match=named + r"[a-z(].{8,}\.$"):
        record(**(base | {field: value}))


def test_the_contracts_sample_records_are_good() -> None:
    machine = calib.Machine(
        name="bench",
        rated_w=60.0,
        source="co2",
        bed_mm=(600.0, 400.0),
        max_speed_mm_s=400.0,
        acceleration_mm_s2=3000.0,
        beam_starts_pct=10.0,
        ceiling_pct=80.0,
        power_curve=(),
        power_step_pct=1.0,
        speed_step_mm_s=0.1,
        power_word_full=1000.0,
        beam_on_word="M3",
    )
    assert machine.source == "co2"
    burn = calib.Burn(
        operation="cut",
        power_pct=60.0,
        speed_mm_s=12.0,
        passes=1,
        line_pitch_mm=None,
        through="through",
        char=1,
        mark=None,
        count=1,
        cut_length_mm=None,
        source="board",
        session="",
    )
    assert burn.setting == calib.Setting(power_pct=60.0, speed_mm_s=12.0)


def test_the_measured_thickness_counts_where_there_is_one() -> None:
    assert Sheet(**SHEET).working_thickness_mm == 3.0
    assert Sheet(**SHEET, measured_mm=2.8).working_thickness_mm == 2.8


def test_not_read_is_not_no() -> None:
    assert Reading(cell="A1", note="fell under the bed").is_empty
    assert not Reading(cell="A1", through="no").is_empty
    assert not Reading(cell="A1", char=0).is_empty


def test_the_standard_coupons_outline() -> None:
    # Four straight sides of 10 mm and four quarter circles of 3 mm radius.
    assert pytest.approx(40.0 + 2.0 * 3.141592653589793 * 3.0) == COUPON_CUT_MM


def test_an_area_mark_knows_its_pitch() -> None:
    burn = Burn(**(BURN | {"operation": "area_mark", "line_pitch_mm": 0.1}), mark=2)
    assert burn.setting.line_pitch_mm == 0.1


def test_a_cells_setting_is_what_is_typed() -> None:
    cell = Cell(**CELL, passes=2)
    assert cell.setting == Setting(**SETTING, passes=2)


DIODE = MACHINE | {"source": "diode"}


def test_what_is_not_given_depends_on_the_source() -> None:
    """10 and 80 % for CO2, 2 and 100 % for a diode: common practice, no source."""
    co2, diode = Machine(**MACHINE), Machine(**DIODE)
    fields = ("beam_starts_pct", "ceiling_pct", "beam_on_word", "power_follows_speed")
    assert [getattr(co2, name) for name in fields] == [10.0, 80.0, "M3", False]
    assert [getattr(diode, name) for name in fields] == [2.0, 100.0, "M4", True]


@pytest.mark.parametrize(
    ("given", "word", "follows"),
    [
        ({"beam_on_word": "M3"}, "M3", False),
        ({"power_follows_speed": False}, "M3", False),
        ({"beam_on_word": "M3", "power_follows_speed": True}, "M3", True),
        ({"beam_on_word": "M4", "power_follows_speed": False}, "M4", False),
        ({"beam_starts_pct": 10.0, "ceiling_pct": 80.0}, "M4", True),
    ],
)
def test_what_is_given_of_a_diode_counts(given, word, follows) -> None:
    machine = Machine(**DIODE | given)
    assert (machine.beam_on_word, machine.power_follows_speed) == (word, follows)
    assert all(getattr(machine, name) == value for name, value in given.items())


@pytest.mark.parametrize(
    ("base", "field", "value"),
    [
        (DIODE, "wavelength_nm", 10600.0),
        (DIODE, "wavelength_nm", 0.455),
        (MACHINE, "wavelength_nm", 455.0),
        (MACHINE | {"air_on_word": "M8"}, "air_low_word", "M8"),
        (MACHINE, "air_low_word", "M7"),
        (MACHINE, "air_low_word", "M9"),
        # M9 turns all air and coolant off, M7 and M8 turn one on (NIST RS274/NGC, NISTIR 6556).
        (MACHINE, "air_on_word", "M9"),
        (MACHINE | {"air_off_word": "M8"}, "air_on_word", "M8"),
        (MACHINE, "air_off_word", "M7"),
    ],
)
def test_a_wavelength_or_air_that_cannot_be_is_refused(base, field, value) -> None:
    with pytest.raises(InvalidRecord, match=f"{field} is {value!r}"):
        Machine(**base | {field: value})


def test_an_unknown_acceleration_is_taken_cautiously_and_stays_unknown() -> None:
    assert Machine(**MACHINE).working_acceleration_mm_s2 == 1500.0
    assert Machine(**MACHINE).acceleration_mm_s2 is None
    known = Machine(**MACHINE, acceleration_mm_s2=400.0)
    assert known.working_acceleration_mm_s2 == 400.0
