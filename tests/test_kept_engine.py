"""What the engine of fits and its numbers gave before."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
import scipy.stats
from fit_cases import refusal
from kept_results import Array, same_as_kept

from calib.fit import consistency, cut_fit, engine, numerics, region
from calib.fit import cut as cut_model
from calib.fit.engine import Lattice, Posterior, Problem
from calib.fit.numerics import LogProduct, even_scores

pytestmark = pytest.mark.usefixtures("fit_afresh")

# Numerics.


def test_even_points_are_what_they_were() -> None:
    kept = [even_scores(7, 8), even_scores(500, 8), even_scores(2, 1)]
    assert kept[1].mean(axis=0) == pytest.approx(np.zeros(8), abs=1e-12)
    assert kept[1].std(axis=0) == pytest.approx(np.ones(8))
    with pytest.raises(ValueError, match="read-only"):
        kept[0][0, 0] = 1.0
    same_as_kept("even_scores", [*kept, refusal(lambda: even_scores(5, 9))])


def test_students_density_is_scipys() -> None:
    x = np.array([-3.0, 0.1, 0.7, 30.0])
    found = numerics.log_student_t(x, 0.4, 0.25, 4.5)
    assert found == pytest.approx(scipy.stats.t.logpdf(x, 4.5, 0.4, 0.25))


@pytest.mark.parametrize("counts", [(1, 2, 0.5), (64, 1), (65, 3), (200, 1, 63, 2), (40, 40), ()])
def test_logs_of_products_are_sums(counts: Sequence[float]) -> None:
    chances = np.array([0.5, 0.9, 1e-3])
    product = LogProduct((3,))
    for n, count in enumerate(counts):
        product.times(chances / (n + 1), float(count))
    wanted = sum((c * np.log(chances / (n + 1)) for n, c in enumerate(counts)), np.zeros(3))
    assert product.log() == pytest.approx(wanted)
    assert product.log() == pytest.approx(wanted)  # asking changes nothing


def test_products_are_flushed_before_they_vanish(monkeypatch: pytest.MonkeyPatch) -> None:
    logs: list[int] = []
    plain = LogProduct._flush
    monkeypatch.setattr(LogProduct, "_flush", lambda self: logs.append(1) or plain(self))
    product = LogProduct((1,))
    seen = []
    for count in (1.0, 63.0, 1.0, 64.0, 65.0, 1.0):
        product.times(np.array([0.002]), count)
        seen.append((len(logs), product._waiting))
    assert seen == [(0, 1.0), (0, 64.0), (1, 1.0), (2, 64.0), (2, 64.0), (3, 1.0)]


# Engine.


def toy(**more: Any) -> Problem:
    """Burns whose edges lie about one location, all normal: what is left of two shapes."""
    edges = np.array([3.1, 2.8, 3.4, 3.0])
    lean = np.array([0.2, -0.1, 0.4, 0.0])
    sigma = 0.15

    def critical(shape: Array) -> Array:
        return edges - shape[:, :1] * lean

    def log_likelihood(shape: Array, location: Array) -> Array:
        z = (critical(shape)[:, None, :] - location[:, :, None]) / sigma
        return -0.5 * (z**2).sum(axis=2)

    given: dict[str, Any] = {
        "dimensions": 2,
        "informed": (0,),
        "shape_of": lambda scores: scores,
        "critical": critical,
        "scatter": lambda shape: np.exp(np.log(sigma) + 0.1 * shape[:, 1]),
        "log_likelihood": log_likelihood,
        "location_prior": (2.5, 0.4, 4.0),
    }
    return Problem(**(given | more))


def unburnt() -> Problem:
    return toy(
        critical=lambda shape: np.zeros((len(shape), 0)),
        log_likelihood=lambda shape, location: np.zeros(location.shape),
    )


def moments(found: Posterior) -> dict[str, object]:
    mean = found.weight @ found.scores
    return {
        "location": [found.weight @ found.location, found.weight @ found.location**2],
        "scores": [mean, found.weight @ (found.scores - mean) ** 2],
        "sd": found.location_sd,
        "effective": found.effective,
    }


def test_the_engine_is_right_where_all_is_normal() -> None:
    """The posterior of a linear model under normal priors has a closed form."""
    found = engine.solve(toy(location_prior=(2.5, 0.4, 1e9)))
    edges, lean = np.array([3.1, 2.8, 3.4, 3.0]), np.array([0.2, -0.1, 0.4, 0.0])
    design = np.column_stack([np.ones(4), lean])  # edges = α + lean × score + error
    precision = design.T @ design / 0.15**2 + np.diag([1 / 0.4**2, 1.0])
    mean = np.linalg.solve(precision, design.T @ edges / 0.15**2 + [2.5 / 0.4**2, 0.0])
    covariance = np.linalg.inv(precision)
    told = moments(found)
    location, scores = told["location"], told["scores"]
    assert location[0] == pytest.approx(mean[0], abs=2e-3)  # type: ignore[index]
    spread = location[1] - location[0] ** 2  # type: ignore[index]
    assert spread == pytest.approx(covariance[0, 0], rel=0.01)
    assert scores[0] == pytest.approx([mean[1], 0.0], abs=5e-3)  # type: ignore[index]
    assert scores[1] == pytest.approx([covariance[1, 1], 1.0], rel=0.02)  # type: ignore[index]


def test_posteriors_are_what_they_were() -> None:
    found = {"burnt": engine.solve(toy()), "unburnt": engine.solve(unburnt())}
    both = engine.solve(toy(informed=(1, 0), location_prior=(4.0, 0.2, 4.0)))
    kept: dict[str, object] = {name: moments(f) for name, f in found.items()}
    kept["both"] = moments(both)
    kept["unburnt points"] = len(found["unburnt"].weight)
    for f in (*found.values(), both):
        assert f.weight.sum() == pytest.approx(1.0)
    # With no burn, the prior comes out: Student's t of 4 degrees has a variance of 2 scales².
    assert found["unburnt"].location_sd == pytest.approx(0.4 * math.sqrt(2.0), rel=0.05)
    same_as_kept("engine_posteriors", kept)


def test_lattices_brackets_and_weights_are_what_they_were() -> None:
    scores = even_scores(70, 2)
    kept: dict[str, object] = {}
    far = toy(location_prior=(0.5, 0.2, 4.0))
    for name, problem in {"burnt": toy(), "unburnt": unburnt(), "far": far}.items():
        plain = engine._plain_lattice(problem, scores)
        location, mass = engine._weigh(problem, plain, scores)
        fitted = engine._fitted_lattice(plain, problem, scores, location, mass)
        critical = problem.critical(problem.shape_of(scores))
        kept[name] = [
            plain,
            engine._bracket(problem, plain, scores),
            location,
            np.exp(mass - mass.max()),
            fitted,
            fitted.centres(problem, scores[:3], critical[:3]),
            fitted.units(scores[:3]),
            engine._bracket(problem, fitted, scores[:5]),
            engine._weigh(problem, fitted, scores[:2])[0].shape,
        ]
    same_as_kept("engine_lattices", kept)


def test_nodes_are_neither_few_nor_many() -> None:
    scores = even_scores(40, 2)

    def nodes(step: float) -> int:
        lattice = Lattice(np.zeros(3), np.array([math.log(0.1), 0.05, 0.0]), step)
        return engine._weigh(toy(), lattice, scores)[0].shape[1]

    same_as_kept("engine_nodes", [nodes(s) for s in (0.01, 0.1, 0.25, 0.4, 0.8, 9.0)])


def test_second_passes_cover_what_they_did() -> None:
    scores = even_scores(50, 2)
    mean, factor = engine._fitted_normal(scores, -2.0 * (scores[:, 0] - 0.4) ** 2)
    kept: list[object] = [mean, factor]
    kept.append(engine._fitted_normal(scores, np.where(np.arange(50) == 3, 0.0, -50.0)))
    kept.append(engine._spread_scores(toy(), 9, mean[:1], factor[:1, :1]))
    three = toy(dimensions=3, informed=(2, 0))
    kept.append(engine._spread_scores(three, 9, mean, factor))
    kept.append(engine._spread_scores(toy(informed=(0, 1)), 9, mean, factor))
    # Of one point, the share of prior that keeps it from being none, and 1.2 times.
    assert kept[2][1] == pytest.approx(1.2 * 0.01 * np.eye(2))  # type: ignore[index]
    same_as_kept("engine_second_pass", kept)


def test_points_are_trimmed_as_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    place = np.arange(40.0).reshape(8, 5)
    weight = np.exp(-0.5 * ((place % 7) - 2.0) ** 2 - 0.3 * (place % 11))
    weight /= weight.sum()
    location = 3.0 + np.sin(2.0 * place)
    scores = even_scores(8, 2)
    kept: list[object] = [engine._trimmed(scores, location, weight)]
    monkeypatch.setattr(engine, "_MOST_POINTS", 12)
    kept.append(engine._trimmed(scores, location, weight))
    monkeypatch.setattr(engine, "_MOST_POINTS", len(kept[0].weight))  # type: ignore[attr-defined]
    assert engine._trimmed(scores, location, weight).weight == pytest.approx(kept[0].weight)  # type: ignore[attr-defined]
    flats = [np.array(f) for f in ([0.5, 0.3, 0.2], [1.0, 1e-11, 1e-13], [0.6, 0.39, 0.00999, 9e-6],
                                   [0.2, 0.8 - 2e-5, 2e-5], [1.0, 0.0])]  # fmt: skip
    kept += [engine._heaviest(f / f.sum()) for f in flats]
    same_as_kept("engine_trimmed", kept)


def test_draws_of_even_weight_are_what_they_were() -> None:
    weight, location = np.array([0.1, 0.35, 0.05, 0.3, 0.2]), np.array([2.0, 1.0, 5.0, 3.0, 3.0])
    kept = [engine.systematic(weight * times, location, n) for times, n in
            ((1.0, 1), (1.0, 7), (3.0, 40), (1.0, 2))]  # fmt: skip
    assert np.bincount(kept[2], minlength=5) == pytest.approx(weight * 40)
    same_as_kept("engine_systematic", kept)


def test_what_was_learned_is_what_it_was() -> None:
    scores = even_scores(6, 2)
    weight = np.array([0.3, 0.1, 0.2, 0.15, 0.05, 0.2])
    found = Posterior(scores=scores, location=scores[:, 0], weight=weight, location_sd=0.3,
                      effective=5.0)  # fmt: skip
    kept = [engine.learned(found, ("a", "b"), (1.0, 0.4, df)) for df in (4.0, 2.5, 2.0, 1.0)]
    assert kept[0]["edge"] == pytest.approx(0.3 / (0.4 * math.sqrt(2.0)))
    assert kept[2]["edge"] == kept[3]["edge"] == 0.0  # such a prior has no spread
    same_as_kept("engine_learned", kept)


# Constants.


def test_the_constants_of_fits_are_what_they_were() -> None:
    names = {
        engine: ("FIRST_PASS_POINTS", "POINTS", "NODES", "_FIRST_STEP", "_STEP", "_WIDEST", "_DEEP",
                 "_FARTHEST", "_SCOUTS", "_KEPT_SHARE", "_MOST_POINTS", "_INFLATION"),
        cut_fit: ("SHARED_NODES", "SHARED_WEIGHTS", "_THINNED"),
        region: ("_MEDIAN_POINTS", "_BLOCK"),
        consistency: ("_TREND_Z", "_FEWEST", "_ENOUGH_POINTS", "_ODD_CHANCE"),
        numerics: ("_BASES",),
        cut_model: ("_TABLE_SCORES",),
    }  # fmt: skip
    kept = [{name: getattr(place, name) for name in given} for place, given in names.items()]
    same_as_kept("fit_constants", kept)
