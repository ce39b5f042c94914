"""A stair: one cut of a dozen speeds, from its plan to what its one reading says."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pypdfium2
import pytest
from boards import BIRCH, CO2, MACHINES, SHEETS, stair
from program_checks import assert_sound, lit, to_board
from scipy.stats import norm
from shell import BIRCH as ADD_BIRCH
from shell import MACHINE, Shell, cut_cleanly
from test_svg import assert_valid
from visitor import House

import calib
from calib.boards.layout import LayoutOptions
from calib.boards.stair import STEP_MM, lay_out_stair
from calib.errors import BoardDoesNotFit
from calib.fit.fitting import region_from
from calib.fit.model import edge_ln_speed
from calib.fit.priors import STAIR_SD, Priors, cut_prior
from calib.plan.stair import stair_settings
from calib.records import Burn, Machine, Setting, Sheet, stair_burn

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
        return reach / np.hypot(shape.scatter, STAIR_SD)

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
    assert sd > STAIR_SD


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
    assert "6 burns so far; a setting takes about 12" in " ".join(said.split())
    grid = shell.json("plan", "--burns", "6")["grid"]
    said = shell.run("record", grid["board_id"], shell.results(grid, cut_cleanly)).stderr
    assert "Next: calib recommend" in said
