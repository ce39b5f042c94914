"""What the models of cuts and of grades gave before."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
import pytest
import scipy.stats
from boards import CO2, DIODE
from fit_cases import (
    CUT_PRIOR,
    CUT_SCORES,
    GRADED_PRIOR,
    GRADED_SCORES,
    cut,
    few_cut_points,
    few_graded_points,
    marks,
    mixed_burns,
)
from kept_results import same_as_kept
from scipy.special import log_ndtr, ndtr

from calib.fit import cut as cut_model
from calib.fit import cut_fit, engine, graded
from calib.fit.cut import Points
from calib.records import Burn

pytestmark = pytest.mark.usefixtures("fit_afresh")

# The cut model.


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


def test_likelihoods_of_cuts_are_what_they_were() -> None:
    data = cut_model.cut_data(CO2, mixed_burns(), CUT_PRIOR)
    points = few_cut_points()
    location = points.location[:, None] + np.array([-0.3, 0.0, 0.2])
    each = [
        cut_fit.log_chances(points.shape, location, data, CUT_PRIOR, np.array([row]))
        for row in range(len(data.grade))
    ]
    assert min(e.min() / n for e, n in zip(each, data.count, strict=True)) > math.log(0.002 / 3)
    whole = cut_fit.log_chances(points.shape, location, data, CUT_PRIOR)
    assert whole == pytest.approx(np.sum(each, axis=0))
    problem = cut_fit.cut_problem(data, CUT_PRIOR)
    shared = problem.log_likelihood(points.shape, location)
    same_as_kept("cut_likelihoods", [each, shared, problem.informed])


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


def test_points_are_thinned_as_they_were() -> None:
    points = few_cut_points()
    kept = [[p.weight, p.location] for p in (cut_fit.thinned(points, n) for n in (5, 6, 7))]
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
