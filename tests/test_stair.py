"""A stair: one line of a dozen speeds, from its plan to what its one reading says."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pypdfium2
import pytest
from boards import BIRCH, CO2, MACHINES, SHEETS, stair
from program_checks import assert_sound, lit, to_board
from scipy.stats import norm, t
from shell import BIRCH as ADD_BIRCH
from shell import MACHINE, Shell, cut_cleanly
from test_svg import assert_valid
from visitor import House

import calib
from calib.boards.board import board_of
from calib.boards.layout import LayoutOptions
from calib.boards.places import fastest_that_fits_mm_s
from calib.boards.stair import STEP_MM, lay_out_stair
from calib.errors import BoardDoesNotFit
from calib.fit.fits import fit
from calib.fit.fitting import region_from
from calib.fit.hull import speed_range
from calib.fit.model import (
    Draws,
    columns_of,
    edge_ln_speed,
    parameters_of,
    settings_of,
    shape_of,
)
from calib.fit.pool import pool_records
from calib.fit.priors import FACTORS, MISREAD, CutPrior, Priors, cut_prior, expected_priors
from calib.materials import expected_response
from calib.plan.stair import stair_settings
from calib.records import (
    THROUGH_GRADES,
    Burn,
    Grid,
    Machine,
    Operation,
    Setting,
    Sheet,
    marked_stair_burns,
    stair_burn,
)

# What a stair may differ from coupons by without a book: what stairs share, and each one's own.
OFF = math.hypot(0.07, 0.04)
STILL = replace(CO2, acceleration_mm_s2=1e6)  # no corner slows its head
STEPS = [Setting(power_pct=80.0, speed_mm_s=v) for v in (10.0, 12.0, 14.0, 17.0)]


def fitted(burns: list[Burn]) -> calib.Region:
    return region_from(CO2, BIRCH, "cut", burns, Priors(cut=cut_prior(CO2, BIRCH)))


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.name)
@pytest.mark.parametrize("machine", MACHINES, ids=lambda machine: machine.name)
def test_its_program_is_one_straight_cut_from_the_fast_end_on(machine: Machine, sheet: Sheet):
    grid = stair(machine, sheet)
    report = assert_sound(grid, calib.grid_program(grid))
    codes = 60.0 * grid.label_setting.speed_mm_s
    burnt = [move for move in lit(report) if move.feed != pytest.approx(codes, abs=2e-3)]
    assert [move.feed for move in burnt] == pytest.approx(
        [60.0 * cell.speed_mm_s for cell in grid.cells[::-1]], abs=2e-3
    )
    ends = [to_board(machine, grid, move.start) for move in burnt]
    ends.append(to_board(machine, grid, burnt[-1].end))
    for a, b in pairwise(ends):
        assert (a[0] - b[0], a[1] - b[1]) == pytest.approx((STEP_MM, 0.0), abs=1e-3)
    assert_valid(calib.grid_svg(grid))


def test_its_sheet_asks_for_one_number():
    page = pypdfium2.PdfDocument(calib.grid_record_sheet(stair()))[0]
    words = " ".join(page.get_textpage().get_text_range().split())
    assert "cut right through up to step" in words
    assert all(f"☐ {step}" in words.replace("\xa0", " ") for step in range(13))
    assert "hanging" not in words
    assert "a stair of 12 steps" in words
    assert "burnt from S12 to S1" in words
    order = [cell.label for cell in sorted(stair().cells, key=lambda cell: cell.burn_order)]
    assert (order[0], order[-1]) == ("S12", "S1")
    assert (
        f"program {stair().board_id}.nc; only if you type it in: 13 settings, in 2 parts" in words
    )


def test_every_row_of_a_typed_stair_has_its_box():
    """Of seven steps and the codes each is a colour of its own; twice the same step is not."""
    machine = replace(CO2, power_word_full=None)

    def typing(steps) -> str:
        grid = lay_out_stair(machine, BIRCH, steps)
        page = pypdfium2.PdfDocument(calib.grid_record_sheet(grid))[0]
        return " ".join(page.get_textpage().get_text_range().split())

    steps = [cell.setting for cell in stair().cells[:7]]
    assert "typing it in" in typing(steps)
    assert "A row without a box" not in typing(steps)
    assert "A row without a box" in typing([*steps, steps[-1]])


def test_too_short_a_piece_is_refused_with_the_steps_that_fit():
    with pytest.raises(BoardDoesNotFit, match="12 cells") as refused:
        lay_out_stair(CO2, BIRCH, stair().cells, LayoutOptions(offcut_mm=(100.0, 60.0)))
    assert refused.value.cells_that_fit == 9


@pytest.mark.parametrize(
    ("through", "speed", "fails", "grade"),
    [
        ((True, True, False, False), 12.0, 14.0, "through"),
        ((True, True, True, True), 17.0, None, "through"),
        ((False, False, False, False), 10.0, None, "no"),
        ((True, False, True, False), 10.0, 17.0, "through"),  # contradicts itself
        ((None, True, None, False), 12.0, 17.0, "through"),
        ((False, True, False, False), 10.0, None, "no"),
    ],
)
def test_what_its_steps_say_is_one_burn(through, speed, fails, grade):
    burn = stair_burn(STEPS, through, "May")
    assert burn is not None
    assert (burn.speed_mm_s, burn.fails_at_mm_s, burn.through) == (speed, fails, grade)
    assert (burn.source, burn.session) == ("stair", "May")


def test_the_whole_of_what_a_stair_cut_may_be_advised():
    settings = stair_settings(fitted([]))
    slow, last, failed = (settings[n].speed_mm_s for n in (0, 6, 7))
    burn = stair_burn(settings, [n < 7 for n in range(12)])
    assert burn is not None
    assert burn.burnt_speeds_mm_s == (last, slow, failed)
    region = fitted([burn])
    assert speed_range(region.hulls[1], CO2.ceiling_pct) == pytest.approx((slow, failed))
    # One coupon that hangs near its end: only the slow steps leave something to advise.
    hung = Burn(operation="cut", power_pct=CO2.ceiling_pct, speed_mm_s=last, through="hanging")
    both = calib.fit_region(CO2, BIRCH, operation="cut", evidence=[burn, hung])
    advised = calib.recommend(both, reliability=0.95)
    assert slow <= advised.speed_mm_s < last
    # A step that wasn't cut is no place to advise, nor a stair that wasn't cut at all.
    none = stair_burn(settings, [False] * 12)
    assert none is not None
    assert none.burnt_speeds_mm_s == (slow,)


def test_an_unread_stair_is_no_burn():
    assert stair_burn(STEPS, (None,) * 4) is None


def test_its_steps_hold_what_is_expected_of_the_edge():
    settings = stair_settings(fitted([]))
    ratios = [b.speed_mm_s / a.speed_mm_s for a, b in pairwise(settings)]
    assert len(settings) == 12
    assert max(ratios) / min(ratios) < 1.05
    region = fitted([])
    assert region.cut is not None
    draws = region.cut.here
    edge = edge_ln_speed(draws, CO2, region.cut.prior, CO2.ceiling_pct)
    inside = (edge > math.log(settings[0].speed_mm_s)) & (edge < math.log(settings[-1].speed_mm_s))
    assert 0.85 < draws.weight[inside].sum() < 0.95
    # Once the edge is known the steps stand closer.
    known = fitted([b for b in [stair_burn(settings, [n < 6 for n in range(12)])] if b])
    closer = stair_settings(known)
    assert closer[-1].speed_mm_s / closer[0].speed_mm_s < 0.6 * ratios[0] ** 11


def test_one_stair_says_where_the_edge_lies_no_better_than_stairs_are_like_coupons():
    """Against a sum over the prior's own draws, weighted by the chance of the reading."""
    settings = stair_settings(fitted([]))
    burn = stair_burn(settings, [n < 7 for n in range(12)])
    assert burn is not None
    prior, found = fitted([]).cut, fitted([burn]).cut
    assert prior is not None and found is not None  # noqa: PT018
    draws = prior.here

    def z(speed: float) -> np.ndarray:
        ratio = speed / prior.prior.speed0_mm_s
        shape = draws.shape
        ln_power = math.log(0.8) * shape.exponent + math.log(CO2.rated_w)
        reach = ln_power - np.log(shape.floor + (1.0 - shape.floor) * ratio) - draws.location
        return reach / np.hypot(shape.scatter, OFF)

    told = norm.cdf(z(settings[6].speed_mm_s)) - norm.cdf(z(settings[7].speed_mm_s))
    weight = draws.weight * (0.99 * told + 0.01 / 3.0)
    weight = weight / weight.sum()
    before = edge_ln_speed(draws, CO2, prior.prior, CO2.ceiling_pct)
    after = edge_ln_speed(found.here, CO2, found.prior, CO2.ceiling_pct)
    mean = float(weight @ before)
    assert float(found.here.weight @ after) == pytest.approx(mean, abs=0.02)
    sd = math.sqrt(float(weight @ (before - mean) ** 2))
    own = found.here.weight
    assert math.sqrt(float(own @ (after - own @ after) ** 2)) == pytest.approx(sd, rel=0.1)
    assert sd > OFF


def test_what_two_stairs_and_coupons_say_of_their_offset_is_what_quadrature_says():
    """Against a sum over a grid of α and a, written out again with scipy's distributions."""
    sure = {"exponent_sd": 1e-6, "scatter_ln_sd": 1e-6, "band_ln_sd": 1e-6, "passes_sd": 1e-6}
    prior = CutPrior(location=math.log(36.0), speed0_mm_s=24.0, floor_a=3e5, floor_b=12e5, **sure)
    coupons = {14.0: "through", 20.0: "through", 24.0: "through", 26.0: "no", 33.0: "no"}
    cut = {"operation": "cut", "power_pct": 100.0}
    stairs = {18.0: 20.0, 20.0: 22.0}
    burns = [Burn(**cut, speed_mm_s=v, through=grade) for v, grade in coupons.items()] + [
        Burn(**cut, speed_mm_s=v, through="through", fails_at_mm_s=failed, source="stair")
        for v, failed in stairs.items()
    ]
    draws = fit(replace(CO2, acceleration_mm_s2=1e6), burns, prior, "cut").here
    location, adds = np.meshgrid(np.linspace(3.2, 4.4, 601), np.linspace(-0.45, 0.45, 451))
    mass = t.pdf((location - prior.location) / 0.4, 4) * norm.pdf(adds / 0.07)

    def reach(speed: float) -> np.ndarray:
        return math.log(60.0) - location - math.log(0.2 + 0.8 * speed / 24.0)

    for speed, grade in coupons.items():
        through, no = norm.cdf(reach(speed) / 0.05), norm.cdf(-(reach(speed) + 0.06) / 0.05)
        mass *= (1.0 - MISREAD) * (through if grade == "through" else no) + MISREAD / 3.0
    blunt = math.hypot(0.05, 0.04)
    for speed, failed in stairs.items():
        here, there = (norm.cdf((reach(v) - adds) / blunt) for v in (speed, failed))
        mass *= (1.0 - MISREAD) * (here - there) + MISREAD / 3.0
    mass /= mass.sum()
    added = draws.shape.offsets[:, FACTORS.index("stair")]
    for found, expected in ((added, adds), (draws.location, location)):
        mean = float((mass * expected).sum())
        sd = math.sqrt(float((mass * (expected - mean) ** 2).sum()))
        assert float(draws.weight @ found) == pytest.approx(mean, abs=0.002)
        own = math.sqrt(float(draws.weight @ (found - draws.weight @ found) ** 2))
        assert own == pytest.approx(sd, rel=0.05)
    # The stairs needed an eighth more than the coupons, of which most is put down to stairs.
    assert 0.04 < float(draws.weight @ added) < 0.13


def burnt_as_expected(sheet: Sheet, operation: Operation, stair_adds: float | None) -> list[Burn]:
    """Cells of a sheet that is as the table expects, and a stair that needs so much more."""
    prior = expected_priors(STILL, sheet, operation)
    model = prior.cut or prior.mark
    power, speeds = (100.0, 0.6) if operation == "cut" else (100.0 * model.pivot, 1.0)
    speeds = speeds * model.speed0_mm_s * np.geomspace(0.5, 3.5, 25)
    shape = shape_of(np.zeros((1, len(parameters_of(model)))), model)
    settings = [Setting(power_pct=power, speed_mm_s=float(v)) for v in speeds]
    read = "cut" if operation == "cut" else "mark"
    at = settings_of(STILL, columns_of(settings), model, read)
    reach = shape.critical(at)[0] - model.location
    words = THROUGH_GRADES if operation == "cut" else range(5)
    name = "through" if operation == "cut" else "mark"

    def grades(y: np.ndarray) -> list[Any]:
        return [words[i] for i in (y[:, None] > shape.cuts[0]).sum(axis=1)]

    cells = [
        Burn(operation=operation, power_pct=s.power_pct, speed_mm_s=s.speed_mm_s, **{name: grade})
        for s, grade in zip(settings[::2], grades(reach[::2]), strict=True)
    ]
    if stair_adds is None:
        return cells
    off = grades(reach - stair_adds)
    if operation == "cut":
        found = stair_burn(settings, [grade == "through" for grade in off])
        return [*cells, *([found] if found else [])]
    return [*cells, *marked_stair_burns(operation, settings, off)]


@pytest.mark.parametrize("operation", ["cut", "line_mark"])
def test_what_stairs_differ_by_is_learnt_over_the_book(operation: Operation):
    """Five sheets whose stairs need about a tenth more, or less: the sixth is told so."""
    sixth = expected_priors(STILL, BIRCH, operation)
    kind = "cut" if operation == "cut" else "mark"

    def taught(adds: float | None) -> Any:
        sheets = [replace(BIRCH, name=f"sheet {n}") for n in range(5)]
        own = [None if adds is None else adds + more for more in (-0.04, -0.02, 0.0, 0.02, 0.04)]
        book = pool_records(
            (STILL, sheet, burnt_as_expected(sheet, operation, one))
            for sheet, one in zip(sheets, own, strict=True)
        )
        return getattr(book.priors(STILL, BIRCH, operation, sixth), kind)

    more, less, none = taught(0.1), taught(-0.1), taught(None)
    assert more.stair_mean == pytest.approx(0.1, abs=0.04)
    assert less.stair_mean == pytest.approx(-0.1, abs=0.04)
    assert max(more.stair_sd, less.stair_sd) < 0.75 * none.stair_sd
    # Coupons alone teach nothing of stairs, nor does what is learnt of stairs change them.
    assert (none.stair_mean, none.stair_sd) == (0.0, 0.07)
    cells = burnt_as_expected(BIRCH, operation, None)[::4]
    with_offset, without = (
        region_from(STILL, BIRCH, operation, cells, Priors(**{kind: prior}))
        for prior in (replace(none, stair_mean=0.1, stair_sd=0.02), none)
    )
    one, other = (getattr(region, kind).here for region in (with_offset, without))
    assert np.array_equal(one.location, other.location)
    assert np.array_equal(one.weight, other.weight)


def test_a_stair_is_planned_read_by_one_number_and_counts(shell: Shell) -> None:
    for words in (MACHINE, ADD_BIRCH):
        shell.run(*words)
    board = shell.json("plan", "--for", "stair")["grid"]
    assert board["stair"] is True
    assert "up to which it is cut right through" in " ".join(
        shell.text("board", "show", "last").split()
    )
    assert "give a step from 0 to 12" in shell.refusal("record", "--through-to", "13")
    shell.run("record", "last", typed="6\n")
    region = shell.json("region")
    assert region["outcomes"] == {"stair": 1}
    assert region["edge"] == "bracketed"
    shell.run("record", board["board_id"], "--through-to", "8", "--why", "held against the light")
    assert shell.json("region")["rows"][0]["speeds_mm_s"] > region["rows"][0]["speeds_mm_s"]
    coupons = shell.json("plan", "--burns", "2")["grid"]
    assert "is no stair" in shell.refusal("record", coupons["board_id"], "--through-to", "1")


def test_few_colours_make_more_drawings_not_fewer_steps(shell: Shell) -> None:
    shell.run("machine", "add", "closed", "--watts", "40", "--bed", "300x200", "--top-speed", "300",
              "--colours", "#d02020,#2040d0,#20a040")  # fmt: skip
    shell.run(*ADD_BIRCH)
    board = shell.json("plan", "--for", "stair", "--into", "stair")["grid"]
    assert len(board["cells"]) == 7
    parts = sorted(path.stem for path in (shell.folder / "stair").glob("*of*.svg"))
    assert parts == [f"{board['board_id']}-{n}of3" for n in (1, 2, 3)]
    done = shell.run("record", board["board_id"], "--through-to", "4")
    assert "cut right through up to step 4 of 7" in done.stdout


def test_on_the_page_one_tap_reads_it(planned_house: House) -> None:
    visitor = planned_house.guest()
    page = visitor.submit("/stair", {"sheet": "birch 3", "machine": "bench"})
    code = str(page.url).split("/board/")[1].split("?")[0]
    asked = visitor.get(f"/board/{code}/record").text
    assert "Up to which step is it cut right through?" in asked
    assert asked.count('name="step"') == 13
    visitor.submit(f"/board/{code}/stair", {"step": "7"})
    (burn,) = planned_house.book.burns("bench", "birch 3", "cut")
    steps = [cell.speed_mm_s for cell in planned_house.book.board(code).cells]
    assert (burn.speed_mm_s, burn.fails_at_mm_s) == (steps[6], steps[7])


def test_it_counts_as_six_coupons_where_a_dozen_are_wanted(shell: Shell) -> None:
    for words in (MACHINE, ADD_BIRCH, ("plan", "--for", "stair")):
        shell.run(*words)
    said = shell.run("record", "--through-to", "5").stderr
    so_far = "So far a stair; a setting takes about 12 burns, and a stair tells as much as 6. Next:"
    assert so_far in said
    assert "a stair of 12 steps" in shell.text("board", "show", "last")
    assert "a stair." in shell.text()
    assert "forecast" not in shell.text("plan", "--for", "stair")
    grid = shell.json("plan", "--burns", "6")["grid"]
    said = shell.run("record", grid["board_id"], shell.results(grid, cut_cleanly)).stderr
    assert "Next: calib recommend" in said


def marked(machine: Machine, operation: Operation) -> Grid:
    known = region_from(machine, BIRCH, operation, (), expected_priors(machine, BIRCH, operation))
    fastest = fastest_that_fits_mm_s(machine, operation, 5.0, machine.bed_mm[0])
    steps = stair_settings(known, fastest_mm_s=fastest)
    return lay_out_stair(machine, BIRCH, steps, operation=operation)


@pytest.mark.parametrize("operation", ["line_mark", "area_mark"])
@pytest.mark.parametrize("machine", MACHINES, ids=lambda machine: machine.name)
def test_its_marks_are_burnt_each_at_its_speed_from_the_fast_end_on(
    machine: Machine, operation: Operation
):
    grid = marked(machine, operation)
    report = assert_sound(grid, calib.grid_program(grid))
    assert_valid(calib.grid_svg(grid))
    width, height = grid.board_mm
    strokes = [s for s in board_of(grid).strokes if s.kind == "mark"]
    speeds = list(dict.fromkeys(stroke.setting.speed_mm_s for stroke in strokes))
    assert speeds == sorted((cell.speed_mm_s for cell in grid.cells), reverse=True)
    assert len({cell.power_pct for cell in grid.cells}) == 1
    for stroke in strokes:
        # v²/2a to come to its speed, with the beam off; a fifth more to be steady.
        run_up = 1.2 * stroke.setting.speed_mm_s**2 / (2.0 * machine.working_acceleration_mm_s2)
        assert stroke.run_up_mm == pytest.approx(run_up, abs=2e-3)
        assert stroke.length_mm / stroke.setting.speed_mm_s >= 0.05 - 1e-6
        for x, y in stroke.path:
            assert 5.0 - 2e-3 <= x <= width - 5.0 + 2e-3
            assert 5.0 - 2e-3 <= y <= height - 5.0 + 2e-3
    feeds = {round(move.feed / 60.0, 3) for move in lit(report)}
    assert {round(speed, 3) for speed in speeds} <= feeds


def test_its_marks_span_what_is_expected_of_the_grades():
    """A clear line takes half, or twice, the energy of the table; each grade is a factor of two."""
    grid = marked(CO2, "line_mark")
    energy = np.array([60.0 * c.power_pct / 100.0 / c.speed_mm_s for c in grid.cells])
    table = expected_response(BIRCH.material, "co2").line_mark_j_mm
    for off in (0.5, 1.0, 2.0):
        grades = np.clip(np.floor(np.log2(energy / (off * table)) + 2.5), 0, 4)
        # Half the table's leaves the machine nothing faint: its gentlest is 12 % at 400 mm/s.
        assert {2, 3} | ({1} if off > 0.5 else set()) <= set(grades)


@pytest.mark.parametrize(
    ("grades", "told"),
    [
        ((3, 3, 2, 1), {(10.0, 3, None), (17.0, 1, None), (12.0, 3, 14.0), (14.0, 2, 17.0)}),
        ((2, 2, 2, 2), {(10.0, 2, None), (17.0, 2, None)}),
        ((3, 1, 1, 0), {(10.0, 3, None), (17.0, 0, None), (10.0, 3, 12.0), (10.0, 2, 12.0),
                        (14.0, 1, 17.0)}),
        ((2, 1, 2, 0), {(10.0, 2, None), (17.0, 0, None), (10.0, 2, 17.0), (14.0, 1, 17.0)}),
        ((None, 2, None, 1), {(12.0, 2, None), (17.0, 1, None), (12.0, 2, 17.0)}),
        ((None, 1, None, None), {(12.0, 1, None)}),
        ((None,) * 4, set()),
    ],
)  # fmt: skip
def test_what_its_marks_say_is_both_ends_and_where_each_grade_is_left_behind(grades, told):
    burns = marked_stair_burns("line_mark", STEPS, grades, "May")
    assert {(b.speed_mm_s, b.mark, b.fails_at_mm_s) for b in burns} == told
    assert len(burns) == len(told)
    assert {(b.source, b.session, b.operation) for b in burns} <= {("stair", "May", "line_mark")}


def test_a_change_of_grade_says_where_it_lies_no_better_than_stairs_are_like_cells():
    """Against a sum over the prior's own draws, weighted by the chance of the reading."""
    kind = (CO2, BIRCH, "line_mark")
    burn = Burn(
        operation="line_mark", power_pct=30.0, speed_mm_s=120.0, mark=3, fails_at_mm_s=150.0,
        source="stair",
    )  # fmt: skip
    prior, found = (
        region_from(*kind, burns, expected_priors(*kind)).mark for burns in ((), (burn,))
    )
    assert prior is not None and found is not None  # noqa: PT018

    def needed(draws: Draws[Any], speed: float) -> np.ndarray:
        """Ln power above the cut point between clear and heavy."""
        setting = Setting(power_pct=30.0, speed_mm_s=speed)
        at = settings_of(CO2, columns_of([setting]), prior.prior, "mark")
        return draws.reach(at)[:, 0] - draws.shape.cuts[:, 2]

    draws = prior.here
    scatter = np.hypot(draws.shape.scatter, OFF)
    here, there = (norm.cdf(needed(draws, speed) / scatter) for speed in (120.0, 150.0))
    weight = draws.weight * (0.99 * (here - there) + 0.01 / 5.0)
    weight = weight / weight.sum()
    expected, own = needed(draws, 134.0), needed(found.here, 134.0)
    mean = float(weight @ expected)
    assert float(found.here.weight @ own) == pytest.approx(mean, abs=0.02)
    sd = math.sqrt(float(weight @ (expected - mean) ** 2))
    assert math.sqrt(float(found.here.weight @ (own - mean) ** 2)) == pytest.approx(sd, rel=0.1)


def test_a_stair_of_marks_is_planned_read_by_one_line_and_counts(shell: Shell) -> None:
    for words in (MACHINE, ADD_BIRCH):
        shell.run(*words)
    stair_of_lines = ("plan", "--for", "stair", "--operation", "line_mark")
    board = shell.json(*stair_of_lines)["grid"]
    assert (board["stair"], board["operation"]) == (True, "line_mark")
    assert "one number" not in shell.refusal("record", "last", "--through-to", "3")
    for given, said in (
        ("faint 9, clear 10", "faint 9, clear 10, heavy 0, scorched 0 can't be"),
        ("faint 13", "give a step from 0 to 12"),
    ):
        assert said in shell.refusal("record", "--mark-to", given)
    wrong = shell.run("record", "--mark-to", "faint nine", code=2).stderr
    assert "faint nine" in wrong
    shell.run("record", "last", typed="faint 9, clear 6, heavy 2\n")
    readings = shell.json("board", "show", "last")["readings"]
    assert [one["mark"] for one in readings] == [3, 3, 2, 2, 2, 2, 1, 1, 1, 0, 0, 0]
    region = shell.json("region", "--operation", "line_mark")
    assert region["edge"] == "bracketed"
    said = shell.run("record", "--mark-to", "faint 10, clear 7, heavy 3", "--why", "again").stderr
    assert "So far a stair; a setting takes about 12" in " ".join(said.split())
    # Deeper than clear all along: where clear ends isn't known.
    shell.run("record", "--mark-to", "heavy 12, scorched 4", "--why", "misread")
    assert shell.json("region", "--operation", "line_mark")["edge"] == "all_through"
    assert "is marked" in shell.refusal("record", board["board_id"], "--through-to", "1")


def test_on_a_small_piece_its_marks_are_slower(shell: Shell) -> None:
    for words in (MACHINE, ADD_BIRCH):
        shell.run(*words)
    words = ("plan", "--for", "stair", "--operation", "line_mark")
    large = shell.json(*words)["grid"]["cells"]
    small = shell.json(*words, "--offcut", "160x60")["grid"]["cells"]
    assert len(small) == 12
    assert small[-1]["speed_mm_s"] < large[-1]["speed_mm_s"]
    assert "don't fit" in shell.refusal(*words, "--offcut", "90x60")


def test_on_the_page_a_stair_of_marks_is_read_by_four_taps(planned_house: House) -> None:
    visitor = planned_house.guest()
    pair = {"sheet": "birch 3", "machine": "bench", "operation": "area_mark"}
    page = visitor.submit("/stair", pair)
    code = str(page.url).split("/board/")[1].split("?")[0]
    asked = visitor.get(f"/board/{code}/record").text
    assert "At least scorched up to step" in asked
    assert asked.count('type="radio"') == 4 * 13
    reached = {"faint": "12", "clear": "7", "heavy": "3", "scorched": "0"}
    visitor.submit(f"/board/{code}/stair", reached)
    burns = planned_house.book.burns("bench", "birch 3", "area_mark")
    steps = [cell.speed_mm_s for cell in planned_house.book.board(code).cells]
    assert {(b.speed_mm_s, b.mark, b.fails_at_mm_s) for b in burns} == {
        (steps[0], 3, None), (steps[-1], 1, None), (steps[2], 3, steps[3]), (steps[6], 2, steps[7]),
    }  # fmt: skip


def test_its_sheet_asks_for_the_last_step_of_each_grade():
    page = pypdfium2.PdfDocument(calib.grid_record_sheet(marked(CO2, "line_mark")))[0]
    words = " ".join(page.get_textpage().get_text_range().split())
    for grade in ("faint", "clear", "heavy", "scorched"):
        assert f"at least {grade} up to step" in words
