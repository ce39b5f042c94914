"""New lots, tired machines, and which of the two it is."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from boards import BIRCH, CO2

import calib
from calib.advice.new_lot import judge_new_lot, plan_new_lot
from calib.advice.strips import (
    CHECKS,
    CLEAN,
    SURE,
    Change,
    Shifted,
    judge_cause,
    judge_check_strip,
    plan_check_strip,
    shift_likelihood,
)
from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.records import Burn, Setting, Sheet
from calib.texts.checks import change_words

MDF = Sheet(name="MDF 3", material="MDF", thickness_mm=3.0)
WORKING = Setting(power_pct=80.0, speed_mm_s=16.0)
SETTINGS = [(80.0, v) for v in (14.0, 17.0, 18.5, 20.0, 21.5, 24.0, 30.0)] + [
    (60.0, 11.0), (60.0, 13.0), (60.0, 14.5), (40.0, 6.0), (40.0, 8.0), (40.0, 9.5),
]  # fmt: skip


def reach(power_pct: float, speed_mm_s: float) -> float:
    """Half of the coupons drop at 20 mm/s and 80 %; a fifth of that power is lost."""
    return math.log(power_pct / 80.0) - math.log(0.2 + 0.8 * speed_mm_s / 20.0)


def burnt(settings: list[Setting], *, loss: float = 0.0, session: str = "") -> list[Burn]:
    """What comes out when everything is as likely as not to be as it should: no scatter at all."""
    found = []
    for s in settings:
        y = reach(s.power_pct, s.speed_mm_s) - loss
        grade = "through" if y > 0 else "hanging" if y > -0.06 else "no"
        found.append(
            Burn(
                operation="cut",
                power_pct=s.power_pct,
                speed_mm_s=s.speed_mm_s,
                through=grade,
                session=session,
            )
        )
    return found


@pytest.fixture(scope="module")
def region() -> calib.Region:
    settings = [Setting(power_pct=p, speed_mm_s=v) for p, v in SETTINGS]
    return calib.fit_region(CO2, BIRCH, evidence=burnt(settings))


@pytest.fixture(scope="module")
def reference() -> calib.Region:
    settings = [Setting(power_pct=p, speed_mm_s=v) for p, v in SETTINGS]
    return calib.fit_region(CO2, MDF, evidence=burnt(settings))


def alone(region: calib.Region, burns: list[Burn]) -> Shifted:
    """What burns of one session say of a shift, all shifts being alike before."""
    told = shift_likelihood(region, burns).marginal
    return Shifted(weight=told / told.sum())


def test_a_shift_is_found_where_it_is(region: calib.Region) -> None:
    """Many burns of one session say how far the edge lies from where it was."""
    settings = [Setting(power_pct=80.0, speed_mm_s=float(v)) for v in np.linspace(10, 24, 40)]
    for loss in (0.0, 0.15, 0.3):
        found = alone(region, burnt(settings, loss=loss))
        assert found.quantile(0.5) == pytest.approx(-loss, abs=0.05)
        assert 0.03 < found.quantile(0.95) - found.quantile(0.05) < 0.3


def test_a_new_lot_is_tried_from_the_working_setting_to_the_old_edge(region: calib.Region) -> None:
    planned = plan_new_lot(region, WORKING)
    assert planned[0] == WORKING
    assert len(planned) == 4
    speeds = [s.speed_mm_s for s in planned]
    assert speeds == sorted(speeds)
    assert speeds[-1] == pytest.approx(20.0, rel=0.05)
    assert {s.power_pct for s in planned} == {80.0}


def both_lots(region: calib.Region, new: list[Burn]) -> calib.Region:
    """The old lot's burns and the new one's, fitted together."""
    old = [replace(burn, lot="March") for burn in region.burns]
    return calib.fit_region(CO2, BIRCH, evidence=[*old, *new])


@pytest.mark.parametrize(
    ("loss", "verdict"), [(0.0, "keep"), (-0.1, "keep"), (0.12, "slow"), (0.6, "test again")]
)
def test_the_verdict_on_a_lot_is_the_advice_of_the_one_fit(
    region: calib.Region, loss: float, verdict: str
) -> None:
    new = burnt(plan_new_lot(region, WORKING), loss=loss, session="new")
    fitted = both_lots(region, new)
    found = judge_new_lot(fitted, WORKING, 0.95)
    assert found.verdict == verdict, found.words
    assert found.chance_at_old == fitted.chance_through(80.0, 16.0)
    if verdict == "test again":
        with pytest.raises(NotEnoughEvidence, match="95 % was asked for"):
            calib.recommend(fitted, reliability=0.95)
        assert (found.setting, found.advice) == (WORKING, None)
        return
    advice = calib.recommend(fitted, reliability=0.95)
    assert (found.setting, found.chance) == (advice.setting, advice.chance)
    assert (found.chance_at_old >= 0.95) == (verdict == "keep")
    if verdict == "slow":
        assert found.setting.speed_mm_s < WORKING.speed_mm_s
        assert found.slow_pct == pytest.approx(100 * (1 - found.setting.speed_mm_s / 16.0))
        assert f"Slow down by {found.slow_pct:.0f} %" in found.words
    else:
        assert "Keep 80 %, 16 mm/s" in found.words
        assert found.slow_pct == 0.0


def test_burns_of_a_new_lot_outweigh_those_of_the_old_one(region: calib.Region) -> None:
    """Burnt of one lot, four that hang among thirteen are scatter; of another, they are the lot."""
    new = burnt(plan_new_lot(region, WORKING), loss=0.12, session="new")
    apart = both_lots(region, new)
    as_one = calib.fit_region(CO2, BIRCH, evidence=[*region.burns, *new])
    assert apart.chance_through(80.0, 17.5) < as_one.chance_through(80.0, 17.5) - 0.1
    assert any("4 of" not in note and "other lots" in note for note in apart.notes)


def test_a_lot_of_which_nothing_was_burnt_is_the_old_one_with_what_lots_differ_by(
    region: calib.Region,
) -> None:
    unknown = both_lots(region, [])
    speeds = np.array([14.0, 26.0])
    old, new = (np.asarray(r.chance_through(80.0, speeds)) for r in (region, unknown))
    assert new[0] < old[0]
    assert new[1] > old[1]
    assert unknown.median_reach(80.0, 18.0) == pytest.approx(
        region.median_reach(80.0, 18.0), abs=0.01
    )
    assert unknown.tested(80.0, 16.0)


def test_too_few_burns_of_a_new_lot_are_refused(region: calib.Region) -> None:
    with pytest.raises(InvalidRecord, match="burns is 2: a new lot needs 3 or 4 burns"):
        plan_new_lot(region, WORKING, burns=2)
    two = both_lots(region, burnt([WORKING, WORKING]))
    with pytest.raises(InvalidRecord, match="Cuts of this lot that were read: 2"):
        judge_new_lot(two, WORKING)
    with pytest.raises(InvalidRecord, match=r"reliability is 1\.5"):
        judge_new_lot(region, WORKING, reliability=1.5)
    marks = calib.fit_region(CO2, BIRCH, "line_mark")
    with pytest.raises(InvalidRecord, match="and not on 'line_mark'"):
        plan_new_lot(marks, WORKING)


def test_a_strip_lies_between_the_edge_and_where_it_is_after_a_loss(region: calib.Region) -> None:
    strip = plan_check_strip(region)
    assert len(strip) == 5
    reaches = [reach(s.power_pct, s.speed_mm_s) for s in strip]
    assert reaches == sorted(reaches)
    lost_a_sixth = -np.log(1.0 - 1.0 / 6.0)
    assert 0.0 < reaches[0] < reaches[-1] < lost_a_sixth
    assert reaches[-1] - reaches[0] > 0.5 * lost_a_sixth
    with pytest.raises(InvalidRecord, match="burns is 2: a check strip needs 3 burns or more"):
        plan_check_strip(region, 2)
    with pytest.raises(InvalidRecord, match="burns is 100000.*at most 100 burns"):
        plan_check_strip(region, 10**39)


def test_good_strips_raise_no_alarm_and_tired_ones_do(region: calib.Region) -> None:
    strip = plan_check_strip(region)
    good = [burnt(strip, session=str(i)) for i in range(4)]
    calm = judge_check_strip(region, good)
    assert not calm.alarm
    assert calm.checks == ()
    assert max(one.chance_of_loss for one in calm.after_each) < 0.3
    tired = [burnt(strip, loss=0.2, session=f"t{i}") for i in range(2)]
    lost = judge_check_strip(region, [*good, *tired])
    assert lost.alarm
    assert lost.after_each[:4] == calm.after_each
    assert lost.now == lost.after_each[-1]
    assert lost.now.shift_pct == pytest.approx(100 * math.expm1(-0.2), abs=6.0)
    assert lost.now.shift_low_pct < lost.now.shift_pct < lost.now.shift_high_pct
    assert f"about {-lost.now.shift_pct:.0f} % less" in lost.words
    assert lost.checks[0] in CHECKS
    assert "manual" in lost.checks[-1]


def test_the_first_alarm_says_to_clean_and_repeat_the_next_to_look_further(
    region: calib.Region,
) -> None:
    strip = plan_check_strip(region)
    strips = [burnt(strip, loss=0.3, session=str(i)) for i in range(3)]
    first = judge_check_strip(region, strips[:1])
    if first.alarm:
        assert CLEAN in first.words
    last = judge_check_strip(region, strips)
    assert last.alarm
    assert "further down the list" in last.words
    assert last.checks[0] == CHECKS[1]


def test_a_cleaned_machine_calms_down(region: calib.Region) -> None:
    strip = plan_check_strip(region)
    strips = [
        burnt(strip, loss=loss, session=str(i)) for i, loss in enumerate((0, 0, 0.2, 0.2, 0, 0))
    ]
    check = judge_check_strip(region, strips)
    assert check.after_each[3].chance_of_loss > 0.9 > 0.3 > check.after_each[5].chance_of_loss


def test_strips_must_be_there(region: calib.Region) -> None:
    with pytest.raises(InvalidRecord, match="There is no check strip yet"):
        judge_check_strip(region, [])
    unread = replace(burnt([WORKING])[0], through=None)
    with pytest.raises(InvalidRecord, match=r"Of the burns given \(1\) none is a cut"):
        judge_check_strip(region, [[unread]])


@pytest.mark.parametrize(
    ("machine", "sheet", "verdict"),
    [(0.2, 0.0, "machine"), (0.0, 0.2, "sheet"), (0.0, 0.0, "neither")],
)
def test_sheet_and_machine_are_told_apart(
    region: calib.Region, reference: calib.Region, machine: float, sheet: float, verdict: str
) -> None:
    strip = plan_check_strip(reference)
    strips = [burnt(strip, loss=machine, session=str(i)) for i in range(2)]
    now = burnt(plan_new_lot(region, WORKING), loss=machine + sheet, session="now")
    cause = judge_cause(region, now, reference, strips)
    assert sum(cause.chance.values()) == pytest.approx(1.0)
    assert cause.machine_pct == judge_check_strip(reference, strips).now.shift_pct
    assert max(cause.chance, key=lambda name: cause.chance[name]) == verdict
    if cause.chance[verdict] > SURE:
        assert cause.verdict == verdict


def test_a_cause_needs_a_second_sheet_on_the_same_machine(
    region: calib.Region, reference: calib.Region
) -> None:
    burns = burnt([WORKING] * 4)
    with pytest.raises(
        InvalidRecord, match="The sheet in question and that of the check strips are both birch 3"
    ):
        judge_cause(region, burns, region, [burns])
    elsewhere = replace(reference, machine=replace(CO2, name="large"))
    with pytest.raises(InvalidRecord, match="was burnt on bench, the check strips on large"):
        judge_cause(region, burns, elsewhere, [burns])
    with pytest.raises(InvalidRecord, match="There is no check strip yet"):
        judge_cause(region, burns, reference, [])


def test_a_change_of_next_to_nothing_has_no_sign_and_no_zero_per_cent_slower(
    region: calib.Region,
) -> None:
    level = Change(shift_pct=-0.2, shift_low_pct=-4.6, shift_high_pct=10.2, chance_of_loss=0.0)
    assert change_words(level) == "0 % (9 of 10: -5 % to +10 %)"
    advice = calib.recommend(region, reliability=0.95).setting
    old = replace(advice, speed_mm_s=round(advice.speed_mm_s + 0.1, 1))
    found = judge_new_lot(region, old, 0.95)
    assert found.verdict == "slow"
    assert re.match(r"Slow down by 0\.[4-9] %, to", found.words)
