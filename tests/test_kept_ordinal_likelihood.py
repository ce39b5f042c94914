"""What the likelihood of grades and the climb to its maximum gave before."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest
from kept_results import Array, same_as_kept
from scipy.linalg import LinAlgError
from scipy.special import erf, log_ndtr, ndtr

from calib.fit import ordinal_likelihood
from calib.fit.ordinal_likelihood import (
    GaussianPenalised,
    GradedRows,
    JeffreysPenalised,
    Likelihood,
    log_chance_between,
)


def some_rows(grades: int, columns: int = 2, n: int = 9) -> GradedRows:
    """Rows without a pattern; every grade is seen."""
    place = np.arange(float(n))
    x = np.column_stack([np.sin(2.3 * place * (c + 1) + c) for c in range(columns)])
    grade = np.arange(n, dtype=np.intp) * 5 % grades
    return GradedRows(x=x, grade=grade, weight=1.0 + 0.4 * (place % 3), grades=grades)


def some_theta(grades: int, columns: int = 2) -> Array:
    return np.concatenate([0.7 - 0.9 * np.arange(columns), -0.6 + 0.8 * np.arange(grades - 1.0)])


def problems(rows: GradedRows) -> dict[str, Likelihood]:
    k = rows.x.shape[1]
    precision = 0.3 * np.eye(k) + 0.1
    return {
        "plain": Likelihood(rows),
        "normal": GaussianPenalised(rows, precision),
        "jeffreys": JeffreysPenalised(rows),
    }


# Likelihood.


def test_chances_between_limits_are_what_they_were() -> None:
    ends = np.array([-np.inf, -40.0, -9.0, -2.0, -0.3, 0.0, 0.4, 1.0, 2.5, 8.0, 40.0, np.inf])
    lower, upper = np.meshgrid(ends, ends, indexing="ij")
    upper[0, -1] = lower[-1, 0] = 0.0  # one end at least is finite
    found = log_chance_between(lower, upper)
    assert np.all(np.isneginf(found[lower >= upper]))
    plain = (lower < upper) & (np.abs(lower) < 5) & (np.abs(upper) < 5)
    assert found[plain] == pytest.approx(np.log((ndtr(upper) - ndtr(lower))[plain]), rel=1e-9)
    same_as_kept("ordinal_chances", [row.tolist() for row in found])


def test_narrow_bands_hold_their_density_times_their_width() -> None:
    """ln(Φ(m + w/2) − Φ(m − w/2)) → ln(w φ(m)) + (m² − 1) w² / 24 (Taylor), on both sides of it."""
    middle, width = np.meshgrid([-6.0, -1.0, 0.0, 0.5, 3.0], [1e-9, 1e-5, 7e-4, 4e-3, 6e-3, 0.05])
    found = log_chance_between(middle - width / 2, middle + width / 2)
    density = np.log(width) - 0.5 * middle**2 - 0.5 * math.log(2 * math.pi)
    small = np.abs(middle) * width < 0.05
    series = density + (middle**2 - 1) * width**2 / 24
    assert found[small] == pytest.approx(series[small], abs=3e-7)
    assert np.abs(np.exp(found - density) - 1)[0].max() < 1e-5
    # About zero the chance is an error function.
    half = np.array([0.0024])
    assert log_chance_between(-half, half) == pytest.approx(
        np.log(erf(half / math.sqrt(2.0))), abs=1e-11
    )
    # Far out a band is narrow only when it is so for its distance.
    ends = log_ndtr([-29.95, -30.05])
    far = log_chance_between(np.array([-30.05]), np.array([-29.95]))
    assert far == pytest.approx(ends[0] + np.log1p(-np.exp(ends[1] - ends[0])), rel=1e-9)


@pytest.mark.parametrize("grades", [2, 3, 4])
def test_likelihoods_and_their_slopes_are_what_they_were(grades: int) -> None:
    theta = some_theta(grades)
    kept = {}
    for name, problem in problems(some_rows(grades)).items():
        kept[name] = {
            "value": problem.value(theta),
            "log_likelihood": problem.log_likelihood(theta),
            "gradient": problem.gradient(theta),
            "information": problem.information(theta),
            "expected": problem.expected_information(theta),
        }
        # The slope is that of the value, and the information minus the slope's slope.
        for unit, slope, row in zip(
            np.eye(len(theta)), kept[name]["gradient"], kept[name]["information"], strict=True
        ):
            up, down = theta + 1e-5 * unit, theta - 1e-5 * unit
            assert slope == pytest.approx(
                (problem.value(up) - problem.value(down)) / 2e-5, abs=1e-6
            )
            change = (problem.gradient(up) - problem.gradient(down)) / 2e-5
            assert row == pytest.approx(-change, abs=1e-5)
    same_as_kept(f"ordinal_likelihood_{grades}", kept)


def test_jeffreys_prior_refuses_what_has_no_information() -> None:
    rows = some_rows(3)
    jeffreys = JeffreysPenalised(rows)
    at = some_theta(3)
    assert jeffreys.value(at - [0, 0, 0, 0.8]) == -math.inf  # two cut points in one place
    assert jeffreys.value(at - [0, 0, 0, 1.0]) == -math.inf
    twice = np.column_stack([rows.x[:, 0], np.zeros(9)])
    flat = JeffreysPenalised(GradedRows(x=twice, grade=rows.grade, weight=rows.weight, grades=3))
    assert flat.value(at) == -math.inf
    assert math.isfinite(jeffreys.value(at))


def test_the_slope_of_jeffreys_prior_is_differenced_in_small_steps(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    jeffreys = JeffreysPenalised(some_rows(3))
    seen: list[Array] = []
    monkeypatch.setattr(
        jeffreys, "_half_log_det_gradient", lambda theta: seen.append(theta) or theta**3, False
    )
    at = np.array([0.5, -0.25, 0.0, 0.01])  # the gap asks for steps of 0.0005
    found = jeffreys._half_log_det_curvature(at)
    # Five-point differences are exact for a cubic.
    assert found == pytest.approx(np.diag(3 * at**2), abs=1e-9)
    near = jeffreys._half_log_det_curvature(at + [0, 0, 0, 1.0])
    same_as_kept(
        "ordinal_steps",
        [[(s - at)[0] * 1e3 for s in seen[:4]], [(s[0] - 0.5) * 1e3 for s in seen[16:20]], near],
    )


# Climbing.


class Made:
    """A made-up problem that counts how often it is asked."""

    def __init__(
        self,
        value: Callable[[Array], float],
        slope: Callable[[Array], Array],
        information: Callable[[Array], Array] = lambda theta: np.eye(len(theta)),
    ) -> None:
        self.asked = 0
        self._value, self.gradient, self.information = value, slope, information

    def value(self, theta: Array) -> float:
        self.asked += 1
        return self._value(theta)


def test_a_climb_without_end_is_given_up() -> None:
    slope = Made(lambda theta: float(theta.sum()), lambda theta: np.ones(1))
    assert ordinal_likelihood.climb(slope, np.zeros(1)) is None  # type: ignore[arg-type]
    assert slope.asked == 400  # 200 steps, each tried in full and found good
    wrong = Made(lambda theta: -float(abs(theta.sum())), lambda theta: np.ones(1))
    assert ordinal_likelihood.climb(wrong, np.zeros(1)) is None  # type: ignore[arg-type]
    assert wrong.asked == 41  # 40 halvings
    lost = Made(lambda theta: 0.0, lambda theta: np.ones(1), lambda theta: np.full((1, 1), np.nan))
    assert ordinal_likelihood.climb(lost, np.zeros(1)) is None  # type: ignore[arg-type]


def test_a_climb_ends_one_step_after_its_last_promise() -> None:
    flat = Made(lambda theta: 3.0, lambda theta: np.array([1.9e-6]))
    assert ordinal_likelihood.climb(flat, np.zeros(1)) == pytest.approx(np.array([1.9e-6]))  # type: ignore[arg-type]
    assert flat.asked == 1  # 1.9e-6 squared is less than 1e-12 (1 + 3)
    steep = Made(lambda theta: 3.0 + 2.1e-6 * float(theta[0]), lambda theta: np.array([2.1e-6]))
    assert ordinal_likelihood.climb(steep, np.zeros(1)) is None  # type: ignore[arg-type]
    bowl = Made(lambda t: -float((t**4).sum()), lambda t: -4 * t**3, lambda t: 12 * np.diag(t**2))
    found = ordinal_likelihood.climb(bowl, np.array([1.0, -2.0]))  # type: ignore[arg-type]
    same_as_kept("ordinal_climbs", [found, bowl.asked])


def test_a_step_is_halved_until_it_rises_as_promised() -> None:
    def share(value: Callable[[float], float], start: float = 0.0, rise: float = 1.0) -> object:
        problem = SimpleNamespace(value=lambda theta: value(float(theta[0])))
        here = np.zeros(1)
        return ordinal_likelihood._shortened(problem, here, np.ones(1), start, rise)  # type: ignore[arg-type]

    assert share(lambda t: 2e-4 * t) == pytest.approx(np.ones(1))
    assert share(lambda t: 0.5e-4 * t) == pytest.approx(np.array([0.5**26]))  # within rounding
    assert share(lambda t: -1.0 if t > 0.3 else t) == pytest.approx(np.array([0.25]))
    assert share(lambda t: 10.0 - 2e-12, 10.0, 0.0) == pytest.approx(np.ones(1))
    assert share(lambda t: 10.0 - 2e-11, 10.0, 0.0) is None
    assert share(lambda t: -1.0 if t > 0.5**38.5 else t) == pytest.approx(np.array([0.5**39.0]))
    assert share(lambda t: -1.0 if t > 0.5**39.5 else t, 0.0) is None


def test_steps_in_odd_curvature_are_what_they_were() -> None:
    bent = np.array([[2.0, 0.5, 0.0], [0.5, -1.0, 0.3], [0.0, 0.3, 1e6]])
    flat = np.array([[1.0, 1.0], [1.0, 1.0]])
    slope = np.array([0.3, -0.7, 2.0])
    kept = [
        ordinal_likelihood._ascent_step(bent, slope),
        ordinal_likelihood._ascent_step(flat, slope[:2]) * 1e-14,
        ordinal_likelihood._ascent_step(np.diag([4.0, 0.0]), slope[:2]) * 1e-14,
        ordinal_likelihood._unit_diagonal(bent),
        ordinal_likelihood._unit_diagonal(np.zeros((2, 2))),
        ordinal_likelihood.covariance_of(bent),
        ordinal_likelihood.start(some_rows(4)),
    ]
    assert kept[5] @ bent == pytest.approx(np.eye(3), abs=1e-9)
    # A definite matrix gives Newton's step.
    sure = bent @ bent.T
    assert sure @ ordinal_likelihood._ascent_step(sure, slope) == pytest.approx(slope)
    with pytest.raises(LinAlgError, match="not finite"):
        ordinal_likelihood._ascent_step(np.full((1, 1), np.nan), np.ones(1))
    same_as_kept("ordinal_odd_steps", kept)
