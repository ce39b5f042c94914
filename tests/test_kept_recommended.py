"""Recommendations and what is promised of them: whether any word or number of them has changed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from advice_cases import JOB, cut, known, marked, promised
from boards import BIRCH, CO2
from kept_results import refusal, same_as_kept
from scipy.stats import poisson

import calib
from calib.advise import promise, recommend
from calib.advise.cut_region import KnowsGrades, as_floats
from calib.advise.promise import describe
from calib.advise.recommendation import Recommendation, share_words
from calib.advise.refusal import named
from calib.advise.wish import Wish
from calib.errors import NotEnoughEvidence
from calib.fit.thinning import thinned_region
from calib.records import Setting

# ------------------------------------------------------------------------------ recommendations


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> Callable[[calib.Region], calib.Region]:
    """Regions on few points, and so when their scatter is doubled; quickly, without jobs."""
    doubled = recommend.doubled_scatter

    def again(region: calib.Region) -> calib.Region:
        coupons = tuple(burn for burn in region.burns if burn.source != "job")
        return thinned_region(doubled(replace(region, burns=coupons)), 400)

    monkeypatch.setattr(recommend, "doubled_scatter", again)
    return lambda region: thinned_region(region, 400)


def test_recommended_cuts_are_as_they_were() -> None:
    region = known()
    same_as_kept("recommended_cuts", calib.recommend(region))


def test_recommended_clean_cuts_are_as_they_were(few: Callable[..., calib.Region]) -> None:
    found = calib.recommend(few(known()), "cleanest", 0.9, char_at_most=2, next_sheet=True)
    same_as_kept("recommended_clean", found)


def test_recommended_jobs_of_two_passes_are_as_they_were(few: Callable[..., calib.Region]) -> None:
    region = few(known(2))
    burns = (*region.burns, cut(80.0, 14.0, **JOB))
    region = replace(region, burns=burns, defects_per_m=0.4)
    same_as_kept(
        "recommended_jobs", calib.recommend(region, cut_length_mm=3000.0, reliability=0.95)
    )


def test_what_is_promised_of_a_job_hangs_on_recorded_jobs() -> None:
    fast, some = Wish(cut_length_mm=500.0), Wish(cut_length_mm=500.0, reliability=0.9)
    region = calib.fit_region(CO2, BIRCH)
    job = replace(region, burns=(cut(80.0, 14.0), cut(80.0, 14.0, **JOB)))
    regions = [replace(region, burns=job.burns[:1]), job, replace(region, operation="line_mark")]
    kept = [
        recommend._within_evidence(place, wish)
        for place in regions
        for wish in (fast, some, replace(some, reliability=0.901), Wish())
    ]
    same_as_kept("recommended_within", [*kept, recommend.MOST_WITHOUT_JOBS])


def test_recommended_marks_are_as_they_were(few: Callable[..., calib.Region]) -> None:
    same_as_kept("recommended_marks", calib.recommend(few(marked()), reliability=0.7))


def test_recommended_surfaces_are_as_they_were(few: Callable[..., calib.Region]) -> None:
    area = few(marked("area_mark"))
    assert recommend._pitches(area) == [0.1, 0.2]
    same_as_kept("recommended_surfaces", calib.recommend(area, mark=1, reliability=0.5))


def test_refusals_name_the_burns_that_settle_it() -> None:
    unburnt, region = calib.fit_region(CO2, BIRCH), known()
    outside = replace(region, machine=replace(CO2, ceiling_pct=30.0))
    kept = []
    for place, given in ((unburnt, {}), (region, {"reliability": 1 - 1e-9}), (outside, {}),
                         (calib.fit_region(CO2, BIRCH, "line_mark"), {})):  # fmt: skip
        with pytest.raises(NotEnoughEvidence, match="Burn next: ") as refused:
            calib.recommend(place, **given)
        kept.append([str(refused.value), refused.value.next_burns])
    kept.append(refusal(lambda: recommend.advised_setting(unburnt, Wish())))
    same_as_kept("recommended_refusals", kept)


def test_a_mark_is_settled_from_six_in_ten_on() -> None:
    region, wish = marked(), Wish()
    some: Any = SimpleNamespace(chance=0.6)
    assert recommend._doubtful_mark(region, wish, some) == []
    kept = recommend._doubtful_mark(region, wish, SimpleNamespace(chance=0.47))  # type: ignore[arg-type]
    again = named([Setting(power_pct=20.0, speed_mm_s=5.0)] * 2)
    same_as_kept("recommended_doubt", [kept, again])


@pytest.mark.parametrize(("moved", "said"), [(1.099, False), (1.101, True), (None, True)])
def test_advice_rests_on_the_scatter_where_it_moves_by_a_tenth(
    moved: float | None, said: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    region, at = known(), Setting(power_pct=80.0, speed_mm_s=16.0)
    again = None if moved is None else replace(at, speed_mm_s=16.0 * moved)
    monkeypatch.setattr(recommend, "_again", lambda loose, wish: again)
    monkeypatch.setattr(recommend, "doubled_scatter", lambda region: region)
    found = recommend._stated(region, Wish(reliability=0.9), at, ["first"])
    assert any("assumed scatter" in note for note in found.notes) is said
    same_as_kept(f"recommended_scatter_{moved}", [found.notes, found.chance_if_scatter_doubled])


def test_how_far_settings_lie_apart_is_the_larger_change() -> None:
    at = Setting(power_pct=80.0, speed_mm_s=16.0, passes=2)
    assert recommend._moved(at, at) == 0.0
    assert recommend._moved(replace(at, power_pct=60.0), at) == pytest.approx(0.25)
    assert recommend._moved(replace(at, passes=1), at) == pytest.approx(1.0)
    assert recommend._moved(replace(at, power_pct=90.0, speed_mm_s=12.0), at) == 0.25


def test_what_is_compared_is_what_was_compared() -> None:
    region = known()
    columns = np.array([80.0, 60.0]), np.array([14.0, 11.0]), np.array([1.0, 2.0])
    priced: Any = SimpleNamespace(of=lambda *_: SimpleNamespace(total=np.array([3.0, 4.0])))
    kept = [
        recommend._scores(promised(region), wish, columns, None)
        for wish in (Wish(), Wish(aim="cleanest"), Wish(aim="cheapest", priced=priced))
    ]
    kept.append(recommend._scores(promised(marked()), Wish(), columns, None))
    tied = [Setting(power_pct=p, speed_mm_s=v) for p, v in ((80.0, 9.0), (70.0, 9.0), (70.0, 30.0))]
    kept.append(recommend._judged(promised(region), Wish(reliability=0.9), tied))
    kept.append(recommend._judged(promised(region), Wish(), []))
    same_as_kept("search_scores", kept)


# ------------------------------------------------------------------------------ what is promised


def test_shares_are_said_as_they_were() -> None:
    shares = [0.0, 0.00049, 0.0005, 0.00051, 0.0009, 0.25, 0.5, 0.75, 0.445, 0.0445]
    shares += [0.85, 0.9, 0.95, 0.97, 0.975, 0.99, 0.995, 0.998, 0.9991, 0.9995, 0.9996, 1.0]
    words = {f"{s:.5g}": share_words(s) for s in (*shares, *np.geomspace(0.0004, 0.97, 70))}
    same_as_kept("share_words", words)
    # What is said lies within an eighth of what is meant, and is never all.
    for share, said in words.items():
        if 0.005 < float(share) < 0.9995:
            parts, whole = said.split(" in ")
            assert int(parts) < int(whole)
            assert int(parts) / int(whole) == pytest.approx(float(share), rel=0.14)


def test_words_and_promise_of_a_recommendation_are_as_they_were() -> None:
    numbers = {"power_pct": 80.0, "speed_mm_s": 12.5, "passes": 2, "chance": 0.985}
    given: dict[str, Any] = numbers | {"line_pitch_mm": None, "aim": "fastest", "reliability": 0.9}
    coupon = Recommendation(operation="cut", scope="coupon", **given)
    mark = Recommendation(operation="line_mark", scope="coupon", **given)
    every = [
        coupon,
        replace(coupon, char_at_most=2),
        replace(coupon, char_at_most=2, scope="job", cut_length_mm=900.0),
        mark,
        replace(mark, chance_not_deeper=0.9, mark=1, chance=0.7),
    ]
    same_as_kept("recommendation", [[r.words, r.promise, r.setting] for r in every])


def test_what_is_said_of_a_setting_is_as_it_was() -> None:
    region = replace(known(2), defects_per_m=0.3)
    at, twice = Setting(power_pct=80.0, speed_mm_s=17.0), Setting(power_pct=70.0, speed_mm_s=24.0,
                                                                 passes=2)  # fmt: skip
    kept = [
        describe(promised(region, **wish), "fastest", 0.9, setting)
        for wish in ({}, {"char_at_most": 1}, {"next_sheet": True}, {"cut_length_mm": 2500.0})
        for setting in (at, twice)
    ]
    assert [r.scope for r in kept[::2]] == ["coupon", "coupon", "sheet", "job"]
    kept.append(describe(promised(marked()), "fastest", 0.9, replace(at, power_pct=20.0)))
    same_as_kept("described", kept)


def test_doubled_scatter_and_thickness_are_as_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    region, at = known(), Setting(power_pct=80.0, speed_mm_s=17.0)
    loose = promise.doubled_scatter(region)
    assert loose.cut is not None
    assert region.cut is not None
    assert loose.cut.prior.scatter_ln - region.cut.prior.scatter_ln == pytest.approx(math.log(2.0))
    kept = [promised(loose).single(at), promise.cut_speed_mm_s(region, at)]
    for exponent in (-0.8, -0.5, 0.2):
        response = SimpleNamespace(thickness_exponent=exponent)
        monkeypatch.setattr(promise, "expected_response", lambda *_, r=response: r)
        rec = describe(promised(region), "fastest", 0.9, at)
        kept.append(rec.extra_thickness_survived_mm)
    assert kept[2] == kept[3] > kept[4]
    same_as_kept("promised_margins", kept)


@pytest.mark.parametrize("mean", [0.0, 0.03, 0.5, 7.0, 300.0])
def test_counts_of_a_known_mean_have_the_intervals_of_poisson(mean: float) -> None:
    found = promise._mixed_poisson(np.array([0.4, 0.6]), np.array([mean, mean]))
    assert found == tuple(poisson.ppf([0.05, 0.95], max(mean, 1e-12)).clip(0))


def test_counts_of_a_doubtful_mean_are_mixed() -> None:
    weight, mean = np.array([0.5, 0.3, 0.2]), np.array([2.0, 9.0, 40.0])
    counts = np.arange(200)
    mixed = np.cumsum(weight @ poisson.pmf(counts, mean[:, None]))
    by_hand = tuple(float(np.argmax(mixed >= share)) for share in (0.05, 0.95))
    assert promise._mixed_poisson(weight, mean) == by_hand


def test_a_fitted_region_knows_grades() -> None:
    assert isinstance(known(), KnowsGrades)
    assert as_floats(0.5).shape == ()
