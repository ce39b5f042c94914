"""Air as a factor: what another air than the usual one adds, found, pooled, planned and said."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from boards import BIRCH, CO2, OPERATIONS, TWO_AIRS, make
from program_checks import lit
from rs274_checker import check
from scipy import stats
from shell import BIRCH as ADD_BIRCH
from shell import MACHINE, Shell, cut_cleanly
from visitor import house_of

import calib
from calib.errors import NotEnoughEvidence
from calib.fit.fits import fit
from calib.fit.pool import pool_records
from calib.fit.priors import MISREAD, CutPrior, cut_prior, expected_priors
from calib.records import Burn

# A prior that leaves nothing open but how much power it takes, and what the air adds.
SURE = {"exponent_sd": 1e-6, "scatter_ln_sd": 1e-6, "band_ln_sd": 1e-6, "passes_sd": 1e-6}
PRIOR = CutPrior(location=math.log(36.0), speed0_mm_s=24.0, floor_a=3e5, floor_b=12e5, **SURE)
SPEEDS = (14.0, 17.0, 20.0, 22.0, 24.0, 26.0, 29.0, 33.0, 38.0, 44.0)
TRUE = 0.25
STILL = replace(CO2, acceleration_mm_s2=1e6)  # no corner slows its head


def burnt(air, needed, speed0=24.0, session=""):
    """Cuts at full power of a sheet that needs so much [ln W] at a speed, about its edge."""
    found = []
    for ratio in np.array(SPEEDS) / 24.0:
        y = math.log(60.0) - needed - math.log(0.2 + 0.8 * ratio)
        grade = "through" if y > 0 else "hanging" if y > -0.06 else "no"
        found.append(
            Burn(operation="cut", power_pct=100.0, speed_mm_s=speed0 * float(ratio), through=grade,
                 air=air, session=session)
        )  # fmt: skip
    return found


def test_what_the_air_adds_is_what_quadrature_says():
    """Against a sum over a grid of α and a, written out again with scipy's distributions."""
    burns = burnt(None, 3.7) + burnt("off", 3.7 + TRUE)
    told = fit(STILL, burns, PRIOR, "cut").air["off"]
    location, adds = np.meshgrid(np.linspace(3.2, 4.4, 601), np.linspace(-0.6, 0.9, 751))
    log = stats.t.logpdf((location - PRIOR.location) / 0.4, 4)
    log += stats.norm.logpdf(adds, 0.15, 0.15)
    for burn in burns:
        needed = location + (adds if burn.air else 0.0)
        y = math.log(60.0) - needed - math.log(0.2 + 0.8 * burn.speed_mm_s / 24.0)
        through, no = stats.norm.cdf(y / 0.05), stats.norm.cdf(-(y + 0.06) / 0.05)
        chance = {"through": through, "no": no, "hanging": 1.0 - through - no}[burn.through]
        log += np.log((1.0 - MISREAD) * chance + MISREAD / 3.0)
    mass = np.exp(log - log.max()).sum(axis=1)
    share = np.cumsum(mass) / mass.sum()
    expected = [float(np.interp(q, share, adds[:, 0])) for q in (0.5, 0.05, 0.95)]
    assert told == pytest.approx(expected, abs=0.004)
    assert told[0] == pytest.approx(TRUE, abs=0.03)
    assert told[1] < TRUE < told[2]


def test_the_draws_of_an_air_lie_so_much_further_off():
    burns = burnt(None, 3.7) + burnt("off", 3.7 + TRUE)
    usual, off = (fit(CO2, burns, PRIOR, "cut", air).here for air in (None, "off"))
    apart = off.weight @ off.location - usual.weight @ usual.location
    assert apart == pytest.approx(TRUE, abs=0.03)


def test_a_usual_air_that_is_named_is_the_usual_one():
    for operation, usual in zip(OPERATIONS, ("on", "low", "low"), strict=True):
        kind = {"operation": operation, "power_pct": 40.0, "speed_mm_s": 9.0, "line_pitch_mm": 0.1}
        assert Burn(**kind, air=usual) == Burn(**kind)
        assert Burn(**kind, air="off") != Burn(**kind)
        grid = make(operation)
        assert replace(grid, air=usual) == grid


def test_nothing_is_advised_of_an_air_that_was_not_burnt():
    """What was burnt without air says where to look with it, but no setting was tried there."""
    off = burnt("off", math.log(48.0), cut_prior(CO2, BIRCH).speed0_mm_s)
    region = calib.fit_region(CO2, BIRCH, evidence=off)
    assert region.edge == "unburnt"
    assert region.hull() is None
    with pytest.raises(NotEnoughEvidence, match="burn"):
        calib.recommend(region)
    assert calib.fit_region(CO2, BIRCH, evidence=off, air="off").edge == "bracketed"


def test_what_the_air_adds_is_learnt_over_the_book():
    """Four sheets that need a third more without air: the fifth is told so before its burns."""

    prior = cut_prior(STILL, BIRCH)
    needed, speed0 = math.log(48.0), prior.speed0_mm_s

    def pair(name: str):
        with_air = burnt(None, needed, speed0, "with")
        return STILL, replace(BIRCH, name=name), with_air + burnt("off", needed + 0.3, speed0, "no")

    book = pool_records(pair(name) for name in ("a", "b", "c", "d"))
    fifth = replace(BIRCH, name="e")
    expected = expected_priors(STILL, fifth, "cut")
    taught = book.priors(STILL, fifth, "cut", expected).cut
    assert (expected.cut.air_off_mean, expected.cut.air_off_sd) == (0.15, 0.15)
    assert 0.2 < taught.air_off_mean < 0.35
    assert taught.air_off_sd < 0.13
    assert (taught.air_low_mean, taught.air_low_sd) == (0.06, 0.08)
    (said,) = [
        n
        for n in calib.fit_region(STILL, fifth, pool=book, air="off").notes
        if n.startswith("With the air")
    ]
    percent = 100.0 * math.expm1(taught.air_off_mean)
    (told,) = re.findall(r"most likely needs (\d+) % more power than with the air on", said)
    assert int(told) == pytest.approx(percent, abs=2.5)


@pytest.mark.parametrize("air", ["low", "off"])
def test_a_program_blows_as_the_board_is_planned(air: str):
    grid = replace(make("cut", machine=TWO_AIRS), air=air)
    text = calib.grid_program(grid)
    report = check(text)
    assert report.errors == []
    blown = {word for move in lit(report) for word in move.air}
    assert blown == ({"M7"} if air == "low" else set())
    assert ("stays off" in text.replace("\n(", " ")) == (air == "off")


@pytest.mark.parametrize("operation", OPERATIONS)
@pytest.mark.parametrize("air", ["low", "off"])
def test_every_file_of_a_board_says_its_own_air_and_no_other(operation, air: str):
    machine = replace(TWO_AIRS, air_on_word="", air_low_word="")
    grid = replace(make(operation, machine=machine), air=air)
    page = pypdfium2.PdfDocument(calib.grid_record_sheet(grid))[0]
    written = [
        calib.grid_svg(grid),
        calib.grid_dxf(grid).replace("\n999\n", ""),
        re.sub(r"\)\n\(", " ", calib.grid_program(grid)),
        page.get_textpage().get_text_range(),
    ]
    for text in (" ".join(one.split()) for one in written):
        if grid.air is None:  # a mark has low air anyway
            assert "air assist on" in text
            continue
        assert f"AIR {air.upper()} for this board only" in text
        assert "where your machine's manual allows it" in text
        assert "A flame stays more easily" in text
        assert "air assist on" not in text
    boxes = dict.fromkeys(("on", "low", "off"), "☐") | {grid.air: "☑"}
    for one in ("on", "low", "off"):
        assert f"{boxes[one]} {one}" in written[-1]


def test_a_board_without_air_is_planned_recorded_and_told(shell: Shell) -> None:
    shell.run("machine", "add", "bench", "--watts", "60", "--bed", "600x400", "--top-speed", "400",
              "--power-word", "1000", "--air-on", "M8", "--air-off", "M9")  # fmt: skip
    shell.run(*ADD_BIRCH)
    usual = shell.json("plan", "--burns", "6")["grid"]
    shell.burn(usual, cut_cleanly)
    board = shell.json("plan", "--burns", "6", "--air", "off", "--into", "off")["grid"]
    assert (usual["air"], board["air"]) == (None, "off")
    (note,) = [n for n in board["notes"] if n.startswith("AIR OFF for this board only")]
    assert "Not tried here yet." in " ".join(board["notes"])
    assert "no setting with it is advised" in " ".join(board["notes"]).casefold()
    said = " ".join(shell.text("plan", "--burns", "6", "--air", "off").split())
    assert "Nothing was burnt with the air off yet; it rests on 6 burns with the air on." in said
    text = next((shell.folder / "off").glob("*.nc")).read_text()
    assert "M8" not in re.sub(r"\(.*\)", "", text)
    assert note in next((shell.folder / "off").glob("*.svg")).read_text()
    shell.burn(board, blacker)
    region = shell.json("region")
    (told,) = [n for n in region["notes"] if n.startswith("With the air off this sheet")]
    assert re.search(r"most likely needs \d+ % more power .* anything from \d+ % \w+ to", told)
    assert "Tried here with 6 burns." in told
    # A recommendation is of the usual air, and says nothing of it.
    assert "With the air off" not in shell.text("recommend", "--reliability", "0.7")
    # Said of the usual air, it is the same board.
    assert shell.json("plan", "--burns", "6", "--air", "on")["grid"]["air"] is None
    assert "mist" in shell.run("plan", "--air", "mist", code=2).stderr
    assert "it belongs to" in shell.refusal("plan", "--for", "proof", "--air", "off")


def blacker(power_pct: float, speed_mm_s: float) -> tuple[str, str, str]:
    """The same sheet without air: it needs a third more."""
    through, _, mark = cut_cleanly(power_pct / 1.35, speed_mm_s)
    return through, "3" if through != "no" else "", mark


def test_a_stair_without_air_is_one_burn_without_air(shell: Shell) -> None:
    shell.run("machine", "add", "bench", "--watts", "60", "--bed", "600x400", "--top-speed", "400")
    shell.run(*ADD_BIRCH)
    board = shell.json("plan", "--for", "stair", "--air", "low")["grid"]
    assert board["air"] == "low"
    shell.run("record", board["board_id"], "--through-to", "5")
    region = shell.json("region")
    assert "Tried here with a stair." in " ".join(region["notes"])
    assert (region["edge"], region["other_air"]) == ("unburnt", 1)
    # Wherever burns are counted, so are these, with why none of them is advised.
    only = "a stair with the air low; none with the air on, and only that is advised"
    for words in (("region",), ()):
        assert only in " ".join(shell.text(*words).split())
    assert only in shell.refusal("recommend")
    with house_of(shell.book) as house:
        for page in ("/", "/sheet?name=birch 3"):
            assert only in house.guest().get(page).text
    said = " ".join(shell.text("plan").split())
    assert "Nothing was burnt with the air on yet; it rests on a stair with the air low." in said


def test_a_page_plans_a_board_without_air(shell: Shell) -> None:
    for words in (MACHINE, ADD_BIRCH):
        shell.run(*words)
    with house_of(shell.book) as house:
        guest = house.guest()
        form = guest.get("/plan").text
        assert '<select id="air"' in form
        pair = {"sheet": "birch 3", "machine": "bench", "operation": "cut", "air": "off"}
        look = guest.get("/plan/look", params={**pair, "burns": "6", "mark": "2"}).text
        assert "AIR OFF for this board only" in look
        assert "air assist on" not in look
        assert "No setting with it is advised" in look
        guest.submit("/stair", {**pair, "air": "low"})
        (code,) = boards_of(house)
        assert house.book.board(code).air == "low"
        page = guest.get(f"/board/{code}").text
        assert "AIR LOW for this board only" in page
        assert "air assist on" not in page


def boards_of(house) -> list[str]:
    return [line.id for line in house.book.boards().entries]
