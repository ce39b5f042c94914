"""What summaries of pairs gave before, and what they say of another speed."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from kept_results import same_as_kept
from pooling_cases import BENCH, BIRCH, LENS, MDF, METERED, THICK, cut_burns, marks, short
from scipy.special import ndtr, ndtri
from scipy.stats import beta as beta_of

from calib.fit import another_speed
from calib.fit.expectation import expected_priors
from calib.fit.pair_summary import pair_summaries
from calib.records import OPERATIONS, Burn

# Summaries of pairs.


def job(through: str, count: int, length_mm: float | None, speed: float = 29.0) -> Burn:
    return Burn(operation="cut", power_pct=80.0, speed_mm_s=speed, through=through, count=count,
                cut_length_mm=length_mm, source="job", sitting="job")  # fmt: skip


BURNS = {
    "one sitting": (BENCH, MDF, [replace(b, sitting="") for b in cut_burns(BENCH, MDF, 0.3)]),
    "sittings and passes": (LENS, THICK, cut_burns(LENS, THICK, -0.1, passes=2)),
    "metered": (METERED, BIRCH, cut_burns(METERED, BIRCH, 0.2)[:5]),
    "job": (
        BENCH,
        BIRCH,
        [
            *cut_burns(BENCH, BIRCH, 0.0),
            job("through", 90, 400.0),
            job("hanging", 2, 400.0),
            job("no", 1, None),
            job("through", 9, None, 2.0),
        ],
    ),
}


@pytest.mark.usefixtures("double")
@pytest.mark.parametrize("name", BURNS)
def test_summaries_of_cuts_and_char_are_what_they_were(name: str) -> None:
    machine, sheet, burns = BURNS[name]
    found = pair_summaries(machine, sheet, burns, {"cut": expected_priors(machine, sheet, "cut")})
    assert [s.response for s in found] == ["cut"] + ["char"] * any(b.char for b in burns)
    same_as_kept(f"summary_{name.replace(' ', '_')}", [short(s) for s in found])


@pytest.mark.usefixtures("double")
def test_summaries_of_marks_are_what_they_were() -> None:
    burns = [*marks("line_mark", None), *marks("area_mark", 0.08)]
    expected = {op: expected_priors(BENCH, BIRCH, op) for op in OPERATIONS}
    found = pair_summaries(BENCH, BIRCH, burns, expected)
    assert [s.response for s in found] == ["line_mark", "area_mark"]
    same_as_kept("summary_marks", [short(s) for s in found])


def test_parts_that_were_sure_to_drop_are_counted_with_their_path() -> None:
    """Far below the edge: ninety-two parts of 400 mm, ten coupons and the first on the board.

    One in 150 is misread as worse, and little else is expected to fail.
    """
    machine, sheet, burns = BURNS["job"]
    slow = [replace(b, speed_mm_s=1.0) for b in burns if b.source == "job"]
    edge = [b for b in burns if b.source != "job"]
    expected = {"cut": expected_priors(machine, sheet, "cut")}
    (cut, _) = pair_summaries(machine, sheet, [*edge, *slow], expected)
    coupon_mm = 64.0 - (8.0 - 2.0 * math.pi) * 3.0
    assert cut.sure_mm == pytest.approx(92 * 400.0 + 11 * coupon_mm)
    assert cut.sure_failures == 3.0
    assert cut.sure_expected == pytest.approx(103 * 0.01 * 2 / 3, rel=0.05)
    assert cut.readings == len(edge) + 102


# Another speed.


def test_another_speed_is_what_it_was_and_lies_between_its_two_laws() -> None:
    """ln(f + (1 − f) r) − ln r for the straight line, −f ln r for the power law."""
    for ratio, floor in ((0.5, 0.2), (2.0, 0.2), (0.3, 0.6)):
        shift, doubt = another_speed.excess_at(ratio, floor)
        straight = math.log(floor + (1 - floor) * ratio) - math.log(ratio)
        power_law = -floor * math.log(ratio)
        assert shift == pytest.approx(0.9 * straight + 0.1 * power_law)
        assert doubt == pytest.approx(0.3 * abs(straight - power_law))
    cases = [(r, f, s) for r in (0.3, 1.0, 1.7) for f in (0.0, 0.2, 0.99) for s in (0.0, 0.05, 0.4)]
    betas = ((3.0, 12.0), (2.0, 2.0))
    kept = {
        "excess": [another_speed.excess_at(*case) for case in cases],
        "floor": [another_speed.floor_at(r, f) for r, f, _ in cases],
        "small": another_speed.floor_at(0.001, 0.2),
        "score": [
            another_speed.floor_score_shift(r, z, b)
            for r in (0.05, 0.5, 1.0, 3.0, 50.0)
            for z in (-2.0, 0.0, 2.5)
            for b in betas
        ],
    }
    same_as_kept("another_speed", kept)


def test_a_floor_keeps_its_watts_at_another_speed() -> None:
    """Share here × power here = share there × power there, for the straight law."""
    floor, ratio = 0.25, 0.4
    there = another_speed.floor_at(ratio, floor)
    assert there * (floor + (1 - floor) * ratio) == pytest.approx(floor)
    score = float(ndtri(beta_of(3, 12).cdf(floor)))
    moved = score + another_speed.floor_score_shift(ratio, score, (3, 12))
    assert beta_of(3, 12).ppf(ndtr(moved)) == pytest.approx(there)
