"""What frames of grades, fits of them and refusals gave before."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from kept_results import Array, same_as_kept

from calib.errors import InvalidRecord, NoFiniteEstimate
from calib.fit import ordinal, ordinal_frame
from calib.fit.ordinal import GaussianPrior, OrdinalProbit

# Frame.


def test_equal_rows_are_put_together_in_order() -> None:
    x = np.array([[2.0, 1.0], [1.0, 5.0], [2.0, 1.0], [2.0, 1.0], [1.0, -5.0]])
    grade = np.array([1, 0, 1, 0, 2], dtype=np.intp)
    kept = ordinal_frame.distinct_rows(x, grade, np.array([0.5, 2.0, 1.0, 4.0, 3.0]))
    same_as_kept("ordinal_distinct_rows", kept)


def told(frame: ordinal_frame.Frame) -> dict[str, object]:
    """What doesn't hang on the signs of directions."""
    # A direction's sign is the solver's choice.
    cuts, r = 2, frame.to_coef.shape[1]
    theta = np.concatenate([frame.to_coef.T @ (1.0 / frame.scale), [-0.5, 0.5]])
    covariance = np.diag(np.r_[np.full(r, 0.3), 0.2, 0.4])
    return {
        "centre": frame.centre,
        "scale": frame.scale,
        "map": frame.to_coef @ frame.to_coef.T,
        "open": frame.left_open @ frame.left_open.T,
        "precision": frame.to_coef @ frame.precision @ frame.to_coef.T,
        "open_covariance": frame.left_open @ frame.open_covariance @ frame.left_open.T,
        "in units of x": frame.in_units_of_x(theta, covariance),
        "ranks": [r, frame.left_open.shape[1], cuts],
    }


def test_frames_are_what_they_were() -> None:
    place = np.arange(6.0)
    weight = 1.0 + place % 2
    wave = np.column_stack([np.sin(place), 20.0 + 3.0 * np.cos(place)])
    spreads = np.array([0.5, 2.0, 4.0])
    columns = {
        "two": (wave, spreads[:2]),
        "with a constant": (np.column_stack([wave, np.full(6, 7.0)]), spreads),
        "collinear": (np.column_stack([wave, wave @ [1.0, 2.0]]), spreads),
        "all constant": (np.full((6, 2), 3.0), spreads[:2]),
    }
    kept = {}
    for name, (x, sd) in columns.items():
        kept[name] = told(ordinal_frame.frame_of(x, weight, sd))
        kept[f"{name}, no prior"] = told(ordinal_frame.frame_of(x, weight))
    # Uncorrelated, of unit square mean.
    frame = ordinal_frame.frame_of(wave, weight)
    round_ = (wave - frame.centre) @ frame.to_coef
    assert (weight[:, None] * round_).T @ round_ / weight.sum() == pytest.approx(np.eye(2))
    same_as_kept("ordinal_frames", kept)
    tiny = ordinal_frame.frame_of(wave[:, :1] * [1e-139, 1e-141], weight)
    assert tiny.left_open.shape == (2, 1)
    assert tiny.scale[1] == 1.0 > tiny.scale[0]


def test_what_counts_as_constant_or_collinear_is_far_above_rounding() -> None:
    eps = float(np.finfo(float).eps)

    def constant(steps: float) -> bool:
        x = np.array([[-1.0], [-1.0 + steps * eps]])
        return bool((ordinal_frame._scaled(x, np.ones(2))[0] == 0).all())

    assert [constant(s) for s in (0.0, 7.5, 8.0, 8.5)] == [True, True, True, False]
    place = np.arange(1000.0)

    def rank(size: float, far: float = 0.0) -> int:
        """Of two columns that differ by so much of a wave, in units of 1000 eps."""
        one = np.where(place % 2 == 0, 1.0, -1.0)
        two = np.where(place % 4 < 2, 1.0, -1.0)
        x = np.column_stack([one + far, one + size * 1000 * eps * two])
        return ordinal_frame.frame_of(x, np.ones(1000)).to_coef.shape[1]

    found = [rank(s) for s in (4.0, 12.0, 15.0, 17.0, 20.0, 30.0)]
    # The one direction has a mean square of 2, the other of half the difference squared: 8 x 2.
    assert found == [1, 1, 1, 2, 2, 2]
    assert [rank(30.0, far) for far in (0.5, 0.8, 1.0, 9.0)] == [2, 2, 1, 1]


def test_directions_are_kept_above_the_noise_only() -> None:
    share = np.array([2.0, 1.0, 1.0])
    scaled = np.diag([1.0, 0.2, 0.01])

    def ranks(noise: float, times: float = 1.0) -> list[int]:
        inside, outside = ordinal_frame._directions(scaled * times, share, noise)
        return [inside.shape[1], outside.shape[1]]

    kept = [ranks(n) for n in (1e-9, 0.004, 0.006, 0.09, 0.11, 0.6, 0.8)]
    kept += [ranks(n, 10.0) for n in (0.004, 0.006, 0.09, 0.11, 0.8)]
    assert kept[0] == [3, 0]
    same_as_kept("ordinal_ranks", kept)


def test_overlaps_below_a_billionth_count_as_touching() -> None:
    def separated(overlap: float) -> bool:
        x = np.array([-1.0, -0.4, overlap / 2, -overlap / 2, 0.5, 1.0])[:, None]
        grade = np.array([0, 0, 0, 1, 1, 1], dtype=np.intp)
        return ordinal_frame.is_separated(x, grade, 2)

    overlaps = (-0.1, -1e-9, 0.0, 1e-10, 5e-10, 3e-9, 1e-8, 1e-3)
    assert [separated(o) for o in overlaps] == [True] * 5 + [False] * 3
    inner = np.array([-1.0, -0.3, 0.2, -0.1, 0.5, 0.4, 1.0])[:, None]
    grade = np.array([0, 0, 0, 1, 1, 2, 2], dtype=np.intp)
    assert not ordinal_frame.is_separated(inner, grade, 3)
    same = np.array([-1.0, 1.0, -1.0, 1.0])[:, None]
    assert not ordinal_frame.is_separated(same, np.array([0, 0, 1, 1]), 2)


def test_separation_is_asked_for_in_the_same_way(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[dict[str, Any]] = []

    def gives_up(cost: Array, **more: Any) -> SimpleNamespace:
        asked.append({"cost": cost, **more})
        return SimpleNamespace(x=None)

    monkeypatch.setattr(ordinal_frame, "linprog", gives_up)
    x = np.array([[-1.0, 0.3], [0.2, -0.5], [0.4, 1.0], [1.0, 0.1]])
    grade = np.array([0, 1, 1, 2], dtype=np.intp)
    assert ordinal_frame.is_separated(x, grade, 3)  # when nobody knows
    tolerances = ("primal_feasibility_tolerance", "dual_feasibility_tolerance")
    for call in asked:
        call["b_ub"] = call["b_ub"] * 1e9
        call["options"] = call["options"] | {n: call["options"][n] * 1e10 for n in tolerances}
    same_as_kept("ordinal_separation", asked)

    def answers(*direction: float) -> bool:
        found = SimpleNamespace(x=np.array(direction))
        monkeypatch.setattr(ordinal_frame, "linprog", lambda cost, **more: found)
        return ordinal_frame.is_separated(x, grade, 3)

    # Long ones that widen some band count; the rows have six ends of bands.
    assert answers(1.0, 0.0, -0.5, 0.5)
    assert not answers(0.9999, 0.0, -0.5, 0.5)
    assert answers(0.9999995, 0.0, -0.5, 0.5)
    assert not answers(-1.0, 0.0, 0.0, 0.0)


# The estimator.

PLACE = np.arange(14.0)
WIDE = np.column_stack([np.sin(1.7 * PLACE), 30.0 + 5.0 * np.cos(2.9 * PLACE)])
GRADES = (np.clip(np.round(WIDE[:, 0] + 0.7 * (PLACE % 3) + 0.2), 0, 2)).astype(int)


def fit_told(fit: OrdinalProbit) -> dict[str, object]:
    return {
        "classes": fit.classes_,
        "coef": fit.coef_,
        "cuts": fit.cut_points_,
        "covariance": fit.covariance_,
        "log_likelihood": fit.log_likelihood_,
        "chances": fit.predict_proba(WIDE[:3]),
        "grades": fit.predict(WIDE[:9]),
        "columns": fit.n_features_in_,
    }


def test_ordinal_fits_are_what_they_were() -> None:
    weight = np.where(PLACE == 5, 0.0, 1.0 + PLACE % 3)
    shared = np.column_stack([WIDE, WIDE @ [1.0, 0.5]])[:, [0, 2, 1]]
    kept = {
        "likeliest": OrdinalProbit().fit(WIDE, GRADES),
        "weighted": OrdinalProbit().fit(WIDE, GRADES + 3, weight),
        "usual prior": OrdinalProbit(GaussianPrior()).fit(WIDE, GRADES),
        "two priors": OrdinalProbit(GaussianPrior(effect_sd=(0.3, 2.0))).fit(WIDE, GRADES, weight),
        "jeffreys": OrdinalProbit("jeffreys").fit(WIDE, GRADES, weight),
        "separated": OrdinalProbit(GaussianPrior()).fit(WIDE[:, :1], WIDE[:, 0] > 0),
        "separated, jeffreys": OrdinalProbit("jeffreys").fit(WIDE[:, :1], WIDE[:, 0] > 0),
    }
    told_of = {name: fit_told_of_columns(fit) for name, fit in kept.items()}
    three = OrdinalProbit(GaussianPrior()).fit(shared, GRADES)
    told_of["collinear"] = [three.coef_, three.cut_points_, three.covariance_]
    same_as_kept("ordinal_fits", told_of)


def fit_told_of_columns(fit: OrdinalProbit) -> dict[str, object]:
    if fit.n_features_in_ == 2:
        return fit_told(fit)
    return {"coef": fit.coef_, "cuts": fit.cut_points_, "covariance": fit.covariance_}


def refusal(of: Callable[[], object]) -> str:
    with pytest.raises((InvalidRecord, NoFiniteEstimate, ValueError)) as caught:
        of()
    return f"{type(caught.value).__name__}: {caught.value}"


def test_refusals_of_ordinal_fits_are_what_they_were() -> None:
    x = PLACE[:6, None]
    y = np.array([0, 1, 0, 1, 0, 1])
    plain = OrdinalProbit()
    flat = np.column_stack([x, np.ones(6), x * 2])
    kept = [
        refusal(lambda sd=sd: GaussianPrior(effect_sd=sd))
        for sd in (0.0099, 100.1, True, "5", (1.0, 0.0), math.nan)
    ]
    assert [GaussianPrior(effect_sd=sd).effect_sd for sd in (0.01, 100.0, (1, 2))] == [
        0.01, 100.0, (1, 2),
    ]  # fmt: skip
    weights = ([1.0, 2.0], [-0.5, 1, 1, 1, 1, 1], np.zeros(6))
    kept += [refusal(lambda w=w: plain.fit(x, y, w)) for w in weights]
    graded = ([0, 1, 2, 1, 0, 0.5], ["a", "b"] * 3, [-1, 0, 0, 1, 1, 0], [2] * 6,
              [0, 1, 4, 1, 0, 1], [0, 2, 0, 2, 2, 0])  # fmt: skip
    kept += [refusal(lambda g=g: plain.fit(x, g)) for g in graded]
    kept.append(refusal(lambda: plain.fit(x, y, [1, 0, 1, 0, 1, 0])))
    kept.append(refusal(lambda: plain.fit(flat, y)))
    # Of columns of other sizes, only those that hang together are named.
    sizes = np.column_stack([x, y + x[:, 0] ** 2, x * 1e4])
    kept.append(refusal(lambda: plain.fit(sizes, y)))
    kept.append(refusal(lambda: plain.fit(x, [4, 4, 4, 5, 5, 5])))
    kept.append(refusal(lambda: OrdinalProbit("normal").fit(x, y)))  # type: ignore[arg-type]
    wrong = OrdinalProbit(GaussianPrior(effect_sd=(1.0, 2.0)))
    kept.append(refusal(lambda: wrong.fit(x, y)))
    same_as_kept("ordinal_refusals", kept)


def test_a_climb_that_fails_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ordinal, "climb", lambda problem, theta: None)
    x, y = PLACE[:6, None], [3, 4, 3, 4, 3, 4]
    assert refusal(lambda: OrdinalProbit().fit(x, y)) == (
        "NoFiniteEstimate: the fit of the grades 3 to 4 can't be computed in double precision:"
        " they hardly overlap, or rows lie or weigh too far apart; look for misread rows, add rows"
        " near the edge, or fit with a prior such as GaussianPrior()."
    )
