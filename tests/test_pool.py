"""Pooling a logbook: its first stage against the full fit, its second against the full model."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from boards import CO2, DIODE
from scipy.stats import norm

import calib
from calib.errors import InvalidRecord
from calib.fit import another_speed
from calib.fit.kinship import at_speed
from calib.fit.moments import Moments
from calib.fit.pair_summary import pair_summaries
from calib.fit.pool import Pool, pool_records
from calib.fit.priors import CutPrior, Priors, cut_prior, expected_priors
from calib.fit.random_effects import Units, fit_learning
from calib.records import Burn, Machine, Sheet

BENCH = CO2
OTHER = replace(CO2, name="other", rated_w=80.0)
MARKED = ["birch plywood", "MDF", "vegetable tanned leather", "oak", "card"]
POWERS = (80.0, 80.0, 80.0, 60.0, 50.0, 40.0)
FLOOR = 0.2


def mdf(name: str, thickness_mm: float = 3.0, lot: str = "") -> Sheet:
    return Sheet(name=name, material="MDF", thickness_mm=thickness_mm, lot=lot)


def burnt(
    machine: Machine,
    sheet: Sheet,
    off: float,
    *,
    seed: int = 0,
    scatter: float = 0.05,
    n: int = 18,
    apart: float = 0.2,
) -> list[Burn]:
    """Burns about the edge of a sheet that needs e^off times the power that its table expects."""
    rng = np.random.default_rng([seed, n])
    prior = cut_prior(machine, sheet)
    found = []
    for number in range(n):
        power = POWERS[number % len(POWERS)]
        location = prior.location + off
        needed = machine.rated_w * power / 100.0 * math.exp(-location - rng.normal(0, apart))
        speed = prior.speed0_mm_s * max((needed - FLOOR) / (1.0 - FLOOR), 0.02)
        speed = max(round(speed, 1), 0.1)
        spent = math.log(FLOOR + (1.0 - FLOOR) * speed / prior.speed0_mm_s)
        y = math.log(machine.rated_w * power / 100.0) - location - spent
        y += scatter * rng.standard_normal()
        grade = "through" if y > 0 else "hanging" if y > -0.06 else "no"
        found.append(
            Burn(
                operation="cut",
                power_pct=power,
                speed_mm_s=speed,
                through=grade,
                char=None if grade == "no" else 2,
                session=str(number // 6),
            )
        )
    return found


def book(off: float, pairs: int, *, scatter: float = 0.05, spread: float = 0.0) -> Pool:
    """A book of MDF sheets on one machine."""
    offs = off + spread * norm.ppf((np.arange(pairs) + 0.5) / pairs)
    return pool_records(
        (BENCH, mdf(f"m{i}"), burnt(BENCH, mdf(f"m{i}"), o, seed=i, scatter=scatter))
        for i, o in enumerate(offs)
    )


@pytest.fixture(scope="module")
def slow_book() -> Pool:
    """Eight MDF sheets that all need half as much again as the table says."""
    return book(math.log(1.5), 8)


def believed(pool: Pool, sheet: Sheet, machine: Machine = BENCH) -> CutPrior:
    priors = pool.priors(machine, sheet, "cut", expected_priors(machine, sheet, "cut"))
    assert priors.cut is not None
    return priors.cut


def moved(pool: Pool, sheet: Sheet, machine: Machine = BENCH) -> float:
    """How much more power to set is now expected than by the table, as a logarithm."""
    full = math.log(machine.rated_w)
    table, prior = cut_prior(machine, sheet), believed(pool, sheet, machine)
    now, before = ((p.location - full) / p.exponent_mean for p in (prior, table))
    return now - before


def test_an_empty_book_changes_nothing() -> None:
    empty = calib.pool_records([])
    sheet = mdf("new")
    expected = expected_priors(BENCH, sheet, "cut")
    assert empty.priors(BENCH, sheet, "cut", expected) is expected
    assert calib.plan_grid(BENCH, sheet, burns=4, pool=empty) == calib.plan_grid(
        BENCH, sheet, burns=4
    )


def test_a_pair_does_not_teach_itself() -> None:
    """Its own burns come in as evidence, and must not count twice."""
    sheet = mdf("m")
    own = pool_records([(BENCH, sheet, burnt(BENCH, sheet, 0.4))])
    assert own.pairs == 1
    expected = expected_priors(BENCH, sheet, "cut")
    assert own.priors(BENCH, sheet, "cut", expected) == expected


def test_one_pair_moves_its_kin_some_of_the_way() -> None:
    one = pool_records([(BENCH, mdf("m"), burnt(BENCH, mdf("m"), 0.4))])
    kin, strange = mdf("new"), Sheet(name="b", material="basswood", thickness_mm=3.0)
    told = one.summaries["cut"][0].excess.mean
    assert 0.6 * told < moved(one, kin) < told
    # One pair can't tell its family from the machine and the table's level, whose doubt is large:
    # another family is moved by less than its kin, though by more than half of that.
    assert 0.0 < moved(one, strange) < 0.75 * moved(one, kin)
    table = cut_prior(BENCH, kin).location_scale
    assert believed(one, kin).location_scale < 0.8 * table
    assert believed(one, strange).location_scale <= cut_prior(BENCH, strange).location_scale


def test_one_machine_alone_cannot_tell_the_tables_level_from_its_own() -> None:
    """What all families need more on the only machine goes along to another one; a second machine
    on the same sheets tells how much of it was the first one's."""
    families = ("MDF", "birch plywood", "poplar plywood", "basswood")
    sheets = [Sheet(name=m, material=m, thickness_mm=3.0) for m in families]
    second = replace(BENCH, name="second", rated_w=80.0)
    third, new = replace(BENCH, name="third"), Sheet(name="c", material="cork", thickness_mm=3.0)
    first = [(BENCH, s, burnt(BENCH, s, 0.6, seed=i)) for i, s in enumerate(sheets)]
    alone = pool_records(first)
    assert 0.9 < moved(alone, new, third) / moved(alone, new) < 1.0
    expected = [(second, s, burnt(second, s, 0.0, seed=9 + i)) for i, s in enumerate(sheets)]
    both = pool_records([*first, *expected])
    assert moved(both, new, third) < 0.7 * moved(both, new)


def test_another_lot_of_the_same_product_is_nearer_than_another_product() -> None:
    """Both are moved by one pair that lies apart from the rest of the family."""
    rest = [(BENCH, mdf(f"m{i}"), burnt(BENCH, mdf(f"m{i}"), 0.0, seed=i)) for i in range(5)]
    apart = mdf("apart", lot="a")
    pool = pool_records([*rest, (BENCH, apart, burnt(BENCH, apart, 0.5, seed=9))])
    lot, product = replace(apart, lot="b"), mdf("new", lot="b")
    assert moved(pool, lot) > moved(pool, product) + 0.2
    assert believed(pool, lot).location_scale < believed(pool, product).location_scale


def test_a_whole_family_leaves_little_doubt(slow_book: Pool) -> None:
    assert moved(slow_book, mdf("new")) == pytest.approx(math.log(1.5), abs=0.06)
    assert believed(slow_book, mdf("new")).location_scale < 0.12


def test_pairs_that_differ_leave_more_doubt_than_pairs_that_agree(slow_book: Pool) -> None:
    uneven = book(math.log(1.5), 8, spread=0.25)
    sheet = mdf("new")
    assert believed(uneven, sheet).location_scale > 1.5 * believed(slow_book, sheet).location_scale


def test_order_and_splitting_of_records_do_not_matter() -> None:
    sheets = [mdf("a"), mdf("b", 4.0), mdf("c", 6.0)]
    burns = [burnt(BENCH, s, 0.2, seed=i) for i, s in enumerate(sheets)]
    records = [(BENCH, s, b) for s, b in zip(sheets, burns, strict=True)]
    split = [
        (BENCH, s, part) for s, b in zip(sheets, burns, strict=True) for part in (b[:7], b[7:])
    ]
    first, second = pool_records(records), pool_records(split[::-1])
    assert first.pairs == second.pairs == 3
    for name in ("location", "location_scale", "speed0_mm_s", "scatter_ln", "floor_a"):
        values = [getattr(believed(pool, mdf("new")), name) for pool in (first, second)]
        assert values[0] == pytest.approx(values[1], rel=1e-5), name


def test_another_kind_of_laser_teaches_nothing(slow_book: Pool) -> None:
    sheet = mdf("new")
    expected = expected_priors(DIODE, sheet, "cut")
    assert slow_book.priors(DIODE, sheet, "cut", expected) == expected


def test_what_the_book_is_used_for_is_said(slow_book: Pool) -> None:
    region = calib.fit_region(BENCH, mdf("new"), pool=slow_book)
    assert (
        "What is expected before the burns rests on 8 other pairs of the logbook." in region.notes
    )


def test_a_board_planned_with_a_book_starts_near_the_edge(slow_book: Pool) -> None:
    """The speeds at one power span less than half of what they span without it."""
    span = {}
    for name, pool in (("book", slow_book), ("table", None)):
        grid = calib.plan_grid(BENCH, mdf("new"), burns=6, pool=pool)
        top = [cell.speed_mm_s for cell in grid.cells if cell.power_pct == BENCH.ceiling_pct]
        span[name] = math.log(max(top) / min(top))
    assert span["book"] < 0.5 * span["table"]


def test_a_scatter_that_all_pairs_show_is_learnt(slow_book: Pool) -> None:
    rough = book(math.log(1.5), 8, scatter=0.15)
    sheet = mdf("new")
    usual = cut_prior(BENCH, sheet)
    learnt = believed(rough, sheet)
    assert learnt.scatter_ln > math.log(0.08)
    assert learnt.scatter_ln_sd < usual.scatter_ln_sd
    assert learnt.scatter_ln - believed(slow_book, sheet).scatter_ln > 0.5 * math.log(3.0)


def marked_book(widths: Sequence[float]) -> Pool:
    """A book of lines on two sheets of each of five materials, whose grades are so wide [ln W]."""
    records = []
    for number, (material, width) in enumerate(zip(2 * MARKED, widths, strict=True)):
        sheet = Sheet(name=f"s{number}", material=material, thickness_mm=3.0)
        prior = expected_priors(BENCH, sheet, "line_mark").mark
        assert prior is not None
        burns = []
        for share in np.linspace(-2.0, 2.0, 17) + 0.03 * (number % 5):
            speed = prior.speed0_mm_s * math.exp(-width * share)
            burns.append(
                Burn(
                    operation="line_mark",
                    power_pct=30.0,
                    speed_mm_s=round(speed, 2),
                    mark=int(np.clip(math.floor(share + 0.5) + 2, 0, 4)),
                )
            )
        records.append((BENCH, sheet, burns))
    return pool_records(records)


def test_how_much_the_grades_of_families_differ_is_learnt() -> None:
    new = Sheet(name="new", material="cast acrylic", thickness_mm=3.0)
    expected = expected_priors(BENCH, new, "line_mark")
    usual = expected.mark
    alike = marked_book(10 * [0.9]).priors(BENCH, new, "line_mark", expected).mark
    differing = marked_book(2 * [0.5, 0.6, 0.9, 1.3, 1.6])
    unlike = differing.priors(BENCH, new, "line_mark", expected).mark
    assert usual is not None
    assert alike is not None
    assert unlike is not None
    assert alike.width_ln_sd < 0.6 * usual.width_ln_sd
    assert unlike.width_ln_sd > 0.8 * usual.width_ln_sd
    assert abs(alike.width_ln - math.log(0.9)) < abs(usual.width_ln - math.log(0.9))


def test_sure_coupons_that_hang_raise_the_defects_of_their_family() -> None:
    ply = Sheet(name="p", material="birch plywood", thickness_mm=3.0)
    edge = burnt(BENCH, ply, 0.0)
    parts = {"through": 190, "hanging": 10}
    sure = [
        Burn(operation="cut", power_pct=80.0, speed_mm_s=5.0, through=t, count=n, session="0")
        for t, n in parts.items()
    ]
    new = replace(ply, name="new")
    usual = cut_prior(BENCH, new).defects_per_m
    raised = believed(pool_records([(BENCH, ply, [*edge, *sure])]), new).defects_per_m
    # 10 in 200 coupons of 59 mm, less what misreading explains.
    assert 2.0 * usual < raised < 10 / (200 * 0.05885)
    clean = [replace(sure[0], count=400)]
    assert believed(pool_records([(BENCH, ply, [*edge, *clean])]), new).defects_per_m < usual
    # No table expects defects in MDF, so that none are learnt there.
    assert (
        believed(pool_records([(BENCH, mdf("m"), [*edge, *sure])]), mdf("n")).defects_per_m == 0.0
    )


def summary_of(burns: list[Burn], prior: CutPrior, sheet: Sheet | None = None):
    found = pair_summaries(BENCH, sheet or mdf("m"), burns, {"cut": Priors(cut=prior)})
    return found[0]


def test_a_job_counts_less_than_as_many_coupons() -> None:
    """What a session shares is integrated over: a job of 400 parts is one look at its evening."""
    prior = cut_prior(BENCH, mdf("m"))
    board = burnt(BENCH, mdf("m"), 0.0, n=6)
    parts = [
        Burn(operation="cut", power_pct=80.0, speed_mm_s=29.0, through=t, count=200, source="job")
        for t in ("through", "hanging")
    ]
    alone = [replace(b, source="board", session="0") for b in parts]
    job = summary_of([*board, *parts], prior).excess.variance
    coupons = summary_of([*board, *alone], prior).excess.variance
    assert job > 1.3 * coupons


@pytest.mark.parametrize(("off", "seed"), [(0.4, 2), (-0.4, 3)])
def test_a_summary_says_what_the_full_fit_says(off: float, seed: int) -> None:
    sheet = mdf("m")
    burns = [replace(b, char=None, session="") for b in burnt(BENCH, sheet, off, seed=seed)]
    prior = cut_prior(BENCH, sheet)
    told = summary_of(burns, prior, sheet)
    fit = calib.fit_region(BENCH, sheet, evidence=burns).cut
    assert fit is not None
    points, shape = fit.here, fit.here.shape
    full = math.log(BENCH.rated_w)
    ratio = told.speed_mm_s / prior.speed0_mm_s
    spent = np.log(shape.floor + (1.0 - shape.floor) * ratio)
    nominal = full + (points.location + spent - full) / shape.exponent
    table = full + (prior.location - full) / prior.exponent_mean + math.log(ratio)
    excess = nominal - table
    mean = float(points.weight @ excess)
    sd = math.sqrt(float(points.weight @ (excess - mean) ** 2))
    # The summary has the table's own say taken out; put it back.
    precision = 1.0 / told.excess.variance + 1.0 / told.table.variance
    natural = told.excess.mean / told.excess.variance + told.table.mean / told.table.variance
    assert natural / precision == pytest.approx(mean, abs=0.25 * sd)
    assert precision**-0.5 == pytest.approx(sd, rel=0.25)


# A cut model without doubt of its shape, so that one number is left of each pair.
KNOWN = {"floor_a": 2e6, "floor_b": 8e6, "scatter_ln_sd": 1e-6, "band_ln_sd": 1e-6,
         "exponent_sd": 1e-6, "shared_scale": 1e-6}  # fmt: skip
EXCESS = np.linspace(-1.5, 1.5, 301)


def likelihood(burns: list[Burn], prior: CutPrior) -> np.ndarray:
    """Likelihood of the excess by the model as it stands in the docstrings, (301,)."""
    location = prior.location + prior.exponent_mean * EXCESS
    total = np.zeros(len(EXCESS))
    for burn in burns:
        # The coupon's corners slow the head by nothing at these speeds.
        spent = math.log(FLOOR + (1.0 - FLOOR) * burn.speed_mm_s / prior.speed0_mm_s)
        share = prior.exponent_mean * math.log(burn.power_pct / 100.0)
        reach = math.log(BENCH.rated_w) + share - location - spent
        through = norm.cdf(reach / 0.05)
        no = norm.cdf((-reach - 0.06) / 0.05)
        chance = {"no": no, "through": through, "hanging": 1.0 - no - through}[burn.through]
        total += np.log(0.99 * chance + 0.01 / 3.0)
    return np.exp(total - total.max())


def full_model(likelihoods: list[np.ndarray], base: float, pair: float) -> tuple[float, float]:
    """Mean and sd of a new pair's excess by brute force over the mean and the spread."""
    means, spreads = np.linspace(-1.0, 1.0, 101), np.linspace(0.03, 3.0, 60)
    log_mass = norm.logpdf(means / base)[:, None] + norm.logpdf(spreads)[None, :]
    for one in likelihoods:
        for j, spread in enumerate(spreads):
            kernel = norm.pdf((EXCESS[None, :] - means[:, None]) / (spread * pair)) / spread
            log_mass[:, j] += np.log(kernel @ one)
    mass = np.exp(log_mass - log_mass.max())
    mass /= mass.sum()
    mean = float(mass.sum(axis=1) @ means)
    second = (mass * (means[:, None] ** 2 + (spreads[None, :] * pair) ** 2)).sum()
    return mean, math.sqrt(float(second) - mean**2)


@pytest.mark.parametrize(("pairs", "spread", "n"), [(8, 0.2, 18), (8, 0.0, 18), (12, 0.3, 6)])
def test_two_stages_agree_with_the_full_mixed_model(
    pairs: int, spread: float, n: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ordinal outcomes of all pairs at once, integrated by brute force, against two stages."""
    # The brute force knows of no other curve than the straight line.
    monkeypatch.setattr(another_speed, "STRAIGHT", 1.0)
    sheet = mdf("m")
    prior = replace(cut_prior(BENCH, sheet), **KNOWN)
    rng = np.random.default_rng(pairs + n)
    burns = [
        [
            replace(b, char=None, session="")
            for b in burnt(BENCH, sheet, 0.2 + spread * rng.standard_normal(), seed=i, n=n)
        ]
        for i in range(pairs)
    ]
    told: list[Moments] = [
        at_speed(summary_of(some, prior), BENCH, prior.speed0_mm_s) for some in burns
    ]
    units = Units(
        value=np.array([m.mean for m in told]),
        variance=np.array([m.variance for m in told]),
        effects=np.ones((pairs, 1)),
        base=np.array([0.5]),
        spread_of=np.array([-1]),
        unit_base=0.15,
        unit_spread=0,
        spreads=1,
    )
    found = fit_learning(units)
    mean, variance = found.predict(np.ones(1), (0.15 * found.spread[:, 0]) ** 2)
    exact_mean, exact_sd = full_model([likelihood(some, prior) for some in burns], 0.5, 0.15)
    assert mean == pytest.approx(exact_mean, abs=0.2 * exact_sd)
    assert math.sqrt(variance) == pytest.approx(exact_sd, rel=0.15)


def test_books_are_joined_without_counting_a_pair_twice() -> None:
    a, b, c = mdf("a"), mdf("b"), mdf("c")
    first = pool_records([(BENCH, a, burnt(BENCH, a, 0.0)), (BENCH, b, burnt(BENCH, b, 0.0))])
    second = pool_records([(BENCH, b, burnt(BENCH, b, 0.3)), (BENCH, c, burnt(BENCH, c, 0.3))])
    both = first.joined(second)
    assert both.pairs == 3
    names = [summary.sheet.name for summary in both.summaries["cut"]]
    assert names == ["a", "b", "c"]
    assert both.summaries["cut"][1] is second.summaries["cut"][0]


def test_what_is_no_record_is_refused() -> None:
    with pytest.raises(InvalidRecord, match=r"a record of the logbook is \('bench', 'm'\)"):
        pool_records([("bench", "m")])  # type: ignore[list-item]
    with pytest.raises(InvalidRecord, match="burns hold 'through': give a sequence of Burn"):
        pool_records([(BENCH, mdf("m"), ["through"])])  # type: ignore[list-item]
