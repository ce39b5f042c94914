"""What pooled priors, the pool and the priors before any burn gave before."""

from __future__ import annotations

import math
from dataclasses import asdict, replace

import pytest
from kept_results import same_as_kept
from pooling_cases import (
    ACRYLIC,
    BENCH,
    BIRCH,
    DIODE,
    LENS,
    MDF,
    METERED,
    SLOW,
    TARGET,
    THICK,
    cut_burns,
    marks,
    short,
    summary_at,
)

from calib.errors import InvalidRecord
from calib.fit import pooled_prior
from calib.fit.expectation import char_prior, cut_prior, expected_priors, mark_prior
from calib.fit.pair_summary import Response
from calib.fit.pool import Pool, pool_records
from calib.fit.priors import CutPrior, GradedPrior, Priors
from calib.records import OPERATIONS, Sheet

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
