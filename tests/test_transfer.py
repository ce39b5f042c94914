"""The same sheet on another machine: what moves, what widens, and what confirms it."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from boards import BIRCH, CO2, DIODE

import calib
from calib.advice.transfer import CONFIRMING_BURNS, expected_start, middle_speeds_mm_s
from calib.advice.wattage_page import wattage_page
from calib.advice.wattage_table import (
    CSV_HEADER,
    somebodys_machine,
    wattage_csv,
    wattage_table,
    wattage_text,
)
from calib.errors import InvalidRecord, RefusedMaterial
from calib.fit.another_speed import excess_at, floor_at
from calib.fit.priors import expected_priors
from calib.hazards import CAUTIONS
from calib.physics import mean_width_mm, spot_mm
from calib.records import Burn, Machine, Sheet

BENCH = replace(CO2, lens_mm=50.8, beam_mm=6.5)
# Power [%], speed [mm/s] and outcome: half of the coupons drop at about 18 mm/s and 80 %.
BURNT = (
    (80.0, 24.0, "no"),
    (80.0, 20.0, "hanging"),
    (80.0, 16.0, "through"),
    (80.0, 18.0, "through"),
    (60.0, 16.0, "no"),
    (60.0, 12.0, "hanging"),
    (60.0, 10.0, "through"),
    (40.0, 9.0, "no"),
    (40.0, 7.0, "through"),
)
LINES = ((20.0, 400.0, 1), (20.0, 250.0, 2), (30.0, 400.0, 2), (20.0, 120.0, 3), (15.0, 300.0, 1))


@pytest.fixture(scope="module")
def region() -> calib.Region:
    burns = [Burn(operation="cut", power_pct=p, speed_mm_s=v, through=t) for p, v, t in BURNT]
    return calib.fit_region(BENCH, BIRCH, evidence=burns)


def start_on(region: calib.Region, **changes: object) -> calib.StartingPoint:
    there = replace(BENCH, name="there", **changes)  # type: ignore[arg-type]
    return expected_start(calib.transfer_region(region, there))


def above_the_table(machine: Machine, material: str, factor: float) -> tuple[Machine, Sheet, list]:
    """A sheet that needs so many times what the table says, burnt without scatter."""
    sheet = Sheet(name=f"{material} 3", material=material, thickness_mm=3.0)
    prior = expected_priors(machine, sheet, "cut").cut
    needed = factor * math.exp(prior.location)
    burns = []
    for power in (80.0, 60.0, 40.0):
        watts = math.exp(math.log(machine.rated_w) + prior.exponent_mean * math.log(power / 100.0))
        edge = prior.speed0_mm_s * (watts / needed - 0.2) / 0.8
        for share in (0.7, 0.85, 0.95, 1.05, 1.2, 1.4):
            burns.append(
                Burn(
                    operation="cut",
                    power_pct=power,
                    speed_mm_s=round(edge * share, 2),
                    through="through" if share < 1.0 else "no",
                )
            )
    return machine, sheet, burns


@pytest.mark.parametrize("watts", [40.0, 100.0])
@pytest.mark.parametrize("factor", [0.5, 1.5, 2.0])
def test_what_all_families_need_alike_is_the_table_s_and_not_the_machine_s(
    factor: float, watts: float
) -> None:
    """One machine can't tell the two apart: what is usual of each divides it."""
    here = replace(BENCH, rated_w=80.0)
    there = replace(here, name="there", rated_w=watts)
    families = ("birch plywood", "MDF", "poplar plywood", "basswood", "cast acrylic", "hardboard")
    book = calib.pool_records([above_the_table(here, name, factor) for name in families])
    expected = expected_priors(there, BIRCH, "cut")
    carried = book.priors(there, BIRCH, "cut", expected).cut
    moved = carried.location - expected.cut.location
    # A fifth of the power goes by conduction, whatever the speed; the table lets it all grow alike.
    ratio = expected.cut.speed0_mm_s / expected_priors(here, BIRCH, "cut").cut.speed0_mm_s
    slower = math.log((0.2 + 0.8 * ratio) / ratio)
    assert moved - slower == pytest.approx(math.log(factor), abs=0.2 * abs(math.log(factor)))


def width(start: calib.StartingPoint) -> float:
    return math.log(start.fastest_mm_s / start.slowest_mm_s)


def test_twice_the_watts_are_more_than_twice_the_speed(region: calib.Region) -> None:
    """What the sheet conducts away weighs less on a stronger beam."""
    here, there = start_on(region, rated_w=60.0), start_on(region, rated_w=120.0)
    assert 2.0 < there.speed_mm_s / here.speed_mm_s < 3.0
    weak = start_on(region, rated_w=30.0)
    assert 2.0 < here.speed_mm_s / weak.speed_mm_s < 4.0


def test_the_farther_the_wider_and_more_so_downwards(region: calib.Region) -> None:
    widths = {w: width(start_on(region, rated_w=w)) for w in (15.0, 30.0, 60.0, 120.0, 240.0)}
    assert widths[15.0] > widths[30.0] > widths[60.0]
    assert widths[15.0] > widths[240.0]
    assert width(start_on(region, rated_w=60.0)) > 0.3


def test_the_two_sides_of_the_interval_differ(region: calib.Region) -> None:
    start = start_on(region, rated_w=20.0)
    slower = math.log(start.speed_mm_s / start.slowest_mm_s)
    faster = math.log(start.fastest_mm_s / start.speed_mm_s)
    assert abs(slower - faster) > 0.1


def test_changing_only_the_lens_moves_and_widens_the_answer(region: calib.Region) -> None:
    same = expected_start(calib.transfer_region(region, replace(BENCH, lens_mm=51.0)))
    long = expected_start(calib.transfer_region(region, replace(BENCH, lens_mm=101.6)))
    assert long.speed_mm_s < 0.85 * same.speed_mm_s
    assert width(long) > width(same) + 0.03


def test_a_beam_within_a_sheet_is_as_wide_as_its_formula_says() -> None:
    """The closed form against the average over slices of the sheet."""
    spot = spot_mm(50.8, 6.5)
    rayleigh = math.pi * spot**2 / (4.0 * 1.2 * 10.6e-3)
    z = (np.arange(4000) + 0.5) / 4000 * 3.0 - 1.5
    slices = spot * np.sqrt(1.0 + (z / rayleigh) ** 2)
    assert mean_width_mm(spot, 3.0) == pytest.approx(slices.mean(), rel=1e-6)


def test_the_machines_own_power_curve_stands_in_the_answer(region: calib.Region) -> None:
    """A machine that was measured to give less starts slower, and is less in doubt."""
    rated = start_on(region, rated_w=60.0)
    measured = start_on(
        region, rated_w=60.0, power_curve=((10.0, 3.0), (50.0, 18.0), (100.0, 36.0))
    )
    assert measured.speed_mm_s < 0.85 * rated.speed_mm_s
    assert width(measured) < width(rated)


def test_a_book_that_knows_both_machines_narrows_the_answer(region: calib.Region) -> None:
    there = replace(BENCH, name="there", rated_w=100.0)
    alone = expected_start(calib.transfer_region(region, there))
    records = []
    for number in range(4):
        sheet = Sheet(name=f"MDF {number}", material="MDF", thickness_mm=3.0)
        for machine, factor in ((BENCH, 1.0), (there, 2.0)):
            burns = [
                Burn(operation="cut", power_pct=p, speed_mm_s=factor * v, through=t)
                for p, v, t in BURNT
            ]
            records.append((machine, sheet, burns))
    pool = calib.pool_records(records)
    told = expected_start(calib.transfer_region(region, there, pool))
    assert width(told) < 0.8 * width(alone)
    here = expected_start(calib.transfer_region(region, replace(BENCH, name="other name")))
    assert told.speed_mm_s == pytest.approx(2.0 * here.speed_mm_s, rel=0.15)


def test_a_start_comes_with_the_four_burns_that_confirm_it_as_a_board(
    region: calib.Region,
) -> None:
    there = replace(BENCH, name="there", rated_w=80.0)
    start = calib.starting_point(calib.transfer_region(region, there))
    assert start.board is not None
    assert len(start.confirm) == len(start.board.cells) == CONFIRMING_BURNS == 4
    assert {cell.setting for cell in start.board.cells} == set(start.confirm)
    assert start.board.machine == there
    assert start.slowest_mm_s < start.speed_mm_s < start.fastest_mm_s
    assert start.interval_mm_s == (start.slowest_mm_s, start.fastest_mm_s)
    assert (start.power_pct, start.passes) == (there.ceiling_pct, 1)
    top = [c.speed_mm_s for c in start.board.cells if c.power_pct == there.ceiling_pct]
    assert min(top) <= start.speed_mm_s <= max(top)
    assert any("nothing has been burnt yet" in note for note in start.notes)


def test_nothing_is_recommended_from_a_carried_region(region: calib.Region) -> None:
    other = calib.transfer_region(region, replace(BENCH, name="there"))
    with pytest.raises(
        calib.NotEnoughEvidence, match="No cut of birch 3 on there has been burnt yet"
    ):
        calib.recommend(other)


def test_confirming_burns_are_fitted_with_the_book_they_came_from(region: calib.Region) -> None:
    """After four burns the edge on the other machine lies between those that differ."""
    there = replace(BENCH, name="there", rated_w=80.0)
    pool = calib.pool_records([(BENCH, BIRCH, region.burns)])
    start = calib.starting_point(calib.transfer_region(region, there))
    burns = [
        Burn(
            operation="cut",
            power_pct=s.power_pct,
            speed_mm_s=s.speed_mm_s,
            through="through" if s.speed_mm_s < 26.0 * s.power_pct / 80.0 else "no",
        )
        for s in start.confirm
    ]
    fitted = calib.fit_region(there, BIRCH, evidence=burns, pool=pool)
    top = [b for b in burns if b.power_pct == 80.0]
    dropped = max(b.speed_mm_s for b in top if b.through == "through")
    failed = min(b.speed_mm_s for b in top if b.through == "no")
    assert fitted.chance_through(80.0, dropped) > 0.5 > fitted.chance_through(80.0, failed)
    after = fitted.cut.here.location.std()
    assert after < 0.5 * start.region.cut.here.location.std()
    assert fitted.chance_through(80.0, 0.7 * dropped) > 0.98 > start.chance


@pytest.mark.parametrize(("mark", "between"), [(1, (0, 1)), (2, (1, 2)), (4, (2, 3))])
def test_the_middle_of_a_grade_lies_between_its_cut_points(
    mark: int, between: tuple[int, int]
) -> None:
    """By the model as its formula stands: ln P less α and what the speed takes."""
    burns = [Burn(operation="line_mark", power_pct=p, speed_mm_s=v, mark=g) for p, v, g in LINES]
    known = calib.fit_region(BENCH, BIRCH, "line_mark", burns)
    fit = known.mark
    assert fit is not None
    at = calib.Setting(power_pct=30.0, speed_mm_s=1.0)
    speeds = middle_speeds_mm_s(known, fit, at, mark)
    power = math.log(BENCH.rated_w) + fit.here.shape.exponent * math.log(0.3)
    y = power - fit.here.location - fit.here.shape.speed * np.log(speeds / fit.prior.speed0_mm_s)
    low, high = (fit.here.shape.cuts[:, k] for k in between)
    assert y - low == pytest.approx(high - y)


def test_marks_are_carried_over_too() -> None:
    burns = [Burn(operation="line_mark", power_pct=p, speed_mm_s=v, mark=g) for p, v, g in LINES]
    known = calib.fit_region(BENCH, BIRCH, "line_mark", burns)
    there = replace(BENCH, name="there", rated_w=120.0)
    start = calib.starting_point(calib.transfer_region(known, there))
    assert start.reliability is None
    assert start.board is not None
    assert {cell.power_pct for cell in start.board.cells} <= set(range(1, 81))
    assert start.slowest_mm_s < start.fastest_mm_s


def test_what_cannot_be_carried_over_is_refused(region: calib.Region) -> None:
    with pytest.raises(InvalidRecord, match="diode is a diode laser and bench a co2 laser"):
        calib.transfer_region(region, DIODE)
    with pytest.raises(InvalidRecord, match=r"burns of birch 3 on bench already \(9 in all\)"):
        calib.starting_point(region)
    pvc = replace(region, sheet=Sheet(name="x", material="PVC", thickness_mm=3.0))
    with pytest.raises(RefusedMaterial, match="PVC"):
        calib.transfer_region(pvc, replace(BENCH, name="there"))


@pytest.fixture(scope="module")
def table(region: calib.Region):
    return wattage_table(region, (10.0, 40.0, 150.0, 40.0))


def test_a_table_rises_with_the_watts(table) -> None:
    assert [row.rated_w for row in table.rows] == [10.0, 40.0, 150.0]
    for name in ("speed_mm_s", "slowest_mm_s", "fastest_mm_s"):
        values = [getattr(row, name) for row in table.rows]
        assert values == sorted(values), name
    assert all(r.slowest_mm_s < r.speed_mm_s < r.fastest_mm_s for r in table.rows)


def test_a_table_reads_back_from_its_csv(table) -> None:
    rows = list(csv.reader(io.StringIO(wattage_csv(table))))
    assert tuple(rows[0]) == CSV_HEADER
    assert [float(row[0]) for row in rows[1:]] == [10.0, 40.0, 150.0]
    assert float(rows[2][2]) == pytest.approx(table.rows[1].speed_mm_s, abs=5e-4)


def test_text_and_page_hold_the_rows_and_every_caution(table) -> None:
    text = wattage_text(table)
    pdf = pypdfium2.PdfDocument(wattage_page(table))
    assert len(pdf) == 1
    page = " ".join(pdf[0].get_textpage().get_text_bounded().split())
    assert "CAUTIONS, before and while you burn" in page
    for caution in (*CAUTIONS, *table.cautions):
        assert caution in " ".join(text.replace("\n  ", " ").split())
        assert caution in page
    for row in table.rows:
        assert f"{row.rated_w:g}" in page
    assert "nothing was burnt on your machine" in page
    assert wattage_page(table) == wattage_page(table)


def test_a_table_says_where_a_machine_is_too_weak() -> None:
    thick = Sheet(name="birch 9", material="birch plywood", thickness_mm=9.0)
    burns = [
        Burn(operation="cut", power_pct=80.0, speed_mm_s=v, through=t)
        for v, t in ((2.5, "through"), (3.0, "through"), (4.0, "no"), (5.0, "no"))
    ]
    table = wattage_table(calib.fit_region(BENCH, thick, evidence=burns), (10.0, 60.0))
    assert re.match(r"too weak for one pass: in \d+ passes", table.rows[0].note)
    assert table.rows[0].speed_mm_s >= 2.0
    assert table.rows[1].note == "may be too weak for one pass"


def test_a_table_needs_burns_and_watts(region: calib.Region) -> None:
    with pytest.raises(InvalidRecord, match="birch 3 has no burns on bench"):
        wattage_table(calib.fit_region(BENCH, BIRCH))
    with pytest.raises(InvalidRecord, match="No wattage is given"):
        wattage_table(region, ())


def test_somebodys_machine_has_our_limits_but_not_our_lens() -> None:
    other: Machine = somebodys_machine(BENCH, 100.0)
    assert (other.rated_w, other.lens_mm, other.power_curve) == (100.0, None, ())
    assert (other.ceiling_pct, other.max_speed_mm_s) == (BENCH.ceiling_pct, BENCH.max_speed_mm_s)


@pytest.mark.parametrize("floor", [0.05, 0.2, 0.35])
def test_another_speed_and_back(floor: float) -> None:
    """Straight line and power law each undo themselves; their mean does so nearly."""
    there, _ = excess_at(1.25, floor)
    back, _ = excess_at(0.8, floor_at(1.25, floor))
    assert there + back == pytest.approx(0.0, abs=0.02)


def test_doubt_of_another_speed_grows_with_the_distance() -> None:
    doubts = [excess_at(ratio, 0.2, 0.08)[1] for ratio in (1.0, 0.8, 0.5, 0.3)]
    assert doubts == sorted(doubts)
    assert doubts[0] == 0.0
    assert excess_at(0.5, 0.2, 0.08)[1] > 1.3 * excess_at(2.0, 0.2, 0.08)[1]
