"""Is the posterior what it says? Ranks of known truths drawn from the models' own priors.

    python tests/benchmarks/ranks.py [draws] [first seed]

Parameters are drawn from the prior, burns from the parameters (misreadings included), and the
posterior is asked where the truth lies in it. If every step is right, that share is uniform
between 0 and 1 for each quantity (S. Talts, M. Betancourt, D. Simpson, A. Vehtari, A. Gelman,
"Validating Bayesian inference algorithms with simulation-based calibration", 2018,
arXiv:1804.06788; from memory). The later settings are chosen by what came out before, as in a
workshop, which leaves the ranks uniform.
"""

from __future__ import annotations

import math
import sys

import numpy as np
from scipy import stats

from calib.fit.fits import GradedFit, fit
from calib.fit.model import (
    Draws,
    Response,
    edge_ln_speed,
    parameters_of,
    settings_of,
    shape_of,
)
from calib.fit.priors import MISREAD, CutPrior, GradedPrior
from calib.records import COUPON_CUT_MM, GRADES, Burn, Machine

MACHINE = Machine(
    name="m",
    rated_w=60.0,
    bed_mm=(600.0, 400.0),
    max_speed_mm_s=2000.0,
    acceleration_mm_s2=3000.0,
)
CUT = CutPrior(location=math.log(36.0), speed0_mm_s=24.0)
CHAR = GradedPrior(location=math.log(50.0), speed0_mm_s=24.0)
MARK = GradedPrior(location=math.log(6.0), speed0_mm_s=150.0)
TENTHS = 10


def fit_cut(burns: list[Burn]):
    """The fit of a cut, under the prior that truths are drawn from."""
    return fit(MACHINE, burns, CUT, "cut")


def one_cut(rng: np.random.Generator, sessions: int = 1) -> dict[str, float]:
    """Draw a truth, burn 18 cuts, and say which share of the posterior lies below the truth."""
    scores = rng.standard_normal((1, len(parameters_of(CUT))))
    shape = shape_of(scores, CUT)
    alpha = CUT.location + CUT.location_scale * rng.standard_t(CUT.location_df)
    shared = shape.shared[0] * rng.standard_normal(sessions) if sessions > 1 else np.zeros(1)
    burns: list[Burn] = []
    for setting in _wide():
        burns.append(_cut_burn(rng, shape, alpha, shared, setting, len(burns) % sessions))
    for setting in _near(burns, lambda b: b.through == "through"):
        burns.append(_cut_burn(rng, shape, alpha, shared, setting, len(burns) % sessions))
    found = fit_cut(burns)
    # Of several sessions the common location is asked for, which the next sheet is drawn around.
    points = found.here if sessions == 1 else found.elsewhere
    truth = Draws(shape=shape, location=np.array([alpha]), extra_sd=np.zeros(1), weight=np.ones(1))
    names = ("floor", "exponent", "scatter", "band") + (("shared",) if sessions > 1 else ())
    asked = {name: (getattr(points.shape, name), getattr(shape, name)[0]) for name in names}
    asked["location"] = (points.location, alpha)
    for label, pct, sigmas in (("fastest", 80.0, 2.326), ("half power", 40.0, 0.0)):
        edges = [edge_ln_speed(d, MACHINE, CUT, pct, sigmas) for d in (points, truth)]
        asked[label] = (edges[0], edges[1][0])
    return {name: _share(points.weight, *pair, rng) for name, pair in asked.items()}


def _wide() -> list[tuple[float, float]]:
    return [(p, v) for p in (80.0, 40.0) for v in (8.0, 24.0, 72.0)]


def _near(burns: list[Burn], good) -> list[tuple[float, float]]:
    """Twelve settings between the fastest that worked and the slowest that did not."""
    found = []
    for p in (80.0, 40.0):
        speeds = np.array([b.speed_mm_s for b in burns if b.power_pct == p])
        worked = np.array([good(b) for b in burns if b.power_pct == p])
        low = speeds[worked].max() if worked.any() else speeds.min() / 3.0
        high = speeds[~worked].min() if not worked.all() else speeds.max() * 3.0
        low, high = min(low, high) * 0.9, max(low, high) * 1.1
        found += [(p, float(v)) for v in np.geomspace(low, high, 6)]
    return found


def _cut_burn(rng, shape, alpha, shared, setting, session) -> Burn:
    power, speed = setting
    at = settings_of(MACHINE, [np.array([power]), np.array([speed]), np.ones(1)], CUT, "cut")
    reach = float(shape.critical(at)[0, 0] - alpha - shared[session])
    y = reach + shape.scatter[0] * rng.standard_normal()
    grade = 2 if y > 0 else 1 if y > -shape.band[0] else 0
    if rng.random() < MISREAD:
        grade = int(rng.integers(3))
    return Burn(
        operation="cut",
        power_pct=power,
        speed_mm_s=speed,
        through=("no", "hanging", "through")[grade],
        cut_length_mm=COUPON_CUT_MM,
        session=f"session {session}",
    )


def one_graded(rng: np.random.Generator, response: Response) -> dict[str, float]:
    """As ``one_cut`` for the grades of char or of a mark."""
    prior, operation = (CHAR, "cut") if response == "char" else (MARK, "line_mark")
    shape = shape_of(rng.standard_normal((1, len(parameters_of(prior)))), prior)
    alpha = prior.location + prior.location_scale * rng.standard_t(prior.location_df)
    burns: list[Burn] = []
    speeds = np.geomspace(0.3, 3.0, 3) * prior.speed0_mm_s
    for power, speed in [(p, float(v)) for p in (60.0, 20.0) for v in speeds] * 3:
        at = settings_of(
            MACHINE,
            [np.array([power]), np.array([speed]), np.ones(1), np.array([np.nan])],
            prior,
            response,
        )
        y = shape.critical(at)[0, 0] - alpha
        y += shape.scatter[0] * rng.standard_normal()
        grade = int((y > shape.cuts[0]).sum())
        if rng.random() < MISREAD:
            grade = int(rng.integers(len(GRADES)))
        read = {"through": "through", "char": grade} if response == "char" else {"mark": grade}
        burns.append(Burn(operation=operation, power_pct=power, speed_mm_s=speed, **read))
    return _graded_shares(fit(MACHINE, burns, prior, response), shape, alpha, rng)


def _graded_shares(found: GradedFit, shape, alpha: float, rng) -> dict[str, float]:
    asked = {
        name: (getattr(found.here.shape, name), getattr(shape, name)[0])
        for name in ("exponent", "speed", "scatter")
    }
    asked["location"] = (found.here.location, alpha)
    asked["width"] = (found.here.shape.cuts[:, 3], shape.cuts[0, 3])
    return {name: _share(found.here.weight, *pair, rng) for name, pair in asked.items()}


def _share(weight, values, truth, rng) -> float:
    """Share of the posterior below the truth; ties (both clipped) are broken at random."""
    below = weight[values < truth].sum()
    level = weight[values == truth].sum()
    return float(below + rng.random() * level)


KINDS = {
    "cut": lambda rng: one_cut(rng),
    "cut in two sessions": lambda rng: one_cut(rng, 2),
    "char": lambda rng: one_graded(rng, "char"),
    "mark": lambda rng: one_graded(rng, "mark"),
}


def shares(kind: str, count: int, first: int) -> dict[str, np.ndarray]:
    """Shares below the truth of each quantity, over ``count`` draws."""
    rows = [KINDS[kind](np.random.default_rng([3, seed])) for seed in range(first, first + count)]
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 300_000
    print(f"{count} draws from each prior, seeds from {first}; 18 burns each")
    print("p: chi-squared over tenths and Kolmogorov-Smirnov; many are asked, so a few lie low")
    for kind in KINDS:
        for name, share in shares(kind, count, first).items():
            tenths = np.histogram(share, TENTHS, (0.0, 1.0))[0]
            chi = stats.chisquare(tenths).pvalue
            ks = stats.kstest(share, "uniform").pvalue
            print(f"{kind:20s} {name:11s} p {chi:.3f} {ks:.3f}  {' '.join(map(str, tenths))}")


if __name__ == "__main__":
    main()
