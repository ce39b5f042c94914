"""Check strips, new lots, causes and the track record: whether anything they say has changed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from boards import CO2
from kept_results import same_as_kept

import calib
from calib.advise import cause as cause_room
from calib.advise import drift, shift
from calib.advise import track_record as track_room
from calib.advise.cause import judge_cause
from calib.advise.drift import judge_check_strip, plan_check_strip
from calib.advise.new_lot import judge_new_lot, plan_new_lot, speeds_at_reaches
from calib.advise.shift import SHIFTS, Shifted, draws_of, normal_weights, shift_likelihood
from calib.advise.track_record import Told, brier_score, log_loss, track_record
from calib.errors import InvalidRecord
from calib.records import Burn, Setting, Sheet

BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
MDF = Sheet(name="MDF 3", material="MDF", thickness_mm=3.0)
WORKING = Setting(power_pct=80.0, speed_mm_s=16.0)
CUTS = [(80.0, 14.0), (80.0, 18.5), (80.0, 20.0), (80.0, 24.0), (80.0, 30.0), (60.0, 11.0),
        (60.0, 14.5), (40.0, 6.0), (40.0, 9.5)]  # fmt: skip


def refusal(call: Callable[[], object]) -> str:
    """What is said when something is refused."""
    try:
        call()
    except InvalidRecord as refused:
        return str(refused)
    raise AssertionError("nothing was refused")


def burnt(settings: list[Setting], *, loss: float = 0.0, **more: Any) -> list[Burn]:
    """Half of the coupons drop at 20 mm/s and 80 %; less a loss of power [ln W], no scatter."""
    found = []
    for s in settings:
        spare = math.log(s.power_pct / 80.0) - math.log(0.2 + 0.04 * s.speed_mm_s) - loss
        grade = "through" if spare > 0 else "hanging" if spare > -0.06 else "no"
        given = {"power_pct": s.power_pct, "speed_mm_s": s.speed_mm_s, "through": grade}
        found.append(Burn(operation="cut", **given, **more))
    return found


def region_of(sheet: Sheet = BIRCH) -> calib.Region:
    settings = [Setting(power_pct=p, speed_mm_s=v) for p, v in CUTS]
    return calib.fit_region(CO2, sheet, evidence=burnt(settings))


# ------------------------------------------------------------------------------ shift


def test_likelihoods_of_a_shift_are_as_they_were() -> None:
    region = region_of()
    short = {"passes": 2, "count": 3, "cut_length_mm": 20.0}
    near = Setting(power_pct=80.0, speed_mm_s=20.4)
    burns = [
        *burnt([WORKING, near, Setting(power_pct=60.0, speed_mm_s=18.0)]),
        *(
            replace(burn, **short)
            for burn in burnt([near, Setting(power_pct=40.0, speed_mm_s=9.5)])
        ),
    ]
    told = shift_likelihood(region, burns)
    strays = [replace(burns[0], through=None, char=2), Burn(operation="line_mark", power_pct=10.0,
              speed_mm_s=100.0, mark=2)]  # fmt: skip
    again = shift_likelihood(region, [*strays, *burns])
    assert np.array_equal(again.values, told.values)
    same_as_kept("shift_likelihoods", [SHIFTS, len(draws_of(region).weight), told.marginal])


def test_a_posterior_of_the_shift_is_asked_as_it_was() -> None:
    known = Shifted(weight=normal_weights(-0.1, 0.06))
    kept = {
        "below": [known.chance_below(s) for s in (-1.0, -0.7, -0.698, -0.1, -0.096, 0.3, 0.31)],
        "quantiles": [known.quantile(q) for q in (1e-9, 0.05, 0.5, 0.77, 1.0)],
        "percent": [shift.percent(-0.1), shift.percent(0.0), shift.percent(0.1)],
    }
    same_as_kept("shift_posterior", kept)


# ------------------------------------------------------------------------------ check strips


def test_check_strips_are_planned_as_they_were() -> None:
    region = region_of()
    strips = [
        plan_check_strip(region),
        plan_check_strip(region, 3),
        plan_check_strip(region, 4, 50),
    ]
    edges = [drift._edge_speed(region, power) for power in (80.0, 50.0, 20.0, 0.5)]
    said = [refusal(lambda: plan_check_strip(region, 2))]
    said.append(refusal(lambda: plan_check_strip(calib.fit_region(CO2, BIRCH, "line_mark"))))
    same_as_kept("drift_strips", [strips, edges, said])


def test_check_strips_are_judged_as_they_were() -> None:
    region = region_of()
    strip = plan_check_strip(region)
    losses = (0.0, 0.05, 0.1, 0.2, 0.2, -0.1)
    strips = [burnt(strip, loss=loss) for loss in losses]
    checks = [judge_check_strip(region, strips[:n]) for n in (1, 4, 5, 6)]
    assert [check.alarm for check in checks] == [False, True, True, False]
    said = refusal(lambda: judge_check_strip(region, []))
    same_as_kept("drift_judged", [checks, said, drift.ALARM_CHANCE, drift.MANUAL])


# ------------------------------------------------------------------------------ new lots


def lots_of(region: calib.Region, new: list[Burn]) -> calib.Region:
    old = [replace(burn, lot="old") for burn in region.burns]
    return calib.fit_region(CO2, BIRCH, evidence=[*old, *new])


def test_new_lots_are_tried_as_they_were() -> None:
    region = region_of()
    near = Setting(power_pct=80.0, speed_mm_s=19.0)
    plans = [plan_new_lot(region, WORKING), plan_new_lot(region, near, 3)]
    plans.append(plan_new_lot(region, Setting(power_pct=60.0, speed_mm_s=20.0, passes=2), 6))
    speeds = speeds_at_reaches(region, WORKING, (2.0, 0.3, 0.1, -0.2, -9.0))
    slow = replace(region, machine=replace(CO2, max_speed_mm_s=17.0))
    said = [refusal(lambda: plan_new_lot(region, WORKING, 2))]
    read = burnt([WORKING] * 3)
    said.append(refusal(lambda: judge_new_lot(lots_of(region, read[:2]), WORKING)))
    said += [refusal(lambda r=r: judge_new_lot(region, WORKING, r)) for r in (0.0, 1.0)]
    same_as_kept("lot_plans", [plans, speeds, speeds_at_reaches(slow, WORKING, (0.0,)), said])


@pytest.mark.parametrize("loss", [-0.05, 0.1, 0.2])
def test_new_lots_are_judged_as_they_were(loss: float) -> None:
    region = region_of()
    fitted = lots_of(region, burnt(plan_new_lot(region, WORKING), loss=loss))
    found = [judge_new_lot(fitted, WORKING, r) for r in (0.9, 0.99)]
    same_as_kept(f"lot_judged_{loss:g}", [(f.verdict, f.setting, f.chance, f.words) for f in found])


# ------------------------------------------------------------------------------ causes


def test_causes_are_told_apart_as_they_were() -> None:
    region, reference = region_of(), region_of(MDF)
    strip = plan_check_strip(reference)
    kept = []
    for machine, sheet, strips in ((0.2, 0.0, 2), (0.0, 0.25, 2), (0.12, 0.2, 3), (0.0, 0.0, 1)):
        burns = burnt(plan_new_lot(region, WORKING), loss=machine + sheet)
        loads = [burnt(strip, loss=machine)] * strips
        kept.append(judge_cause(region, burns, reference, loads))
    other = replace(reference, machine=replace(CO2, name="other"))
    said = [
        refusal(lambda: judge_cause(region, burns, other, loads)),
        refusal(lambda: judge_cause(region, burns, region, loads)),
        refusal(lambda: judge_cause(region, burns, reference, [])),
    ]
    same_as_kept("causes", [kept, said])


def test_what_is_believed_of_causes_is_as_it_was() -> None:
    by_machine = np.exp(-0.5 * ((SHIFTS + 0.05) / 0.1) ** 2)
    by_both = np.exp(-0.5 * ((SHIFTS + 0.1) / 0.1) ** 2)
    joint = {
        name: cause_room._joint(name, by_machine, by_both)[5::20, 5::20]
        for name in cause_room._PRIOR
    }
    wrong = cause_room._wrong()
    # No loss of less than 4 % counts as one that makes parts hang.
    assert wrong[SHIFTS > -0.039].sum() == 0.0 < wrong[np.argmin(abs(SHIFTS + 0.05))]
    region: Any = SimpleNamespace(sheet=BIRCH)
    verdicts = [*cause_room._PRIOR, "not settled"]
    words = [cause_room._words(verdict, region, -12.4, -7.6) for verdict in verdicts]
    # A sheet to which a fifth of the power doesn't count needs a quarter more.
    assert "needs about 25 % more" in cause_room._words("sheet", region, 0.0, -20.0)
    kept = [joint, wrong[::5], cause_room._PRIOR, cause_room.SURE, words]
    same_as_kept("cause_beliefs", kept)


@pytest.mark.parametrize(("mass", "verdict"), [(0.799, "not settled"), (0.801, "machine")])
def test_a_cause_is_named_from_four_fifths_on(
    monkeypatch: pytest.MonkeyPatch, mass: float, verdict: str
) -> None:
    shares = {"machine": mass / 0.42, "sheet": (1.0 - mass) / 0.42, "both": 0.0, "neither": 0.0}

    def joint(name: str, *_: object) -> np.ndarray:
        table = np.zeros((len(SHIFTS), len(SHIFTS)))
        table[30, 60] = shares[name]
        return table

    monkeypatch.setattr(cause_room, "_joint", joint)
    region = region_of()
    reference = replace(region, sheet=MDF)
    found = judge_cause(region, burnt([WORKING]), reference, [burnt([WORKING])])
    assert found.verdict == verdict
    assert found.sheet_pct == pytest.approx(100.0 * math.expm1(SHIFTS[60]))


# ------------------------------------------------------------------------------ track record


def some_told(count: int = 1) -> list[Told]:
    chances = [0.0, 0.05, 0.1, 0.25, 0.3, 0.4, 0.5, 0.69, 0.7, 0.88, 0.9, 0.93, 0.97, 0.99, 1.0]
    came = "000010110111101"
    return [
        Told(chance=c, came=y == "1", group="abcd"[n % 4], count=count if n % 3 else 2)
        for n, (c, y) in enumerate(zip(chances, came, strict=True))
    ]


def test_track_records_are_as_they_were() -> None:
    whole = [Told(chance=0.6, came=n < 3, group=f"b{n}", count=6) for n in range(5)]
    few = some_told()[7:11]
    one = [replace(t, group="a") for t in some_told(3)]
    sure = [Told(chance=p, came=p == 1.0, group=g) for p in (0.0, 1.0) for g in "ab"]
    kept = [track_record(told) for told in (some_told(), some_told(3), whole, few, one, sure)]
    same_as_kept("track_records", kept)


def test_twenty_nine_outcomes_are_few_and_thirty_are_not() -> None:
    notes = [track_room._notes(count, groups) for count in (29, 30) for groups in (1, 2)]
    assert [len(note) for note in notes] == [2, 1, 1, 0]
    same_as_kept("track_notes", notes)


def test_a_surely_wrong_chance_costs_the_logarithm_of_a_millionth() -> None:
    assert log_loss([1.0], [0]) == pytest.approx(-math.log(1e-6), rel=1e-9)
    assert log_loss([0.0, 0.5], [1, 1], [1, 3]) == pytest.approx(
        (math.log(1e6) + 3 * math.log(2)) / 4
    )
    assert brier_score([0.2, 0.6], [1, 0], [3, 1]) == pytest.approx((3 * 0.64 + 0.36) / 4)


def test_single_boards_and_equal_outcomes_are_worth_what_they_are() -> None:
    table = track_room._table_of(some_told(4))
    effects = [track_room._design_effect(table)]
    effects.append(track_room._design_effect(table.where(table.group == 0)))
    flat = track_room._table_of([Told(chance=0.5, came=True, group=g) for g in "ab"])
    effects.append(track_room._design_effect(flat))
    ends = [
        track_room._jeffreys(h, n) for h, n in ((0, 4), (4, 4), (2, 4), (0.2, 0.4), (1e-3, 0.5))
    ]
    same_as_kept("track_worth", [effects, ends, track_room.EDGES])
    said = [
        refusal(lambda: Told(chance=-0.01, came=True, group="a")),
        refusal(lambda: Told(chance=1.01, came=True, group="a")),
        refusal(lambda: Told(chance=0.5, came=True, group="a", count=0)),
        refusal(lambda: track_record([])),
    ]
    same_as_kept("track_refusals", said)
