"""The search for a setting and the steps it looks at: whether it looks elsewhere than it did."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from advice_cases import known
from boards import CO2
from kept_results import refusal, same_as_kept

from calib.advise import candidates as steps
from calib.advise import recommend
from calib.advise.candidates import Row
from calib.advise.wish import Wish
from calib.records import Setting

# ------------------------------------------------------------------------------ the search


class Plain:
    """A promise by a plain formula that remembers what it was asked."""

    def __init__(self, reliable_mm_s: Callable[[np.ndarray], np.ndarray]) -> None:
        self.reliable = reliable_mm_s
        self.region = SimpleNamespace(
            operation="cut", expected_char=lambda p, v, n: np.abs(v - 7.0)
        )
        self.asked: list[str] = []

    def reliability_of(self, power: np.ndarray, speed: np.ndarray, *_: object) -> np.ndarray:
        some = sorted(zip(power.tolist(), speed.tolist(), strict=True))
        self.asked.append(" ".join(f"{p:g}:{v:g}" for p, v in some))
        return np.where(speed <= self.reliable(power), 0.99, 0.5)


def a_row(power: float = 80.0, count: int = 400, step: float = 0.1) -> Row:
    return Row(power_pct=power, passes=1, speeds=np.round(np.arange(1, count + 1) * step, 6))


@pytest.mark.parametrize("fastest", [20.0, 20.3, 21.3, 18.2, 12.0, 1.0, 0.0])
@pytest.mark.parametrize("aim", ["fastest", "cleanest"])
def test_the_exact_search_looks_where_it_looked(aim: str, fastest: float) -> None:
    plain: Any = Plain(lambda power: np.full(len(power), fastest + 1e-9))
    look = Setting(power_pct=80.0, speed_mm_s=20.0)
    rows = [a_row(60.0), a_row()]
    quick: Any = Plain(lambda power: np.full(len(power), 0.1))
    found = recommend._exactly(plain, quick, Wish(aim=aim), rows, look)
    same_as_kept(f"search_exact_{aim}_{fastest:g}", [found, plain.asked])


def test_the_climb_looks_where_it_looked() -> None:
    kept = []
    rows = [a_row(power, 130, 0.25) for power in (50.0, 60.0, 70.0, 80.0)]
    start = Setting(power_pct=60.0, speed_mm_s=12.0)
    for aim in ("fastest", "cleanest"):
        for of_power in (0.3, 0.1, 0.0):
            plain: Any = Plain(lambda power, k=of_power: k * power)
            kept.append([recommend._climbed(plain, Wish(aim=aim), rows, start), plain.asked])
    same_as_kept("search_climbed", kept)


def test_a_climb_ends_after_sixty_steps() -> None:
    rows = [Row(power_pct=float(p), passes=1, speeds=np.array([0.1 * p])) for p in range(1, 100)]
    plain: Any = Plain(lambda power: np.full(len(power), 99.0))
    start = Setting(power_pct=1.0, speed_mm_s=0.1)
    assert recommend._climbed(plain, Wish(), rows, start).power_pct == 61.0


def test_neighbours_lie_beside_a_setting() -> None:
    by_power = {p: a_row(p, 12, 1.0) for p in (50.0, 60.0, 70.0)}
    kept = [
        sorted((s.power_pct, s.speed_mm_s) for s in recommend._neighbours(
            by_power, Setting(power_pct=p, speed_mm_s=v), stride))
        for p, v, stride in ((60.0, 6.0, 1), (50.0, 2.0, 2), (70.0, 11.0, 3))
    ]  # fmt: skip
    power, passes = np.array([80.0, 80, 70, 70, 60, 50]), np.array([1.0, 2, 1, 1, 1, 1])
    kept.append(recommend._apart([0, 1, 2, 3, 4, 5], power, passes))  # type: ignore[arg-type]
    kept.append(recommend._apart([3, 2, 5], power, passes))  # type: ignore[arg-type]
    same_as_kept("search_neighbours", kept)


# ------------------------------------------------------------------------------ candidates, wish


def test_steps_that_may_be_recommended_are_as_they_were() -> None:
    region = known(2, replace(CO2, max_speed_mm_s=26.0, speed_step_mm_s=0.5, power_step_pct=2.5))
    every = steps.rows(region)
    some = [f"{row.passes} x {row.power_pct:g} %: {row.speeds[0]:g} to {row.speeds[-1]:g},"
            f" {len(row.speeds)}" for row in every]  # fmt: skip
    low = steps.rows(replace(region, machine=replace(region.machine, ceiling_pct=57.4)))
    fine = [Row(power_pct=float(p), passes=p % 2 + 1, speeds=np.arange(1, 200) * 0.1)
            for p in range(1, 61)]  # fmt: skip
    picked = steps.sample(fine)
    looks = [[row.power_pct, row.passes, row.speeds[:3], len(row.speeds)] for row in picked]
    row = every[0]
    places = [row.at(v) for v in (0.1, *row.speeds[[0, 3]], row.speeds[3] - 0.01, 900.0)]
    kept = [some, [r.power_pct for r in low], looks, steps.table(every), places]
    same_as_kept("candidates", kept)


def test_steps_are_multiples_and_hold_both_ends() -> None:
    kept = [
        steps._steps(low, high, 0.1)
        for low, high in ((0.0, 0.3), (0.2, 0.5), (0.2000000001, 0.4999999999), (0.201, 0.499),
                          (0.2 + 2e-7, 0.5 - 2e-7), (0.31, 0.39))
    ]  # fmt: skip
    spread = [steps._spread(*given) for given in ((5, 24), (24, 24), (25, 24), (60, 7), (1, 3))]
    same_as_kept("candidate_steps", [kept, spread])


def test_wishes_that_make_no_sense_are_refused_in_the_same_words() -> None:
    wrong: list[dict[str, Any]] = [
        {"aim": "best"}, {"reliability": 0.0}, {"reliability": 1.0}, {"char_at_most": 5},
        {"char_at_most": -1}, {"mark": True}, {"mark": 2.5}, {"cut_length_mm": 0.0},
        {"cut_length_mm": 1e9},
    ]  # fmt: skip
    said = [refusal(lambda given=given: Wish(**given)) for given in wrong]
    fine = [Wish(), Wish(char_at_most=0, mark=4, cut_length_mm=0.5), Wish(aim="cleanest")]
    same_as_kept("wishes", [said, fine])
