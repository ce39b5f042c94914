"""What random effects and whole fits gave before, and the sentences beside a fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from kept_results import same_as_kept
from scipy.special import ndtr
from scipy.stats import halfnorm, norm

from calib.errors import InvalidRecord
from calib.fit import fitting, random_effects
from calib.fit.expectation import expected_priors
from calib.fit.numerics import even_scores
from calib.fit.priors import CutPrior, GradedPrior, Priors
from calib.fit.random_effects import Mixture, Units
from calib.records import Burn, Machine, Sheet

BENCH = Machine(
    name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0,
    acceleration_mm_s2=3000.0,
)  # fmt: skip
BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)


# Random effects.


def some_units(**more: object) -> Units:
    """Units with columns, lots within products, and spreads of all three."""
    n = np.arange(9.0)
    given: dict[str, object] = {
        "value": np.sin(3.0 * n) + 0.3,
        "variance": 0.02 + 0.03 * (n % 3),
        "effects": np.column_stack([np.ones(9), np.cos(n), n % 2]),
        "base": np.array([1.0, 0.5, 0.3]),
        "spread_of": np.array([-1, 0, 1]),
        "nested": [
            (np.array([0, 0, 1, 2, 2, 3, 3, 4, 1]), np.array([True, True, False, True, True])),
            (np.array([0, 0, 1, 1, 2]), np.array([True, False, True])),
        ],
        "nested_base": (0.4, 0.6),
        "nested_spread": (2, -1),
        "unit_base": 0.2,
        "unit_spread": 1,
        "spreads": 3,
    }
    return Units(**(given | more))  # type: ignore[arg-type]


def told(found: Mixture) -> dict[str, object]:
    design, extra = np.array([1.0, -0.4, 0.5]), 0.1 * (found.spread**2).sum(axis=1)
    return {
        "mixture": found,
        "mean": found.weight @ found.mean,
        "covariance": np.einsum("h,hqr->qr", found.weight, found.covariance),
        "spread": found.weight @ found.spread,
        "predicted": found.predict(design, extra),
        "components": [part[:5] for part in found.components(design, extra)],
    }


def surprised() -> Units:
    """So far apart that the first rounds hit the posterior with a few points only."""
    units = some_units()
    return replace(units, value=units.value * 25.0, variance=units.variance * 0.1)


def test_random_effects_are_what_they_were() -> None:
    points = even_scores(5, 3) ** 2
    found = {
        "given": told(random_effects.fit_mixture(some_units(), points, -0.3 * np.arange(5.0))),
        "fixed": told(random_effects.fit_fixed(some_units())),
        "learnt": told(random_effects.fit_learning(some_units())),
        "learnt when surprised": told(random_effects.fit_learning(surprised())),
        "without spreads": told(
            random_effects.fit_learning(
                some_units(
                    spread_of=np.full(3, -1), nested_spread=(-1, -1), unit_spread=-1, spreads=0
                )
            )
        ),
    }
    same_as_kept("random_effects", found)


def test_the_usual_unit_has_nothing_of_its_own() -> None:
    bare = Units(
        value=np.array([1.0, 3.0]),
        variance=np.array([0.5, 0.5]),
        effects=np.ones((2, 1)),
        base=np.array([1e6]),
        spread_of=np.array([-1]),
    )
    found = random_effects.fit_learning(bare)
    # The mean of two, and its variance, under a flat prior.
    assert found.predict(np.ones(1), np.zeros(1)) == pytest.approx((2.0, 0.25))
    assert found.spread.shape == (1, 0)


def test_the_mixture_has_the_mean_and_variance_of_its_draws() -> None:
    """E and Var of a mixture of two normals, by the laws of total mean and variance."""
    two = Mixture(
        spread=np.ones((2, 1)),
        weight=np.array([0.25, 0.75]),
        mean=np.array([[1.0], [3.0]]),
        covariance=np.array([[[0.5]], [[0.2]]]),
    )
    mean, variance = two.predict(np.array([2.0]), np.array([0.1, 0.3]))
    assert mean == pytest.approx(0.25 * 2 + 0.75 * 6)
    within = 0.25 * (4 * 0.5 + 0.1) + 0.75 * (4 * 0.2 + 0.3)
    assert variance == pytest.approx(within + 0.25 * 0.75 * 4.0**2)


def test_spreads_are_half_normal_with_mean_square_one() -> None:
    scores = np.linspace(-4.0, 4.0, 9)
    found = random_effects.half_normal(scores)
    assert halfnorm.cdf(found) == pytest.approx(ndtr(scores), abs=1e-9)
    fine = norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    assert (random_effects.half_normal(fine) ** 2).mean() == pytest.approx(1.0, abs=1e-3)
    ends = random_effects.half_normal(np.array([-9.0, -6.5, 6.5, 9.0]))
    same_as_kept("half_normal", [found, ends * 1e3])


def test_what_the_next_round_covers_is_what_it_was() -> None:
    scores = even_scores(30, 2)
    even = np.full(30, 1.0 / 30)
    one = np.where(np.arange(30) == 4, 1.0, 0.0)
    bump = np.exp(-3.0 * (scores[:, 0] - 1.0) ** 2)
    kept = [random_effects._narrowed(scores, w) for w in (even, one, bump / bump.sum())]
    long = np.exp(-8.0 * even_scores(4000, 1)[:, 0] ** 2)
    kept.append(random_effects._narrowed(even_scores(4000, 1), long / long.sum()))
    assert np.diag(kept[0][1])[0] == pytest.approx(1.3, abs=0.01)
    same_as_kept("random_effects_next_round", kept)


def test_sums_over_groups_are_sums() -> None:
    rows, group = np.arange(12.0).reshape(6, 2) ** 2, np.array([2, 0, 1, 2, 0, 1])
    wanted = [rows[group == g].sum(axis=0) for g in range(3)]
    assert random_effects._sums(group, rows, 3) == pytest.approx(np.array(wanted))


# Fits.


def cut(power: float, speed: float, through: str | None, **more: object) -> Burn:
    return Burn(operation="cut", power_pct=power, speed_mm_s=speed, through=through, **more)  # type: ignore[arg-type]


def mark(power: float, speed: float, grade: int | None) -> Burn:
    return Burn(operation="line_mark", power_pct=power, speed_mm_s=speed, mark=grade)


def sentences(operation: str, evidence: Sequence[Burn], machine: Machine = BENCH) -> object:
    """Edge, notes and what was taken in, without the fits."""
    found = fitting.region_from(machine, BIRCH, operation, evidence, Priors(notes=("Before.",)))  # type: ignore[arg-type]
    assert found.cut is found.char is found.mark is None
    assert found.defects_per_m == 0.0
    return {
        "edge": found.edge,
        "notes": found.notes,
        "burns": [f"{b.power_pct:g} {b.speed_mm_s:g}" for b in found.burns],
        "hulls": found.hulls,
    }


def test_sentences_beside_a_fit_are_what_they_were() -> None:
    dropped = cut(80, 10, "through", char=2)
    hung, no = cut(60, 12, "hanging", char=1), cut(30, 20, "no")
    evidence = {
        "nothing": ("cut", []),
        "unread": ("cut", [cut(50, 10, None), mark(20, 100, 3)]),
        "dropped": ("cut", [dropped, cut(70, 9, "through")]),
        "none dropped": ("cut", [hung, no]),
        "both": ("cut", [dropped, hung, no]),
        "no char": ("cut", [cut(80, 10, "through"), no]),
        "char of what wasn't cut": ("cut", [dropped, cut(30, 20, "no", char=1)]),
        "marks": ("line_mark", [mark(20, 100, 2), mark(20, 200, 1), mark(20, 300, None)]),
        "deep marks": ("line_mark", [mark(20, 100, 2), mark(20, 50, 4), dropped]),
        "faint marks": ("line_mark", [mark(20, 300, 1), mark(20, 400, 0)]),
    }
    kept = {name: sentences(*given) for name, given in evidence.items()}
    unknown = replace(BENCH, acceleration_mm_s2=None)
    kept["unknown acceleration"] = sentences("cut", [], unknown)
    same_as_kept("fit_sentences", kept)


def test_each_model_gets_its_own_burns_and_prior(monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[tuple[object, ...]] = []
    monkeypatch.setattr(fitting, "fit_cut", lambda m, b, p: calls.append(("cut", len(b), p)))
    monkeypatch.setattr(
        fitting, "fit_graded", lambda m, b, p, kind: calls.append((kind, len(b), p))
    )
    a, b, c = CutPrior(location=1.0, defects_per_m=0.3), GradedPrior(location=2.0), None
    burns = [cut(80, 10, "through", char=2), cut(80, 20, "no"), cut(80, 30, None)]
    found = fitting.region_from(BENCH, BIRCH, "cut", burns, Priors(cut=a, char=b, mark=c))
    assert calls == [("cut", 2, a), ("char", 2, b)]
    assert found.defects_per_m == 0.3
    calls.clear()
    fitting.region_from(BENCH, BIRCH, "line_mark", [mark(20, 90, 1)], Priors(mark=b))
    assert calls == [("mark", 1, b)]


def test_a_fit_of_seven_burns_points_at_the_odd_one() -> None:
    rows = [(80, 12, "through"), (80, 20, "through"), (80, 26, "through"), (80, 60, "no"),
            (60, 45, "no"), (60, 10, "through"), (80, 6, "no")]  # fmt: skip
    burns = [cut(p, v, t, char=2 if t == "through" else None) for p, v, t in rows]
    priors = expected_priors(BENCH, BIRCH, "cut")
    found = fitting.region_from(BENCH, BIRCH, "cut", burns, priors)
    assert found.notes == (
        "The result “no” at 80 % and 6 mm/s contradicts the other burns: read it again, or burn it"
        " again.",
    )
    assert found.edge == "bracketed"
    assert found.cut is not None
    assert found.char is not None
    assert found.mark is None
    same_as_kept("fit_of_seven", [found.cut.learned, found.char.learned, found.char.readings])


def test_another_operation_or_evidence_is_refused() -> None:
    with pytest.raises(InvalidRecord, match="operation is 'drill': give one of cut, line_mark"):
        fitting.region_from(BENCH, BIRCH, "drill", [], Priors())  # type: ignore[arg-type]
    with pytest.raises(InvalidRecord, match="evidence holds 3: give a sequence of Burn"):
        fitting.region_from(BENCH, BIRCH, "cut", [3], Priors())  # type: ignore[list-item]
