"""What the pooling of a logbook gave before: coarse posteriors, summaries, kin and priors."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, fields, replace

import numpy as np
import pytest
from kept_results import same_as_kept
from scipy.special import ndtr, ndtri
from scipy.stats import beta as beta_of
from scipy.stats import norm

from calib.errors import InvalidRecord
from calib.fit import another_speed, coarse, kinship, pooled_prior, shape_scores
from calib.fit.coarse import Draws, Frame, Moments, Ordinal
from calib.fit.expectation import char_prior, cut_prior, expected_priors, mark_prior
from calib.fit.numerics import even_scores
from calib.fit.pair_summary import PairSummary, Response, pair_summaries
from calib.fit.pool import Pool, pool_records
from calib.fit.priors import CutPrior, GradedPrior, Priors
from calib.records import OPERATIONS, Burn, Machine, Sheet

BENCH = Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
LENS = replace(BENCH, name="lens", lens_mm=50.8, beam_mm=5.0, acceleration_mm_s2=3000.0)
METERED = replace(BENCH, name="metered", power_curve=((10.0, 4.0), (50.0, 31.0), (100.0, 52.0)))
SLOW = replace(BENCH, name="slow", max_speed_mm_s=20.0)
DIODE = replace(BENCH, name="diode", source="diode", rated_w=10.0)
MDF = Sheet(name="MDF 3", material="MDF", thickness_mm=3.0)
THICK = Sheet(name="MDF 6", material="MDF", thickness_mm=6.0, measured_mm=6.3, lot="a")
BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
ACRYLIC = Sheet(name="clear 4", material="cast acrylic", thickness_mm=4.0)


@pytest.fixture
def double(monkeypatch: pytest.MonkeyPatch) -> None:
    """Compute in double precision: in single, the sixth digit depends on the processor."""
    monkeypatch.setattr(coarse, "_single", lambda values: np.asarray(values, float))


# The coarse posterior.


def ordinal(
    grade: Sequence[int],
    at: Sequence[float],
    *,
    scatter: float = 0.1,
    steep: float = 0.3,
    cuts: Sequence[float] = (-0.2, 0.0),
    group: Sequence[int] | None = None,
    informed: tuple[int, ...] = (0, 1),
    location_prior: tuple[float, float, float] = (0.0, 0.5, 4.0),
    **more: object,
) -> Ordinal:
    """Readings at some critical locations that a first score stretches and a third shares out."""
    n = len(grade)
    given = {"count": np.ones(n), "power": np.ones(n), "ln_whole": np.zeros(n), **more}

    def frame_of(scores: np.ndarray) -> Frame:
        width = np.exp(0.3 * scores[:, 1])
        return Frame(
            critical=np.asarray(at) * np.exp(steep * scores[:, :1]) + 0.02 * scores[:, :1],
            scatter=scatter * width,
            shared=0.05 * np.exp(0.4 * scores[:, 2]),
            cuts=np.asarray(cuts) * width[:, None],
        )

    return Ordinal(
        dimensions=3,
        informed=informed,
        frame_of=frame_of,
        grade=np.asarray(grade, dtype=np.int64),
        group=np.zeros(n, dtype=np.int64) if group is None else np.asarray(group, dtype=np.int64),
        location_prior=location_prior,
        **{name: np.asarray(value, float) for name, value in given.items()},
    )


def few() -> Ordinal:
    return ordinal([0, 1, 2, 2], [-0.3, 0.05, 0.2, 0.6])


def long_paths() -> Ordinal:
    """Ten coupons in two sittings, then a path of seven coupons and one with defects."""
    return ordinal(
        [0, 2, 1, 2, 0, 1, 2, 2],
        [-0.3, 0.4, 0.1, 0.3, 0.0, 0.25, 0.5, 0.7],
        group=[0, 0, 0, 1, 1, 2, 2, 2],
        informed=(0, 1, 2),
        count=[1, 3, 2, 1, 2, 4, 1, 5],
        power=[1, 1, 1, 1, 7, 7, 7, 1],
        ln_whole=[0, 0, 0, 0, -0.2, -0.2, -0.2, -0.1],
    )


def tight() -> Ordinal:
    """Many readings close together: the pilot finds the weight at a few points only."""
    at = np.linspace(-0.9, 1.1, 40)
    return ordinal(
        (at > -0.02).astype(int) + (at > 0.06), at, scatter=0.02, steep=0.8, cuts=(-0.08, 0.0)
    )


def far_off() -> Ordinal:
    """All readings of the top grade, a prior far away: only the prior ends the location."""
    return ordinal([2, 2], [1.0, 1.2], location_prior=(-2.0, 0.6, 5.0))


CASES = {"few": few, "long_paths": long_paths, "tight": tight, "far_off": far_off}


@pytest.mark.usefixtures("double")
@pytest.mark.parametrize("name", CASES)
def test_a_coarse_posterior_is_what_it_was(name: str) -> None:
    data = CASES[name]()
    found = coarse.coarse_posterior(data)
    assert found.weight.sum() == pytest.approx(1.0)
    draws = coarse.score_draws(found, ("stretch", "width", "shared"))
    assert set(draws) == {("stretch", "width", "shared")[i] for i in data.informed}
    kept = {
        "posterior": found,
        "location": coarse.moments_of(found, found.location),
        "stretch": coarse.moments_of(found, found.scores[:, 0]),
        "draws": {n: (d.value @ d.weight, d.value**2 @ d.weight) for n, d in draws.items()},
        "draws of the location": coarse.draws_of(found, found.location),
        "range": coarse._range(data, coarse._placed(data, even_scores(8, len(data.informed)))),
    }
    same_as_kept(f"coarse_{name}", kept)


@pytest.mark.usefixtures("double")
def test_a_coarse_posterior_agrees_with_a_fine_grid() -> None:
    """One score and the location, integrated by brute force; exact normal chances."""
    data = replace(few(), informed=(0,))
    found = coarse.moments_of(w := coarse.coarse_posterior(data), w.location)
    score, location = np.linspace(-5, 5, 201), np.linspace(-4, 4, 1601)
    log_mass = norm.logpdf(score)[:, None] + coarse.log_student_t(location, 0.0, 0.5, 4.0)
    for grade, at in zip(data.grade, (-0.3, 0.05, 0.2, 0.6), strict=True):
        critical = at * np.exp(0.3 * score[:, None]) + 0.02 * score[:, None]
        edges = np.array([-np.inf, -0.2, 0.0, np.inf])[grade : grade + 2]
        low, high = (ndtr((edge - (critical - location)) / 0.1) for edge in edges)
        log_mass = log_mass + np.log(0.99 * (high - low) + 0.01 / 3)
    mass = np.exp(log_mass)
    mass /= mass.sum()
    mean = (mass * location).sum()
    sd = math.sqrt((mass * (location - mean) ** 2).sum())
    assert found.mean == pytest.approx(mean, abs=0.05 * sd)
    assert math.sqrt(found.variance) == pytest.approx(sd, rel=0.05)


@pytest.mark.usefixtures("double")
def test_chances_of_coupons_and_of_long_paths_are_what_they_were() -> None:
    data = long_paths()
    scores = even_scores(4, 3)
    points = coarse._Points(data, scores)
    location = points.centre[:, None] + np.linspace(-0.5, 0.6, 5)
    kept = {
        "low": points.low,
        "high": points.high,
        "centre": points.centre,
        "rows": [points.log_chances(location)[:, j] for j in range(4)],
        "likelihood": points.log_likelihood(location),
        "one sitting": coarse._Points(few(), scores).log_likelihood(location),
        "weighed": coarse._weigh(points, -0.4, 0.7),
        "weighed narrowly": coarse._weigh(points, -0.1, 0.1),
        "weighed widely": coarse._weigh(points, -3.0, 3.0),
    }
    same_as_kept("coarse_chances", kept)


@pytest.mark.usefixtures("double")
def test_a_path_of_many_coupons_drops_when_each_of_them_does() -> None:
    """And a defect, which no power mends, spoils it once more."""
    data = ordinal([2, 1, 0], [0.1, 0.1, 0.1], power=[7] * 3, ln_whole=[-0.3] * 3)
    rows = coarse._Points(data, np.zeros((1, 3))).log_chances(np.zeros((1, 1)))[:, 0, 0]
    drops = ndtr(0.1 / 0.1) ** 7 * math.exp(-0.3)
    not_cut = ndtr((-0.2 - 0.1) / 0.1)
    chance = np.array([drops, 1.0 - drops - not_cut, not_cut])
    assert np.exp(rows) == pytest.approx(0.99 * chance + 0.01 / 3, abs=1e-3)


@pytest.mark.usefixtures("double")
def test_a_short_path_that_hangs_where_its_chance_is_none_was_misread() -> None:
    """A third of a coupon, half a coupon's scatter below the edge: 0.31^(1/3) > 0.5."""
    data = ordinal([1], [-0.05], power=[1 / 3], cuts=(-0.05, 0.0))
    rows = coarse._Points(data, np.zeros((1, 3))).log_chances(np.zeros((1, 1)))
    assert np.exp(rows) == pytest.approx(0.01 / 3)


def test_three_nodes_average_over_what_a_sitting_shares() -> None:
    values = np.array([[np.arange(8.0), np.arange(8.0) ** 2], [np.ones(8), np.arange(8.0)[::-1]]])
    step = np.array([0.4, 1.3])
    found = coarse._averaged(values, step)
    # A straight line keeps its value, a square gains the variance; away from the ends.
    assert found[0, 0, 3:5] == pytest.approx([3.0, 4.0])
    assert found[0, 1, 3:5] == pytest.approx([9.0 + 1.3**2, 16.0 + 1.3**2], abs=0.1)
    assert found[1, 0] == pytest.approx(np.ones(8))
    kept = {"two": found, "one node": coarse._averaged(values[:, :, :1].repeat(2, 2), step)}
    same_as_kept("coarse_averaged", kept)


def test_the_fast_normal_distribution_is_close_to_the_exact_one() -> None:
    x = np.linspace(-9.0, 9.0, 37)
    assert coarse.below(x) == pytest.approx(ndtr(x), abs=2e-4)
    assert coarse.below(np.array([8.0])) == coarse.below(np.array([9.0]))
    same_as_kept("coarse_below", np.log(coarse.below(x)))


def test_what_the_next_pass_covers_is_what_it_was() -> None:
    drawn = even_scores(24, 3)
    weight = np.exp(-0.5 * (drawn[:, 0] - 1.0) ** 2 / 0.1)
    steps = np.linspace(-2.0, 2.0, 21)
    value = -np.array([[12.0], [40.0]]) * (steps - 0.05) ** 2
    kept = {
        "fitted": coarse._fitted(drawn, weight / weight.sum()),
        "deep": coarse._deep(steps, value, 1),
        "deep at the ends": coarse._deep(steps, 0.0 * value, 2),
    }
    same_as_kept("coarse_next_pass", kept)


def test_data_alone_and_prior_give_back_the_posterior() -> None:
    posterior, prior = Moments(mean=0.4, variance=0.2), Moments(mean=-0.1, variance=0.7)
    alone = posterior.without(prior)
    precision = 1.0 / alone.variance + 1.0 / prior.variance
    assert 1.0 / precision == pytest.approx(0.2)
    together = alone.mean / alone.variance + prior.mean / prior.variance
    assert together / precision == pytest.approx(0.4)
    # Data that add less than a hundredth to the prior's precision count for that much, at its mean.
    for wide in (0.6935, 0.7, 1.2):
        nearly = Moments(mean=0.4, variance=wide).without(prior)
        assert nearly == Moments(mean=-0.1, variance=pytest.approx(70.0))
    assert Moments(mean=0.4, variance=0.6929).without(prior).mean > 0.4


def told_draws() -> list[Draws]:
    """Scores seen high, low, not at all; with points of no weight; at both ends."""
    z = norm.ppf((np.arange(40) + 0.5) / 40)
    bumps = [np.exp(-0.5 * (z - 1.0) ** 2 / 0.5), np.exp(-0.5 * (z + 2.0) ** 2 / 0.05), 0.0 * z + 1]
    some = [Draws(value=z, weight=bump / bump.sum()) for bump in bumps]
    rest = Draws(value=z[20:], weight=np.where(z[20:] > 1.5, 0.0, 0.1))
    return [*some, rest, Draws(value=z, weight=np.where(np.abs(z) > 1.2, 0.1, 0.001))]


def test_what_draws_tell_gives_their_mean_and_variance_with_what_was_believed() -> None:
    """Unless they narrow next to nothing, or more than a board can."""
    rows = ((0.2, 0.8), (-0.5, 0.6), (0.3, 1.4), (0.0, 0.5), (0.1, 0.6))
    before = [Moments(mean=m, variance=v) for m, v in rows]
    draws = told_draws()
    told = coarse.told_by(draws, before)
    value = draws[0].value
    mass = draws[0].weight * norm.pdf(value, 0.2, math.sqrt(0.8)) / norm.pdf(value)
    mass /= mass.sum()
    mean = mass @ value
    variance = mass @ (value - mean) ** 2
    both = 1.0 / told[0].variance + 1.0 / 0.8
    assert 1.0 / both == pytest.approx(variance)
    assert (told[0].mean / told[0].variance + 0.2 / 0.8) / both == pytest.approx(mean)
    same_as_kept("coarse_told", told)


# Summaries of pairs.


def cut_burns(machine: Machine, sheet: Sheet, off: float, *, passes: int = 1) -> list[Burn]:
    """Burns about the edge of a sheet that needs e^off times the table's power."""
    prior = cut_prior(machine, sheet)
    found = []
    for number, (power, away) in enumerate(
        [(80.0, 0.5), (80.0, 0.15), (80.0, 0.02), (80.0, -0.1), (60.0, 0.1), (60.0, -0.06),
         (45.0, 0.2), (45.0, -0.03), (45.0, -0.4)]
    ):  # fmt: skip
        needed = machine.rated_w * power / 100.0 * math.exp(-prior.location - off - away)
        speed = prior.speed0_mm_s * max((needed - 0.2) / 0.8, 0.05)
        through = "through" if away > 0 else "hanging" if away > -0.07 else "no"
        found.append(
            Burn(
                operation="cut",
                power_pct=power,
                speed_mm_s=round(speed, 2),
                passes=1 + (passes - 1) * (number % 2),
                through=through,
                char=None if away < -0.3 else min(int(2.5 + 4 * away), 4),
                sitting=str(number // 5),
            )
        )
    return found


def job(through: str, count: int, length_mm: float | None, speed: float = 29.0) -> Burn:
    return Burn(operation="cut", power_pct=80.0, speed_mm_s=speed, through=through, count=count,
                cut_length_mm=length_mm, source="job", sitting="job")  # fmt: skip


def marks(operation: str, pitch: float | None, sheet: Sheet = BIRCH) -> list[Burn]:
    prior = mark_prior(BENCH, sheet, operation)
    rows = [(12.0, 1.6, 1), (15.0, 1.0, 2), (20.0, 1.0, 3), (30.0, 0.9, 4), (20.0, 2.5, 0)]
    return [
        Burn(operation=operation, power_pct=p, speed_mm_s=round(prior.speed0_mm_s * r, 1), mark=g,
             line_pitch_mm=None if pitch is None else pitch * (1 + (i % 2)), passes=1 + (i == 3))
        for i, (p, r, g) in enumerate(rows)
    ]  # fmt: skip


def short(summary: PairSummary) -> dict[str, object]:
    """All numbers of a summary; of draws, two moments each."""
    found = {f.name: getattr(summary, f.name) for f in fields(summary)}
    found["draws"] = {
        name: (d.weight @ d.value, d.weight @ d.value**2) for name, d in summary.draws.items()
    }
    # Partly in single precision: compared where it is made.
    del found["sure_expected"]
    return found | {"machine": summary.machine.name, "sheet": summary.sheet.name}


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


# Kin.

SOURCES = (
    (BENCH, MDF, "cut", 0.3, 8.0),
    (LENS, THICK, "cut", 0.1, 4.0),
    (METERED, BIRCH, "cut", -0.2, 12.0),
    (BENCH, replace(THICK, lot="b"), "cut", 0.25, 5.0),
    (LENS, replace(MDF, name="MDF 3b"), "cut", 0.2, 9.0),
    (DIODE, BIRCH, "cut", 0.5, 2.0),
    (SLOW, ACRYLIC, "cut", -0.4, 15.0),
    (BENCH, BIRCH, "cut", 0.05, 11.0),
)


def summary_at(
    row: int, response: Response = "cut", names: Sequence[str] = ("floor", "scatter", "shared")
) -> PairSummary:
    """An invented summary; its draws are narrower than before the burns, and moved."""
    machine, sheet, _, mean, speed = SOURCES[row]
    z = norm.ppf((np.arange(30) + 0.5) / 30)
    draws = {}
    for place, name in enumerate(names):
        bump = np.exp(-0.5 * (z - 0.8 * math.sin(2.0 * row + place)) ** 2 / 0.6)
        draws[name] = Draws(value=z, weight=bump / bump.sum())
    return PairSummary(
        machine=machine,
        sheet=sheet,
        response=response,
        speed_mm_s=speed,
        speed0_mm_s=0.8 * speed,
        excess=Moments(mean=mean, variance=0.01 + 0.002 * row),
        table=Moments(mean=0.0, variance=0.2 + 0.05 * row),
        draws=draws,
        floor=0.15 + 0.02 * row,
        floor_sd=0.05,
        slope=0.1 - 0.03 * row,
        sure_mm=3000.0 * row,
        sure_failures=float(row % 3),
        sure_expected=0.1 * row,
        readings=10,
    )


TARGET = (replace(LENS, name="new", lens_mm=63.5), replace(THICK, lot="new"))


def units_told(response: Response, rows: Sequence[int]) -> object:
    target = kinship.Target(machine=TARGET[0], sheet=TARGET[1], speed_mm_s=6.0, table_variance=0.35)
    some = [summary_at(row, response) for row in rows]
    units, own = kinship.location_units(some, target, kinship.USUAL[response])
    told = {f.name: getattr(units, f.name) for f in fields(units)}
    told["effects"] = [list(row) for row in units.effects]
    return {"units": told, "own": own}


def test_what_pairs_share_is_what_it_was() -> None:
    found = {
        "cut": units_told("cut", range(8)),
        "char": units_told("char", (0, 1, 3)),
        "mark": units_told("area_mark", (2, 5)),
    }
    same_as_kept("kin_units", found)


def test_what_pairs_share_of_a_score_is_what_it_was() -> None:
    pairs = [(s.machine, s.sheet) for s in (summary_at(row) for row in range(8))]
    told = [Moments(mean=0.1 * i, variance=0.5 + 0.1 * i) for i in range(6)]
    some = {name: kinship.score_units(name, pairs, told) for name in ("floor", "exponent")}
    assert [sum(shares) for shares in kinship.SHARES.values()] == pytest.approx([1.0] * 11)
    kept = {"units": some, "shares": kinship.SHARES, "usual": kinship.USUAL}
    same_as_kept("kin_scores", kept)


def test_keys_tell_lasers_products_lots_and_pairs_apart() -> None:
    other_lens = replace(LENS, lens_mm=38.1)
    assert kinship.machine_key(LENS) == kinship.machine_key(other_lens)
    assert kinship.pair_key(LENS, MDF) != kinship.pair_key(other_lens, MDF)
    assert kinship.product_key(THICK) == kinship.product_key(replace(THICK, lot="z", name="mdf 6"))
    same_as_kept("kin_keys", [kinship.pair_key(m, s) for m in (LENS, DIODE) for s in (MDF, THICK)])


def test_the_beam_within_a_sheet_is_compared_with_a_usual_lens() -> None:
    usual = replace(LENS, lens_mm=50.8, beam_mm=6.5)
    assert kinship.ln_width(usual, 3.0) == pytest.approx(0.0)
    assert kinship.ln_width(DIODE, 3.0) is None
    assert kinship.ln_width(replace(DIODE, lens_mm=50.8, beam_mm=6.0), 3.0) is None
    assert kinship.ln_width(replace(LENS, beam_mm=None), 3.0) is None
    assert kinship.ln_width(replace(LENS, lens_mm=None), 3.0) is None
    lenses = [replace(LENS, lens_mm=f, beam_mm=b) for f in (38.1, 63.5, 101.6) for b in (4.0, 7.0)]
    same_as_kept("kin_width", [kinship.ln_width(m, t) for m in lenses for t in (1.0, 3.0, 8.0)])


# Scores that pairs tell one another.


def test_scores_told_by_pairs_together_are_what_they_were() -> None:
    some = [summary_at(row) for row in range(4)]
    pairs = [(s.machine, s.sheet) for s in some]
    draws = [s.draws["scatter"] for s in some]
    told = {n: shape_scores.told_scores("scatter", pairs[:n], draws[:n]) for n in (1, 2, 4)}
    assert told[1] == coarse.told_by(draws[:1], [Moments(mean=0.0, variance=1.0)])
    same_as_kept("told_scores", told)


def test_what_the_others_say_of_a_unit_is_what_they_say_without_it() -> None:
    """Against conditioning of one large normal on all values but one."""
    some = [summary_at(row) for row in range(5)]
    pairs = [(s.machine, s.sheet) for s in some]
    told = [Moments(mean=math.sin(i), variance=0.3 + 0.1 * i) for i in range(5)]
    units, _ = kinship.score_units("scatter", pairs, told)
    found = shape_scores._leaving_one_out(units)
    rows = units.effects * units.base
    before = rows @ rows.T + units.unit_base**2 * np.eye(5)
    for i in range(5):
        rest = [j for j in range(5) if j != i]
        known = before[np.ix_(rest, rest)] + np.diag(units.variance[rest])
        gain = before[i, rest] @ np.linalg.inv(known)
        assert found[i].mean == pytest.approx(gain @ units.value[rest])
        assert found[i].variance == pytest.approx(before[i, i] - gain @ before[rest, i])


# Pooled priors.

GRADED_NAMES = ("exponent", "speed", "scatter", "width1", "width2", "width3", "passes", "pitch")
CUT_NAMES = ("floor", "exponent", "scatter", "band", "passes", "shared")


@pytest.mark.parametrize("count", [1, 5, 6])
def test_pooled_priors_of_a_cut_are_what_they_were(count: int) -> None:
    """Six pairs tell how much pairs differ, five don't."""
    some = [summary_at(row, names=CUT_NAMES) for row in range(count)]
    prior = cut_prior(*TARGET)
    found = pooled_prior.pooled_cut(some, *TARGET, prior)
    assert found.location_df == (8.0 if count == 6 else prior.location_df)
    same_as_kept(f"pooled_cut_{count}", found)


@pytest.mark.parametrize("response", ["char", "line_mark"])
def test_pooled_priors_of_grades_are_what_they_were(response: Response) -> None:
    prior = char_prior(*TARGET) if response == "char" else mark_prior(*TARGET, "line_mark")
    few_pairs = [summary_at(row, response, GRADED_NAMES) for row in range(3)]
    none_of_widths = [summary_at(row, response, ("speed",)) for row in (1, 4, 0, 3, 6, 7)]
    found = [pooled_prior.pooled_graded(some, *TARGET, prior) for some in
             (few_pairs, none_of_widths)]  # fmt: skip
    same_as_kept(f"pooled_{response}", found)


def test_floors_and_widths_of_scores_are_what_they_were() -> None:
    prior = GradedPrior(location=0.0)
    apart = {"width1": (2.0, 0.9), "width2": (-2.0, 0.9), "width3": (0.0, 0.9)}
    near = {"width1": (0.3, 0.4), "width2": (-0.2, 0.5), "passes": (1.0, 0.5)}
    # An untold score leaves a parameter alone.
    assert pooled_prior._with_graded_scores(prior, {}) == prior
    assert pooled_prior._with_cut_scores(CutPrior(location=0.0), {}).shared_scale == pytest.approx(
        0.05
    )
    assert pooled_prior._share_moments((0.0, 1.0), (3.0, 12.0)) == pytest.approx(
        (0.2, math.sqrt(0.2 * 0.8 / 16.0)), rel=1e-3
    )
    assert pooled_prior._beta(0.2, math.sqrt(0.01)) == pytest.approx((3.0, 12.0))
    kept = {
        "apart": pooled_prior._with_graded_scores(prior, apart),
        "near": pooled_prior._with_graded_scores(prior, near),
        "beta": [pooled_prior._beta(m, s) for m in (0.1, 0.5) for s in (0.0, 0.05, 0.3)],
        "share": [pooled_prior._share_moments((m, s), (3.0, 12.0))
                  for m in (-1.0, 0.5) for s in (0.2, 1.0)],
    }  # fmt: skip
    same_as_kept("pooled_scores", kept)


def test_a_rate_of_defects_is_the_mean_of_its_posterior() -> None:
    """Without misreading a gamma: (k + 1) / (metres + 1 / expected); conjugate, any textbook."""
    one = replace(summary_at(1), sure_mm=4000.0, sure_failures=3.0, sure_expected=0.0)
    found = pooled_prior._defects_per_m([one], MDF, 0.5)
    assert found == pytest.approx(4.0 / (4.0 + 2.0), rel=1e-3)
    none = replace(one, sure_failures=0.0)
    assert pooled_prior._defects_per_m([none], MDF, 0.5) == pytest.approx(1.0 / 6.0, rel=0.02)
    # Of another family, without a path, or where the table has none: as expected.
    assert pooled_prior._defects_per_m([one], BIRCH, 0.5) == 0.5
    assert pooled_prior._defects_per_m([replace(one, sure_mm=0.0)], MDF, 0.5) == 0.5
    assert pooled_prior._defects_per_m([one], MDF, 0.0) == 0.0
    some = [replace(summary_at(row), sheet=MDF) for row in range(5)]
    kept = [pooled_prior._defects_per_m(some[: n + 1], MDF, e) for n in range(5) for e in (0.1, 1)]
    same_as_kept("pooled_defects", kept)


# The pool.


def small_book() -> Pool:
    rows: dict[Response, tuple[int, ...]] = {
        "cut": (0, 1, 5),
        "char": (0, 1),
        "line_mark": (1, 7),
        "area_mark": (0, 3, 4),
    }
    summaries = {
        response: tuple(summary_at(i, response, ("scatter",)) for i in some)
        for response, some in rows.items()
    }
    return Pool(summaries=summaries, pairs=6)


def test_a_pool_gives_each_operation_its_own_priors() -> None:
    pool, found = small_book(), {}
    for operation in OPERATIONS:
        expected = replace(expected_priors(*TARGET, operation), notes=("Said before.",))
        found[operation] = pool.priors(*TARGET, operation, expected)
    assert found["cut"].notes[-1].startswith("What is expected before the burns rests on 2 other")
    # A diode learns from the diode alone, whose own pair tells it nothing.
    diode = pool.priors(DIODE, MDF, "cut", expected_priors(DIODE, MDF, "cut"))
    assert diode.notes == (
        "What is expected before the burns rests on 1 other pair of the logbook.",
    )
    own = expected_priors(DIODE, BIRCH, "cut")
    assert pool.priors(DIODE, BIRCH, "cut", own) is own
    # Without a cut it is char that tells.
    char = Pool(summaries={"char": pool.summaries["char"]}, pairs=2)
    found["char alone"] = char.priors(*TARGET, "cut", expected_priors(*TARGET, "cut"))
    # A prior that the operation hasn't got stays away.
    found["nothing expected"] = pool.priors(*TARGET, "cut", Priors())
    same_as_kept("pool_priors", found)


def test_joined_books_count_a_pair_once_and_believe_the_second() -> None:
    first = small_book()
    newer = replace(summary_at(0), readings=99)
    second = Pool(summaries={"cut": (newer,)}, pairs=1)
    both = first.joined(second)
    assert [s.readings for s in both.summaries["cut"]] == [10, 10, 99]
    assert both.pairs == len({(s.machine.name, s.sheet) for some in first.summaries.values()
                              for s in some})  # fmt: skip
    assert len(both.summaries["char"]) == 1
    assert second.joined(first).pairs == both.pairs
    assert len(second.joined(first).summaries["cut"]) == 3


@pytest.mark.usefixtures("double")
def test_a_book_of_records_is_what_it_was() -> None:
    cut = cut_burns(BENCH, BIRCH, 0.1)
    pool = pool_records([
        (BENCH, BIRCH, cut[:4]),
        (LENS, MDF, []),
        (METERED, MDF, cut_burns(METERED, MDF, 0.2)[:3]),
        (BENCH, BIRCH, (*cut[4:], *marks("line_mark", None))),
    ])
    assert pool.pairs == 3
    kept = {r: [short(s) for s in some] for r, some in pool.summaries.items()}
    assert list(kept) == ["cut", "char", "line_mark"]
    same_as_kept("pool_records", kept)


def test_records_of_another_make_are_refused() -> None:
    bad = [[BENCH, MDF, ()], (BENCH, MDF), (MDF, MDF, ()), (BENCH, BENCH, ()), (BENCH, MDF, ["x"])]
    words = []
    for record in bad:
        with pytest.raises(InvalidRecord, match=r"give (\(machine|a sequence)") as refused:
            pool_records([record])  # type: ignore[list-item]
        words.append(str(refused.value)[:24])
    assert words == ["a record of the logbook "] * 4 + ["burns hold 'x': give a s"]


# Before any burn.


def test_what_is_expected_before_any_burn_is_what_it_was() -> None:
    machines = (BENCH, METERED, SLOW, DIODE)
    sheets = (MDF, THICK, ACRYLIC)
    kept = {
        f"{m.name}, {s.name}, {op}": {
            name: str([float(f"{v:.9g}") for v in asdict(prior).values()])
            for name in ("cut", "char", "mark")
            if (prior := getattr(expected_priors(m, s, op), name)) is not None
        }
        for m in machines
        for s in sheets
        for op in OPERATIONS
    }
    same_as_kept("expected", kept)
    slow = Sheet(name="thick", material="MDF", thickness_mm=30.0)
    assert cut_prior(DIODE, slow).speed0_mm_s == 1.0
    assert cut_prior(replace(SLOW, max_speed_mm_s=0.5, speed_step_mm_s=0.1), MDF).speed0_mm_s == 0.5


def test_usual_priors_are_what_they_were() -> None:
    same_as_kept("usual_priors", [CutPrior(location=1.0), GradedPrior(location=2.0), Priors()])
