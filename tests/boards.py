"""Machines, sheets and boards that the tests of the grid's files share, and strategies for them."""

from __future__ import annotations

import dataclasses
import math

from hypothesis import strategies as st

from calib.boards.layout import lay_out
from calib.boards.stair import lay_out_stair
from calib.limits import limits_of, snap_setting, speed_limits_mm_s
from calib.records import Grid, Machine, Operation, Setting, Sheet

CO2 = Machine(
    name="bench",
    rated_w=60.0,
    bed_mm=(600.0, 400.0),
    max_speed_mm_s=400.0,
    acceleration_mm_s2=3000.0,
    power_word_full=1000.0,
    slat_gap_mm=6.0,
)
TUBE_100 = Machine(
    name="large",
    rated_w=100.0,
    bed_mm=(900.0, 600.0),
    max_speed_mm_s=600.0,
    acceleration_mm_s2=5000.0,
    power_word_full=100.0,
    power_curve=((10.0, 6.0), (50.0, 52.0), (80.0, 90.0)),
    air_on_word="M8",
    air_off_word="M9",
)
TUBE_40 = Machine(
    name="small",
    rated_w=40.0,
    bed_mm=(300.0, 200.0),
    max_speed_mm_s=300.0,
    power_word_full=255.0,
    power_step_pct=0.5,
)
DIODE = Machine(
    name="diode",
    rated_w=10.0,
    source="diode",
    bed_mm=(400.0, 400.0),
    max_speed_mm_s=150.0,
    acceleration_mm_s2=800.0,
    beam_starts_pct=2.0,
    ceiling_pct=95.0,
    power_word_full=1000.0,
    beam_on_word="M4",
    power_follows_speed=True,
    area_both_ways=False,
)
TWO_AIRS = dataclasses.replace(TUBE_100, name="two airs", air_low_word="M7")
MACHINES = (CO2, TUBE_100, TUBE_40, DIODE)

BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
MDF = Sheet(name="MDF 6", material="MDF", thickness_mm=6.0, measured_mm=6.15)
SHEETS = (
    BIRCH,
    MDF,
    Sheet(name="hardboard", material="hardboard", thickness_mm=3.0),
    Sheet(name="card", material="card", thickness_mm=0.4),
    Sheet(name="thick", material="basswood", thickness_mm=10.0),
)
OPERATIONS: tuple[Operation, ...] = ("cut", "line_mark", "area_mark")


def some_settings(machine: Machine, operation: Operation, count: int) -> list[Setting]:
    """Make settings on the machine's steps; from twelve on, the middle one is there three times."""
    powers = (40.0, 55.0, 70.0, 80.0) if operation == "cut" else (20.0, 30.0, 40.0)
    slow, fast = (5.0, 40.0) if operation == "cut" else (60.0, 140.0)
    different = count if count < 12 else count - 2
    settings = [
        snap_setting(
            machine,
            powers[place % len(powers)],
            slow * (fast / slow) ** (place / max(different - 1, 1)),
            passes=2 if operation == "cut" and place % 7 == 3 else 1,
            line_pitch_mm=(0.4, 0.8)[place % 2] if operation == "area_mark" else None,
        )
        for place in range(different)
    ]
    return settings + [settings[different // 2]] * (count - different)


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    """Machines of all kinds, with a board's corner and offset that keep it on the bed."""
    top = draw(st.floats(20.0, 1000.0))
    start = draw(st.floats(0.0, 30.0))
    air = draw(st.sampled_from(("", "M7", "M8")))
    return Machine(
        name=draw(st.text(min_size=1, max_size=30).filter(_is_line)),
        rated_w=draw(st.floats(2.0, 150.0)),
        source="co2",
        bed_mm=(draw(st.floats(100.0, 1500.0)), draw(st.floats(100.0, 1500.0))),
        max_speed_mm_s=top,
        acceleration_mm_s2=draw(st.none() | st.floats(200.0, 20000.0)),
        beam_starts_pct=start,
        ceiling_pct=draw(st.floats(start + 20.0, 100.0)),
        power_step_pct=draw(st.sampled_from((0.1, 100.0 / 255.0, 0.5, 1.0, 5.0))),
        speed_step_mm_s=draw(st.sampled_from((0.01, 1.0 / 60.0, 0.1, 1.0))),
        power_word_full=draw(st.sampled_from((1.0, 100.0, 255.0, 1000.0, 12345.6))),
        beam_on_word=draw(st.sampled_from(("M3", "M4", "M3 I", "M4 I"))),
        percent_lines=draw(st.booleans()),
        comments_in=draw(st.sampled_from(("brackets", "semicolon"))),
        path_word=draw(st.sampled_from(("", "G61", "G64", "G64 P0.02"))),
        pause_in=draw(st.sampled_from(("s", "ms"))),
        air_wait_s=draw(st.sampled_from((1.0, 2.5))),
        origin=draw(st.sampled_from(("lower_left", "lower_right", "upper_left", "upper_right"))),
        y_up=draw(st.booleans()),
        air_on_word=air,
        air_off_word=draw(st.sampled_from(("", "M9"))),
        air_low_word="M7" if air == "M8" and draw(st.booleans()) else "",
        area_both_ways=draw(st.booleans()),
        slat_gap_mm=draw(st.none() | st.floats(1.0, 40.0)),
    )


def _is_line(text: str) -> bool:
    return bool(text.strip()) and all(ord(sign) >= 32 for sign in text)


@st.composite
def sheets(draw: st.DrawFn) -> Sheet:
    """Sheets that may be burnt, of any name."""
    return Sheet(
        name=draw(st.text(min_size=1, max_size=60).filter(_is_line)),
        material=draw(st.sampled_from(("birch plywood", "MDF", "basswood", "card"))),
        thickness_mm=draw(st.floats(0.2, 20.0)),
        measured_mm=draw(st.none() | st.floats(0.2, 20.0)),
    )


@st.composite
def setting_lists(draw: st.DrawFn, machine: Machine, operation: Operation) -> list[Setting]:
    """One to forty settings on the machine's steps, some of them repeated."""
    fastest = speed_limits_mm_s(machine)[1]
    setting = st.builds(
        lambda power, speed, passes, pitch: snap_setting(
            machine,
            power,
            math.exp(speed) * fastest,
            passes=passes,
            line_pitch_mm=pitch if operation == "area_mark" else None,
        ),
        st.floats(0.0, 100.0),
        st.floats(math.log(0.01), 0.0),
        st.integers(1, 3),
        st.floats(0.05, 3.0),
    )
    settings = draw(st.lists(setting, min_size=1, max_size=40))
    again = draw(st.integers(0, 3))
    return settings + settings[:1] * again


def make(
    operation: Operation = "cut", count: int = 6, machine: Machine = CO2, sheet: Sheet = BIRCH
) -> Grid:
    """A board of settings of this count."""
    return lay_out(machine, sheet, operation, some_settings(machine, operation, count))


def stair(machine: Machine = CO2, sheet: Sheet = BIRCH, steps: int = 12) -> Grid:
    """A stair of so many speeds that the machine and the sheet allow."""
    power = machine.ceiling_pct
    low = limits_of(machine, sheet, "cut").slowest_at(power)
    ratio = (min(machine.max_speed_mm_s / low, 40.0)) ** (1.0 / steps)
    speeds = [low * ratio ** (step + 0.5) for step in range(steps)]
    return lay_out_stair(machine, sheet, [snap_setting(machine, power, v) for v in speeds])
