"""What the engine, its models, regions and what is asked of them gave before."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
import scipy.stats
from boards import BIRCH, CO2, DIODE
from kept_results import same_as_kept
from scipy.special import log_ndtr, ndtr

from calib.errors import InvalidRecord
from calib.fit import consistency, cut_fit, engine, graded, hull, numerics, region, thinning
from calib.fit import cut as cut_model
from calib.fit.cut import Points
from calib.fit.cut_fit import CutFit, CutPoints
from calib.fit.engine import Lattice, Posterior, Problem
from calib.fit.graded import GradedFit
from calib.fit.numerics import LogProduct, even_scores
from calib.fit.priors import CutPrior, GradedPrior
from calib.fit.region import Region
from calib.records import Burn

Array = np.ndarray


@pytest.fixture(autouse=True)
def _afresh() -> Iterator[None]:
    even_scores.cache_clear()
    cut_model._floor_table.cache_clear()
    yield
    even_scores.cache_clear()
    cut_model._floor_table.cache_clear()


def refusal(of: Callable[[], object]) -> str:
    with pytest.raises((InvalidRecord, ValueError)) as caught:
        of()
    return f"{type(caught.value).__name__}: {caught.value}"


def cut(power: float, speed: float, through: str | None, **more: Any) -> Burn:
    return Burn(operation="cut", power_pct=power, speed_mm_s=speed, through=through, **more)  # type: ignore[arg-type]


def line(power: float, speed: float, grade: int | None, **more: Any) -> Burn:
    return Burn(operation="line_mark", power_pct=power, speed_mm_s=speed, mark=grade, **more)


def area(power: float, speed: float, pitch: float, grade: int | None, **more: Any) -> Burn:
    return Burn(
        operation="area_mark", power_pct=power, speed_mm_s=speed, line_pitch_mm=pitch, mark=grade,
        **more,
    )  # fmt: skip


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


# The cut model.

CUT_PRIOR = CutPrior(location=3.0, defects_per_m=0.4)
CUT_SCORES = np.array([
    [-1.2, 0.3, 0.5, -0.7, 1.1, 0.2],
    [0.4, -0.8, -1.5, 1.3, -0.2, -1.0],
    [1.7, 1.4, 0.1, 0.2, 0.6, 2.1],
    [0.0, -9.0, 0.9, -1.8, -1.4, 0.7],
    [-7.0, 0.0, 0.0, 0.0, 0.0, -9.0],
    [7.0, 0.2, -0.3, 0.6, 0.8, 9.0],
])  # fmt: skip


def mixed_burns() -> list[Burn]:
    return [
        cut(80, 20, "through"), cut(80, 20, "through"), cut(60, 12, "hanging", passes=2),
        cut(30, 25, "no", count=3), cut(70, 15, None), line(20, 100, 2),
        cut(50, 14, "through", sitting="b", cut_length_mm=300.0),
        cut(50, 14, "hanging", sitting="b", cut_length_mm=150.0),
        cut(90, 16, "through", source="job", count=70, cut_length_mm=900.0),
        cut(40, 30, "no", sitting="b", source="check_strip"),
        cut(40, 31, "no", sitting="c"),
    ]  # fmt: skip


def test_cut_burns_as_arrays_are_what_they_were() -> None:
    kept = [
        cut_model.cut_data(machine, burns, CUT_PRIOR)
        for machine, burns in ((CO2, mixed_burns()), (DIODE, mixed_burns()[:4]), (CO2, []))
    ]
    backwards = cut_model.cut_data(CO2, mixed_burns()[::-1], CUT_PRIOR)
    for field in ("grade", "count", "length_ratio", "group"):
        assert (getattr(backwards, field) == getattr(kept[0], field)).all()
    same_as_kept("cut_data", kept)


def test_shapes_of_cuts_are_what_they_were() -> None:
    found = cut_model.shape_of(CUT_SCORES, CUT_PRIOR)
    assert found.exponent[3] == 0.3  # no less
    beta = scipy.stats.beta.ppf(ndtr(CUT_SCORES[:3, 0]), 3.0, 12.0)
    assert found.floor[:3] == pytest.approx(beta, abs=1e-5)
    half = scipy.stats.halfnorm.ppf(ndtr(CUT_SCORES[:4, 5]), scale=0.05)
    assert found.shared[:4] == pytest.approx(half, rel=1e-6)
    wide = cut_model.shape_of(CUT_SCORES, replace(CUT_PRIOR, floor_a=0.02, floor_b=0.02))
    kept = [{f.name: getattr(s, f.name) for f in fields(s)} for s in (found, wide)]
    tails = [s.floor[-2:] * [1e6, 1] for s in (found, wide)]
    same_as_kept("cut_shapes", [kept, tails, found.shared[-2:] * [1e9, 1]])


def settings(power: Sequence[float], speed: Sequence[float], passes: Sequence[float]) -> Points:
    columns = [np.asarray(c, dtype=float) for c in (power, speed, passes)]
    return cut_model.points_of(CO2, columns, 10.0)


AT = settings((80.0, 60.0, 100.0, 40.0), (20.0, 12.0, 8.0, 14.0), (1, 2, 1, 1))


def test_edges_of_cuts_are_what_they_were() -> None:
    shape = cut_model.shape_of(CUT_SCORES, CUT_PRIOR)
    critical = cut_model.critical_location(shape, AT)
    ln_power = AT.ln_full + shape.exponent * AT.ln_share[1]
    # Solved for the speed, the edge gives the speed back.
    back = cut_model.edge_speed_ratio(shape, critical[:, 1], ln_power, float(AT.ln_passes[1]))
    assert back == pytest.approx(np.full(6, AT.speed_ratio[1]))
    none = cut_model.edge_speed_ratio(shape, critical[:, 1] + 9.0, ln_power, 0.0)
    assert (none == 0.0).all()
    same_as_kept("cut_edges", [AT, critical])


def few_cut_points(spread: float = 0.0) -> CutPoints:
    shape = cut_model.shape_of(CUT_SCORES, CUT_PRIOR)
    return CutPoints(
        shape=shape,
        location=np.array([3.1, 3.3, 2.9, 3.0, 3.2, 3.05]),
        extra_sd=spread * np.array([1.0, 2.0, 0.5, 1.0, 0.0, 1.5]),
        weight=np.array([0.3, 0.1, 0.2, 0.15, 0.05, 0.2]),
    )


def test_likelihoods_of_cuts_are_what_they_were() -> None:
    data = cut_model.cut_data(CO2, mixed_burns(), CUT_PRIOR)
    points = few_cut_points()
    location = points.location[:, None] + np.array([-0.3, 0.0, 0.2])
    each = [
        cut_fit._log_chances(points.shape, location, data, CUT_PRIOR, np.array([row]))
        for row in range(len(data.grade))
    ]
    assert min(e.min() / n for e, n in zip(each, data.count, strict=True)) > math.log(0.002 / 3)
    whole = cut_fit._log_likelihood(points.shape, location, data, CUT_PRIOR)
    alone = cut_model.cut_data(CO2, mixed_burns()[:4], CUT_PRIOR)
    assert cut_fit._log_likelihood(points.shape, location, alone, CUT_PRIOR) == pytest.approx(
        cut_fit._log_chances(points.shape, location, alone, CUT_PRIOR, np.arange(3))
    )
    shared = cut_fit._shared_chances(points.shape, location, data, CUT_PRIOR, 1)
    far = cut_fit._shared_chances(points.shape, location + 9.0, data, CUT_PRIOR, 3)
    kept = [each, whole, shared, np.log(far), [cut_fit._informed(d) for d in (data, alone)]]
    once = cut_model.cut_data(CO2, mixed_burns()[:2], CUT_PRIOR)
    kept.append(cut_fit._informed(once))
    same_as_kept("cut_likelihoods", kept)


def test_chances_of_cuts_are_what_they_were() -> None:
    sure, spread = few_cut_points(), few_cut_points(0.08)
    kept = {
        "reach": cut_fit.reach(sure, AT),
        "coupon": [cut_fit.coupon_chance(p, AT) for p in (sure, spread)],
        "job": [cut_fit.job_chance(p, AT, n) for p in (sure, spread) for n in (1.0, 30.0)],
        "grades": cut_fit.grade_chances(sure, AT),
        "speed": [
            cut_fit.edge_ln_speed(p, (AT.ln_full, share), 10.0, sigmas)
            for p in (sure,) for share, sigmas in ((0.0, 0.0), (-0.3, 2.0), (-3.0, 1.0))
        ],
    }  # fmt: skip
    plain = (cut_fit.reach(sure, AT)) / sure.shape.scatter[:, None]
    assert kept["job"][1] == pytest.approx(sure.weight @ np.exp(30 * log_ndtr(plain)))  # type: ignore[index]
    assert kept["grades"].sum(axis=0) == pytest.approx(np.ones((6, 4)))  # type: ignore[attr-defined]
    same_as_kept("cut_chances", kept)


def told_points(points: CutPoints) -> dict[str, object]:
    shape = {f.name: getattr(points.shape, f.name) for f in fields(points.shape)}
    mean = {name: points.weight @ value for name, value in shape.items()}
    return {"points": points.weight, "mean": mean, "location": points.location,
            "moments": [points.weight @ points.location**p for p in (1, 2)],
            "extra": points.extra_sd}  # fmt: skip


def test_sheets_of_one_and_of_several_sittings_are_what_they_were(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    points = few_cut_points()
    found = Posterior(scores=CUT_SCORES, location=points.location, weight=points.weight,
                      location_sd=0.1, effective=6.0)  # fmt: skip
    many = cut_model.cut_data(CO2, mixed_burns(), CUT_PRIOR)
    one = cut_model.cut_data(CO2, mixed_burns()[:4], CUT_PRIOR)
    kept = [told_points(p) for data in (one, many) for p in cut_fit._sheets(found, data, CUT_PRIOR)]
    monkeypatch.setattr(cut_fit, "_THINNED", 50)
    kept.append(told_points(cut_fit._mixture(points, many, CUT_PRIOR)))
    kept += [told_points(cut_fit.thinned(points, n)) for n in (5, 6, 7)]
    same_as_kept("cut_sheets", kept)


def test_cut_fits_are_what_they_were() -> None:
    found = cut_fit.fit_cut(CO2, mixed_burns()[:4], CUT_PRIOR)
    chances = [cut_fit.coupon_chance(p, AT) for p in (found.here, found.elsewhere)]
    same_as_kept("cut_fits", [found.learned, found.effective / 1e3, chances])


def test_cut_fits_of_two_sittings_are_what_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "POINTS", 600)
    found = cut_fit.fit_cut(CO2, mixed_burns()[6:8] + mixed_burns()[:3], CUT_PRIOR)
    chances = [cut_fit.coupon_chance(p, AT) for p in (found.here, found.elsewhere)]
    same_as_kept("cut_fits_of_two", [found.learned, found.effective / 1e3, chances])


# Graded responses.

GRADED_PRIOR = GradedPrior(location=2.6)
GRADED_SCORES = np.array([
    [0.2, -0.5, 1.1, 0.4, -0.3, 0.9, 0.1, -1.2],
    [-1.0, 0.7, -0.4, -1.1, 0.6, 0.2, -0.8, 0.5],
    [-9.0, -9.0, 0.3, 0.8, 1.4, -0.6, 1.3, -9.0],
    [0.5, 0.1, -1.3, 0.2, -0.9, 0.4, 0.0, 0.6],
])  # fmt: skip


def marks() -> list[Burn]:
    return [
        area(20, 100, 0.1, 2), area(20, 100, 0.1, 2, count=2), area(30, 200, 0.2, 1),
        area(60, 100, 0.1, 4), area(10, 300, 0.2, 0, passes=2), line(20, 90, 3), line(25, 80, None),
    ]  # fmt: skip


def charred() -> list[Burn]:
    return [
        cut(80, 20, "through", char=2), cut(60, 12, "hanging", char=1), cut(30, 25, "no", char=3),
        cut(70, 12, "through"), cut(90, 9, "through", char=4, passes=2),
    ]  # fmt: skip


def test_graded_rows_and_shapes_are_what_they_were() -> None:
    shape = graded.graded_shape(GRADED_SCORES, GRADED_PRIOR)
    assert [shape.exponent[2], shape.speed[2], shape.pitch[2]] == [0.3, 0.05, 0.0]  # no less
    kept = [shape]
    for burns, response in ((marks(), "mark"), (charred(), "char"), (marks()[-1:], "mark")):
        at, grade, count = graded.graded_rows(CO2, burns, GRADED_PRIOR, response)  # type: ignore[arg-type]
        kept.append([at, grade, count, graded.informed_by(at)])  # type: ignore[arg-type]
        if len(grade):
            location = np.array([[2.4, 2.8], [2.5, 2.6], [2.2, 2.9], [2.6, 2.7]])
            kept.append(graded.critical_location(shape, at))  # type: ignore[arg-type]
            kept.append(graded._log_likelihood(shape, location, at, grade, count))  # type: ignore[arg-type]
            none = graded._log_likelihood(shape, location + 30.0, at, grade, count)
            assert none.min() > len(grade) * 3 * math.log(0.002 / 5)
    same_as_kept("graded_rows", kept)


def few_graded_points() -> GradedFit:
    return GradedFit(
        prior=GRADED_PRIOR,
        shape=graded.graded_shape(GRADED_SCORES, GRADED_PRIOR),
        location=np.array([2.5, 2.9, 2.7, 2.6]),
        weight=np.array([0.4, 0.1, 0.3, 0.2]),
        learned={"edge": 0.5},
        readings=3,
    )


def test_graded_chances_are_what_they_were() -> None:
    fit = few_graded_points()
    at, _, _ = graded.graded_rows(CO2, marks(), GRADED_PRIOR, "mark")
    chances = graded.chances_by_point(fit, at)
    assert chances.sum(axis=0) == pytest.approx(np.ones(chances.shape[1:]))
    thin = [graded.thinned(fit, n) for n in (3, 4, 5)]
    kept = [chances, graded.grade_chances(fit, at), thin]
    same_as_kept("graded_chances", kept)


def test_graded_fits_are_what_they_were() -> None:
    kept = []
    for burns, response in ((marks(), "mark"), (charred(), "char")):
        found = graded.fit_graded(CO2, burns, GRADED_PRIOR, response)  # type: ignore[arg-type]
        at, _, _ = graded.graded_rows(CO2, burns, GRADED_PRIOR, response)  # type: ignore[arg-type]
        kept.append([found.learned, found.readings, graded.grade_chances(found, at)])
    same_as_kept("graded_fits", kept)


# Hulls.

BURNT = [(80, 10), (40, 20), (80, 40), (40, 10), (60, 20), (40, 40), (60, 10), (80, 10)]


def test_hulls_and_their_speeds_are_what_they_were() -> None:
    sets = {"square": BURNT, "none": [], "one": [(50, 9)], "two": [(50, 9), (60, 12)],
            "line": [(50, 10), (50, 20), (50, 40)], "triangle": [(30, 50), (90, 8), (60, 100)],
            "slope": [(20, 10), (40, 20), (80, 40)]}  # fmt: skip
    kept = {}
    for name, points in sets.items():
        found = hull.burnt_hull(points)
        speeds = [hull.speed_range(found, p) for p in (29, 30, 40, 50, 55, 60, 80, 81, 90)]
        kept[name] = [found, speeds]
    same_as_kept("hulls", kept)


def test_a_hair_outside_the_hull_counts_as_on_it() -> None:
    found = hull.burnt_hull(BURNT)
    hairs = (1e-8, 1e-10, 0.0, -1e-10, -1e-8)
    slow = [hull.inside(found, 50, 10 * (1 - h)) for h in hairs]
    fast = [hull.inside(found, 50, 40 * (1 + h)) for h in hairs]
    weak = [hull.inside(found, 40 * (1 - h), 20) for h in hairs]
    strong = [hull.inside(found, 80 * (1 + h), 20) for h in hairs]
    assert slow == fast == weak == strong == [False, True, True, True, True]
    assert not hull.inside(hull.burnt_hull([]), 50, 10)
    # Two powers that differ by a hair are one column.
    thin = np.log([[50.0, 10.0], [50.0 * (1 + 5e-10), 20.0]])
    assert hull.speed_range(thin, 50.0) == pytest.approx((10.0, 20.0))
    wide = np.log([[50.0, 10.0], [50.0 * (1 + 5e-9), 20.0]])
    assert hull.speed_range(wide, 50.0) == pytest.approx((10.0, 10.0))
    assert len(hull.burnt_hull([(50, 10), (60, 10 * (1.2 + 1e-12)), (72, 14.4)])) == 2


# Regions.


def cut_region(**more: Any) -> Region:
    fit = CutFit(prior=CUT_PRIOR, here=few_cut_points(), elsewhere=few_cut_points(0.08),
                 learned={"edge": 0.4}, effective=6.0)  # fmt: skip
    burns = tuple(b for b in mixed_burns() if b.operation == "cut")
    given: dict[str, Any] = {
        "machine": CO2, "sheet": BIRCH, "operation": "cut", "burns": burns, "edge": "bracketed",
        "defects_per_m": 0.4, "cut": fit, "char": few_graded_points(), "mark": None,
        "hulls": region.burnt_hulls(burns),
    }  # fmt: skip
    return Region(**(given | more))


def mark_region(operation: str = "area_mark", **more: Any) -> Region:
    given: dict[str, Any] = {
        "operation": operation, "cut": None, "char": None, "mark": few_graded_points(),
        "burns": tuple(marks()[:5]), "hulls": region.burnt_hulls(marks()[:5]),
    }  # fmt: skip
    return cut_region(**(given | more))


def test_what_regions_answer_is_what_it_was() -> None:
    of = cut_region()
    grid = (np.array([[80.0], [50.0]]), np.array([8.0, 20.0, 33.0]))
    kept: dict[str, object] = {
        "through": of.chance_through(*grid),
        "one": of.chance_through(60, 12),
        "twice": of.chance_through(*grid, 2),
        "job": [of.chance_through(60, 12, cut_length_mm=n) for n in (56.0, 560.0)],
        "next": of.chance_through(*grid, next_sheet=True),
        "next job": of.chance_through(60, 12, 2, 560.0, True),
        "reach": of.median_reach(*grid),
        "char": [of.chance_char_at_most(g, *grid) for g in range(5)],
        "expected": of.expected_char(*grid, 2),
        "worth": of.mean_over_char((0.0, 1.0, 5.0, 9.0, 30.0), 60, 12),
        "learned": of.learned,
        "hulls": of.hulls,
        "empty": of.chance_through(np.zeros((0, 3)) + 1.0, 8.0),
    }
    tested = [of.tested(*s) for s in ((60, 16), (60, 16, 2), (60, 12, 2), (95, 16), (60, 5, 3))]
    kept["tested"] = tested
    assert np.isscalar(kept["one"])
    assert np.shape(kept["empty"]) == (0, 3)
    same_as_kept("region_cuts", kept)


def test_what_regions_of_marks_answer_is_what_it_was() -> None:
    areas, lines = mark_region(), mark_region("line_mark")
    speeds = np.array([50.0, 150.0, 400.0])
    kept = {
        "areas": [areas.chance_mark(g, 20, speeds, 1, 0.15) for g in range(5)],
        "pitches": areas.chance_mark(2, 20, 100, 2, [0.1, 0.2]),
        "at most": [areas.chance_mark_at_most(g, 20, speeds, 1, 0.1) for g in range(5)],
        "lines": [lines.chance_mark(g, 20, speeds) for g in range(5)],
        "lines at most": lines.chance_mark_at_most(3, 20, speeds, 2),
        "learned": areas.learned,
    }
    assert kept["at most"][4] == pytest.approx(np.ones(3))  # type: ignore[index]
    same_as_kept("region_marks", kept)


def test_what_regions_refuse_is_what_it_was() -> None:
    cuts, areas = cut_region(), mark_region()
    kept = [
        refusal(lambda: areas.chance_through(60, 12)),
        refusal(lambda: areas.chance_char_at_most(1, 60, 12)),
        refusal(lambda: areas.expected_char(60, 12)),
        refusal(lambda: cuts.chance_mark(1, 60, 12)),
        refusal(lambda: areas.chance_mark(1, 20, 100)),
        refusal(lambda: cuts.chance_through(0, 12)),
        refusal(lambda: cuts.chance_through(60, [12.0, -1.0])),
        refusal(lambda: cuts.chance_through(60, 12, 0)),
        refusal(lambda: cuts.chance_through(math.nan, 12)),
        refusal(lambda: areas.chance_mark(1, 20, 100, 1, 0.0)),
        *(
            refusal(lambda n=n: cuts.chance_through(60, 12, cut_length_mm=n))
            for n in (0, -5.0, math.inf)
        ),
        *(refusal(lambda g=g: cuts.chance_char_at_most(g, 60, 12)) for g in (-1, 5, True, 1.5)),
    ]
    same_as_kept("region_refusals", kept)
    assert np.isfinite(areas.chance_mark(1, 20, 100, 1, [0.1, math.nan])).all()
    assert cuts.chance_through(60, 12, cut_length_mm=0.5) > cuts.chance_through(60, 12)


def test_regions_are_asked_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    same_as_kept("region_parts", [region._parts(9, n) for n in (0, 1, 500_000, 1_000_000, 9e6)])
    of, speeds = cut_region(), np.linspace(5.0, 40.0, 11)
    whole = [of.chance_through(80, speeds), of.expected_char(80, speeds)]
    seen: list[int] = []
    plain = cut_fit.coupon_chance
    monkeypatch.setattr(cut_fit, "coupon_chance",
                        lambda p, at: seen.append(len(at.ln_share)) or plain(p, at))  # fmt: skip
    rows: list[int] = []
    chances = graded.grade_chances
    monkeypatch.setattr(graded, "grade_chances",
                        lambda f, at: rows.append(len(at.ln_share)) or chances(f, at))  # fmt: skip
    monkeypatch.setattr(region, "_BLOCK", 60)
    parts = [of.chance_through(80, speeds), of.expected_char(80, speeds)]
    assert np.array(parts) == pytest.approx(np.array(whole))
    assert (seen, rows) == ([10, 1], [3, 3, 3, 2])


def test_medians_are_weighted() -> None:
    values = np.array([[3.0, 1.0], [1.0, 2.0], [2.0, 3.0], [4.0, 4.0]])
    assert list(region._weighted_median(values, np.array([0.2, 0.3, 0.2, 0.3]))) == [2.0, 2.0]
    assert list(region._weighted_median(values, np.array([2.0, 2.0, 1.0, 1.0]))) == [2.0, 2.0]
    assert list(region._weighted_median(values, np.array([0.0, 0.0, 9.0, 1.0]))) == [2.0, 3.0]
    assert list(region._weighted_median(values, np.array([0.25, 0.25, 0.25, 0.25]))) == [2.0, 2.0]


# Thinning and consistency.


def many_points(fit: Any, times: int) -> Any:
    """The same points over and over."""
    shape = type(fit.shape)(**{
        f.name: np.repeat(getattr(fit.shape, f.name), times, axis=0) for f in fields(fit.shape)
    })
    more = {"shape": shape, "location": np.repeat(fit.location, times),
            "weight": np.repeat(fit.weight, times) / times}  # fmt: skip
    if isinstance(fit, CutPoints):
        more["extra_sd"] = np.repeat(fit.extra_sd, times)
    return replace(fit, **more)


def test_regions_are_thinned_to_what_a_look_needs() -> None:
    of = cut_region()
    assert of.cut is not None
    long = replace(of.cut, here=many_points(of.cut.here, 300),
                   elsewhere=many_points(of.cut.elsewhere, 300))  # fmt: skip
    wide = replace(of, cut=long, char=many_points(of.char, 400), mark=many_points(of.char, 400))
    thin = thinning.thinned_region(wide)
    found = [len(f.weight) for f in (thin.cut.here, thin.cut.elsewhere, thin.char, thin.mark)]  # type: ignore[union-attr]
    assert found == [1500] * 4
    assert thin.chance_through(60, 12) == pytest.approx(of.chance_through(60, 12), abs=0.005)
    few = thinning.thinned_region(mark_region(), 3)
    assert few.cut is few.char is None
    assert few.mark is not None
    assert len(few.mark.weight) == 3
    none = thinning.thinned_region(replace(mark_region(), mark=None, char=few.mark), 2)
    assert none.mark is None
    assert none.char is not None
    assert len(none.char.weight) == 2


def test_readings_and_their_chances_are_what_they_were() -> None:
    of = cut_region()
    assert of.cut is not None
    chances = consistency.read_chances(of)
    assert chances.sum(axis=0) == pytest.approx(np.ones(len(of.burns)))
    lines = mark_region("line_mark", burns=tuple(marks()[5:]))
    kept = [chances, *(consistency.read_chances(r) for r in (mark_region(), lines))]
    grade = np.array([consistency._grade(b) for b in of.burns])
    grades = [consistency._grade(b) for b in (*marks(), *mixed_burns())]
    kept += [consistency.surprise(chances, grade), grades]
    same_as_kept("read_chances", kept)


def test_how_many_points_readings_are_judged_on(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[int] = []
    plain = cut_fit.thinned
    for place in (consistency, cut_fit):
        monkeypatch.setattr(place, "thinned", lambda p, n: seen.append(n) or plain(p, n))
    of = cut_region()
    consistency.read_chances(of)
    of.median_reach(60, 12)
    assert seen == [2000, 4000]


def test_scores_of_trends_are_what_they_were() -> None:
    residual = np.array([-0.5, 0.1, 0.4, -0.2, 0.6, 0.3])
    place = np.array([0.0, 1.0, 2.0, 3.0, 5.0, 8.0])
    assert consistency.trend_z(residual, np.ones(6)) == 0.0
    assert consistency.trend_z(np.zeros(6), place) == 0.0
    assert consistency.trend_z(residual, -place) == -consistency.trend_z(residual, place)
    same_as_kept("trend_scores", [consistency.trend_z(residual, place), consistency._TREND_Z])
    # Two-sided, one board in a hundred.
    assert 2 * ndtr(-consistency._TREND_Z) == pytest.approx(0.01, rel=1e-2)


def told_odd(
    monkeypatch: pytest.MonkeyPatch, z: float, burns: Sequence[Burn], chance: float = 0.5
) -> list[str]:
    grades = np.full((5, len(burns)), 0.5)
    grades[:, -1] = chance
    monkeypatch.setattr(consistency, "trend_z", lambda residual, variable: z)
    monkeypatch.setattr(consistency, "read_chances", lambda of: grades)
    return consistency.inconsistencies(cut_region(burns=tuple(burns)))


def test_contradictions_are_said_as_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    placed = [
        cut(60, 10 + n, "through", burn_order=n + 1, x_mm=9.0 * n if n else 0.0, y_mm=3.0 * n)
        for n in range(6)
    ]
    unplaced = [*placed[:5], replace(placed[5], x_mm=None)]
    marked = [line(20, 90.5 + n, n % 5, burn_order=n + 1) for n in range(7)]
    kept = {
        "five": told_odd(monkeypatch, 9.0, placed[:5]),
        "six": told_odd(monkeypatch, 9.0, placed),
        "six down": told_odd(monkeypatch, -9.0, placed),
        "unplaced": told_odd(monkeypatch, 9.0, unplaced),
        "below": told_odd(monkeypatch, 2.5759, placed),
        "above": told_odd(monkeypatch, 2.5761, placed),
        "unlikely": told_odd(monkeypatch, 0.0, placed, 0.0049),
        "likely": told_odd(monkeypatch, 0.0, placed, 0.0051),
        "marks": told_odd(monkeypatch, 0.0, marked, 0.001),
    }
    assert kept["five"] == []
    same_as_kept("contradictions", kept)


def test_trends_are_found_in_burns_of_a_made_up_board() -> None:
    """Through on the left, not on the right, whatever the setting: nothing else is said."""
    burns = tuple(
        cut(58.0, 14.0, "through" if n % 8 < 4 else "no", x_mm=10.0 * (n % 8), y_mm=5.0 * (n % 3))
        for n in range(24)
    )
    same_as_kept("trend_left_to_right", consistency.inconsistencies(cut_region(burns=burns)))


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
