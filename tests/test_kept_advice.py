"""Recommendations, next burns and starting points: whether anything of the advice has changed."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from boards import CO2, DIODE, TUBE_100
from kept_results import same_as_kept
from scipy.stats import poisson

import calib
from calib.advise import candidates as steps
from calib.advise import next_burns, next_marks, promise, recommend, transfer
from calib.advise.candidates import Row
from calib.advise.char_question import with_char
from calib.advise.cut_region import KnowsGrades, as_floats
from calib.advise.promise import Promised, describe
from calib.advise.recommendation import Recommendation, share_words
from calib.advise.wish import Wish
from calib.errors import CalibError, NotEnoughEvidence
from calib.fit import graded
from calib.fit.thinning import thinned_region
from calib.records import Burn, Machine, Setting, Sheet

BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
CARD = Sheet(name="card", material="card", thickness_mm=0.4)
# Power [%], speed [mm/s], passes, char.
CUTS = [(80.0, 14.0, 1, 2), (80.0, 18.5, 1, 1), (80.0, 20.0, 1, 1), (80.0, 24.0, 1, 0),
        (80.0, 30.0, 1, 0), (60.0, 11.0, 1, 2), (60.0, 14.5, 1, 1), (40.0, 6.0, 1, 3),
        (40.0, 9.5, 1, 1), (70.0, 20.0, 2, 3), (70.0, 30.0, 2, 1), (50.0, 14.0, 2, 3)]  # fmt: skip
JOB = {"source": "job", "sitting": "job 1", "count": 38, "cut_length_mm": 240.0}
LINES = [(20.0, 400.0, 1), (20.0, 250.0, 2), (30.0, 400.0, 2), (20.0, 120.0, 3), (15.0, 300.0, 1),
         (12.0, 400.0, 0), (40.0, 150.0, 4)]  # fmt: skip


def refusal(call: Callable[[], object]) -> str:
    """What is said when something is refused."""
    try:
        call()
    except CalibError as refused:
        return str(refused)
    raise AssertionError("nothing was refused")


def cut(power: float, speed: float, passes: int = 1, char: int | None = None, **more: Any) -> Burn:
    """Half of the coupons drop at 20 mm/s and 80 %, of two passes at about 1.6 times that."""
    spare = math.log(power / 80.0) - math.log(0.2 + 0.04 * speed / passes**0.7)
    grade = "through" if spare > 0 else "hanging" if spare > -0.06 else "no"
    given = {"power_pct": power, "speed_mm_s": speed, "passes": passes, "through": grade} | more
    return Burn(operation="cut", char=None if grade == "no" else char, **given)


def known(passes: int = 1, machine: Machine = CO2) -> calib.Region:
    burns = [cut(*given) for given in CUTS if given[2] <= passes]
    return calib.fit_region(machine, BIRCH, evidence=burns)


def marked(operation: str = "line_mark") -> calib.Region:
    pitches = (0.1, 0.2) if operation == "area_mark" else (None,)
    burns = [
        Burn(operation=operation, power_pct=p, speed_mm_s=v, mark=m, line_pitch_mm=pitches[n % len(pitches)])  # type: ignore[arg-type] # noqa: E501
        for n, (p, v, m) in enumerate(LINES)
    ]  # fmt: skip
    return calib.fit_region(CO2, BIRCH, operation, evidence=burns)


def promised(region: calib.Region, **more: Any) -> Promised:
    given = {"char_at_most": None, "mark": 2, "cut_length_mm": None, "next_sheet": False}
    return Promised(region=region, **given | more)


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
    again = recommend._named([Setting(power_pct=20.0, speed_mm_s=5.0)] * 2)
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


class Plain:
    """A promise by a plain formula that remembers what it was asked."""

    def __init__(self, reliable_mm_s: Callable[[np.ndarray], np.ndarray]) -> None:
        self.reliable = reliable_mm_s
        self.region = SimpleNamespace(
            operation="cut", expected_char=lambda p, v, n: np.abs(v - 7.0)
        )
        self.asked: list[str] = []

    def reliability_of(self, power: np.ndarray, speed: np.ndarray, *_: object) -> np.ndarray:
        some = sorted(zip(power.tolist(), speed.tolist(), strict=True))
        self.asked.append(" ".join(f"{p:g}:{v:g}" for p, v in some))
        return np.where(speed <= self.reliable(power), 0.99, 0.5)


def a_row(power: float = 80.0, count: int = 400, step: float = 0.1) -> Row:
    return Row(power_pct=power, passes=1, speeds=np.round(np.arange(1, count + 1) * step, 6))


@pytest.mark.parametrize("fastest", [20.0, 20.3, 21.3, 18.2, 12.0, 1.0, 0.0])
@pytest.mark.parametrize("aim", ["fastest", "cleanest"])
def test_the_exact_search_looks_where_it_looked(aim: str, fastest: float) -> None:
    plain: Any = Plain(lambda power: np.full(len(power), fastest + 1e-9))
    look = Setting(power_pct=80.0, speed_mm_s=20.0)
    rows = [a_row(60.0), a_row()]
    found = recommend._exactly(plain, Wish(aim=aim), rows, look)
    same_as_kept(f"search_exact_{aim}_{fastest:g}", [found, plain.asked])


def test_the_climb_looks_where_it_looked() -> None:
    kept = []
    rows = [a_row(power, 130, 0.25) for power in (50.0, 60.0, 70.0, 80.0)]
    start = Setting(power_pct=60.0, speed_mm_s=12.0)
    for aim in ("fastest", "cleanest"):
        for of_power in (0.3, 0.1, 0.0):
            plain: Any = Plain(lambda power, k=of_power: k * power)
            kept.append([recommend._climbed(plain, Wish(aim=aim), rows, start), plain.asked])
    same_as_kept("search_climbed", kept)


def test_a_climb_ends_after_sixty_steps() -> None:
    rows = [Row(power_pct=float(p), passes=1, speeds=np.array([0.1 * p])) for p in range(1, 100)]
    plain: Any = Plain(lambda power: np.full(len(power), 99.0))
    start = Setting(power_pct=1.0, speed_mm_s=0.1)
    assert recommend._climbed(plain, Wish(), rows, start).power_pct == 61.0


def test_neighbours_lie_beside_a_setting() -> None:
    by_power = {p: a_row(p, 12, 1.0) for p in (50.0, 60.0, 70.0)}
    kept = [
        sorted((s.power_pct, s.speed_mm_s) for s in recommend._neighbours(
            by_power, Setting(power_pct=p, speed_mm_s=v), stride))
        for p, v, stride in ((60.0, 6.0, 1), (50.0, 2.0, 2), (70.0, 11.0, 3))
    ]  # fmt: skip
    power, passes = np.array([80.0, 80, 70, 70, 60, 50]), np.array([1.0, 2, 1, 1, 1, 1])
    kept.append(recommend._apart([0, 1, 2, 3, 4, 5], power, passes))  # type: ignore[arg-type]
    kept.append(recommend._apart([3, 2, 5], power, passes))  # type: ignore[arg-type]
    same_as_kept("search_neighbours", kept)


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


# ------------------------------------------------------------------------------ candidates, wish


def test_steps_that_may_be_recommended_are_as_they_were() -> None:
    region = known(2, replace(CO2, max_speed_mm_s=26.0, speed_step_mm_s=0.5, power_step_pct=2.5))
    every = steps.rows(region)
    some = [f"{row.passes} x {row.power_pct:g} %: {row.speeds[0]:g} to {row.speeds[-1]:g},"
            f" {len(row.speeds)}" for row in every]  # fmt: skip
    low = steps.rows(replace(region, machine=replace(region.machine, ceiling_pct=57.4)))
    fine = [Row(power_pct=float(p), passes=p % 2 + 1, speeds=np.arange(1, 200) * 0.1)
            for p in range(1, 61)]  # fmt: skip
    picked = steps.sample(fine)
    looks = [[row.power_pct, row.passes, row.speeds[:3], len(row.speeds)] for row in picked]
    row = every[0]
    places = [row.at(v) for v in (0.1, *row.speeds[[0, 3]], row.speeds[3] - 0.01, 900.0)]
    kept = [some, [r.power_pct for r in low], looks, steps.table(every), places]
    same_as_kept("candidates", kept)


def test_steps_are_multiples_and_hold_both_ends() -> None:
    kept = [
        steps._steps(low, high, 0.1)
        for low, high in ((0.0, 0.3), (0.2, 0.5), (0.2000000001, 0.4999999999), (0.201, 0.499),
                          (0.2 + 2e-7, 0.5 - 2e-7), (0.31, 0.39))
    ]  # fmt: skip
    spread = [steps._spread(*given) for given in ((5, 24), (24, 24), (25, 24), (60, 7), (1, 3))]
    same_as_kept("candidate_steps", [kept, spread])


def test_wishes_that_make_no_sense_are_refused_in_the_same_words() -> None:
    wrong: list[dict[str, Any]] = [
        {"aim": "best"}, {"reliability": 0.0}, {"reliability": 1.0}, {"char_at_most": 5},
        {"char_at_most": -1}, {"mark": True}, {"mark": 2.5}, {"cut_length_mm": 0.0},
        {"cut_length_mm": 1e9},
    ]  # fmt: skip
    said = [refusal(lambda given=given: Wish(**given)) for given in wrong]
    fine = [Wish(), Wish(char_at_most=0, mark=4, cut_length_mm=0.5), Wish(aim="cleanest")]
    same_as_kept("wishes", [said, fine])


# ------------------------------------------------------------------------------ next cuts


def test_machines_and_draws_bound_the_cuts_as_they_did() -> None:
    machines = [CO2, TUBE_100, DIODE, replace(CO2, acceleration_mm_s2=None),
                replace(CO2, max_speed_mm_s=12.0), replace(CO2, beam_starts_pct=40.0)]  # fmt: skip
    kept = []
    for machine in machines:
        thin = calib.fit_region(machine, CARD if machine is TUBE_100 else BIRCH)
        assert thin.cut is not None
        draws, v0 = next_burns.cut_draws(thin), thin.cut.prior.speed0_mm_s
        kept.append({
            "fastest": next_burns.fastest_cut_mm_s(machine),
            "draws": len(draws.weight),
            "powers": next_burns._powers(draws, machine, v0),
            "just": [next_burns._just_cuts_pct(draws, machine, r) for r in (0.1, 1.0, 3.0)],
            "slowest": [next_burns._slowest_mm_s(draws, machine, p, v0) for p in (2.0, 80.0)],
            "ln power": next_burns._ln_power(machine, 45.0),
            "edges": next_burns._edges(draws, machine, 60.0, 1.5, v0),
        })
    same_as_kept("next_cut_bounds", kept)


def test_candidates_of_cuts_are_as_they_were() -> None:
    kept = []
    for region, passes in ((known(2), (1, 2)), (calib.fit_region(TUBE_100, CARD), (1,))):
        found = next_burns.cut_candidates(region, next_burns.cut_draws(region), passes)
        kept.append([f"{s.passes} x {s.power_pct:g} % {s.speed_mm_s:g}" for s in found])
    same_as_kept("next_cut_candidates", kept)


@pytest.mark.parametrize("n", [1, 3, 4])
def test_next_cuts_are_as_they_were(n: int) -> None:
    one = calib.fit_region(CO2, BIRCH, evidence=[cut(80.0, 18.0)])
    kept = [next_burns.next_cuts(region, n) for region in (known(), one)]
    same_as_kept(f"next_cuts_{n}", kept)


@pytest.mark.parametrize("n", [3, 6])
def test_first_cuts_are_as_they_were(n: int) -> None:
    same_as_kept(f"first_cuts_{n}", next_burns.next_cuts(calib.fit_region(CO2, BIRCH), n))


def test_next_cuts_of_two_passes_and_a_limit_of_char_are_as_they_were() -> None:
    more: dict[str, Any] = {"reliability": 0.8, "passes": (1, 2), "char_at_most": 1}
    same_as_kept("next_cuts_charred", next_burns.next_cuts(known(2), 2, **more))


def test_what_the_next_cuts_ask_is_as_it_was() -> None:
    kept = []
    for region, n in ((known(), 4), (known(), 3), (calib.fit_region(TUBE_100, CARD), 4),
                      (calib.fit_region(replace(CO2, ceiling_pct=60.0), BIRCH), 4)):  # fmt: skip
        draws = next_burns.cut_draws(region)
        settings = [Setting(power_pct=p, speed_mm_s=v) for p, v, *_ in CUTS[:9]]
        asked = next_burns._cut_question(region, draws, settings, 0.97, n)
        kept.append([asked.importance, asked.targets, asked.chances])
    same_as_kept("next_cut_question", kept)


def test_a_board_needs_the_cells_it_needed() -> None:
    """Slower and faster cells at the ceiling and one at half power, unless they were burnt."""
    tried = [(80.0, v) for v in (5.0, 8.0, 12.0, 16.0, 20.0, 30.0)]
    tried += [(p, v) for p in (60.0, 41.0, 40.0, 20.0) for v in (5.0, 9.0, 12.0)]
    settings = [Setting(power_pct=p, speed_mm_s=v) for p, v in tried]
    spread = np.log(np.geomspace(6.0, 24.0, 101))
    narrow = np.log(np.geomspace(10.0, 14.0, 101))
    wide = np.log(np.geomspace(1.0, 90.0, 101))
    burnt = [[], [(80.0, 6.2)], [(80.0, 6.0), (80.0, 22.5)], [(80.0, 12.5), (40.0, 3.0)],
             [(80.0, 6.0), (80.0, 30.0), (40.1, 3.0)], [(79.9, 5.0), (60.0, 30.0)],
             [(80.0, 7.2)], [(80.0, 7.6)]]  # fmt: skip
    kept = []
    for fastest in (spread, narrow, wide):
        for before in burnt:
            region: Any = SimpleNamespace(
                burns=[cut(p, v) for p, v in before]
                + [cut(80.0, 1.0, 2), cut(80.0, 90.0, 2)] * bool(before)
            )
            for n in (3, 4):
                masks = next_burns._must(region, settings, fastest, n)
                kept.append(["".join("01"[int(x)] for x in mask) for mask in masks])
    same_as_kept("next_cut_must", kept)


def test_char_is_asked_of_cuts_as_it_was() -> None:
    region = known()
    settings = [Setting(power_pct=p, speed_mm_s=v) for p, v, *_ in CUTS[:5]]
    draws = next_burns.cut_draws(region)
    asked = next_burns._cut_question(region, draws, settings, 0.97, 4)
    assert with_char(region, settings, asked, 4) is asked
    kept = []
    for most in (0, 1, 3):
        found = with_char(region, settings, asked, most)
        assert found.chances.sum(axis=0) == pytest.approx(1.0)
        kept.append([found.importance, found.targets, found.chances[:, ::200, ::2]])
    same_as_kept("next_cut_char", kept)


# ------------------------------------------------------------------------------ next marks


def test_candidates_of_marks_are_as_they_were() -> None:
    kept: list[object] = []
    for machine in (CO2, replace(CO2, acceleration_mm_s2=None, beam_starts_pct=10.0), DIODE):
        region = calib.fit_region(machine, BIRCH, "line_mark")
        assert region.mark is not None
        kept.append(next_marks.fastest_mark_mm_s(machine))
        fit = graded.thinned(region.mark, 500)
        found = next_marks.mark_candidates(region, fit, None, 180.0)
        kept.append([f"{s.power_pct:g} % {s.speed_mm_s:g}" for s in found])
    dark = replace(fit, location=fit.location - 9.0)
    kept.append(next_marks.mark_candidates(region, dark, 0.2))
    same_as_kept("next_mark_candidates", kept)


@pytest.mark.parametrize("n", [2, 3, 5])
def test_next_marks_are_as_they_were(n: int) -> None:
    area = marked("area_mark")
    kept = [
        next_marks.next_marks(calib.fit_region(CO2, BIRCH, "line_mark"), n),
        next_marks.next_marks(marked(), n, 0),
        next_marks.next_marks(area, n, 4, fastest_mm_s=90.0),
        next_marks.next_marks(calib.fit_region(DIODE, BIRCH, "area_mark"), n, 1, 0.25),
    ]
    pitches = [next_marks.mark_pitch(area), next_marks.mark_pitch(area, 0.3)]
    same_as_kept(f"next_marks_{n}", [kept, pitches])


def test_where_grades_begin_and_end_is_as_it_was() -> None:
    region = marked("area_mark")
    assert region.mark is not None
    fit = graded.thinned(region.mark, 200)
    kept = [next_marks._boundaries(region, fit, m, p) for m in range(5) for p in (None, 0.15)]
    same_as_kept("next_mark_boundaries", kept)


def test_a_first_board_of_marks_needs_the_corners_it_needed() -> None:
    region = calib.fit_region(CO2, BIRCH, "line_mark")
    kept = []
    for powers in ((10.0, 19.9, 20.0, 20.1), (10.0, 12.0)):
        settings = [Setting(power_pct=p, speed_mm_s=v) for p in powers for v in (30.0, 33.3, 100.0)]
        settings.append(Setting(power_pct=10.0, speed_mm_s=33.4))
        masks = next_marks._must(region, settings)
        kept.append(["".join("01"[int(x)] for x in mask) for mask in masks])
    assert next_marks._must(marked(), settings) == []
    same_as_kept("next_mark_must", kept)


def test_what_surely_scorches_is_no_candidate(monkeypatch: pytest.MonkeyPatch) -> None:
    """At nine chances in ten a mark is left out; where all are, the gentlest stays."""
    region = calib.fit_region(CO2, BIRCH, "line_mark")
    assert region.mark is not None
    weight = np.array([1.0])
    fit: Any = SimpleNamespace(weight=weight)

    def scorched(below: float) -> Callable[..., np.ndarray]:
        def chances(region: object, fit: object, settings: Sequence[Setting]) -> np.ndarray:
            power = np.array([s.power_pct for s in settings])
            return np.broadcast_to(np.where(power > 16.0, 0.9, below), (5, 1, len(power)))

        return chances

    monkeypatch.setattr(next_marks, "chances_of", scorched(0.899))
    found = next_marks.mark_candidates(region, fit, None)
    assert {s.power_pct for s in found} == {12.0, 16.0}
    monkeypatch.setattr(next_marks, "chances_of", scorched(0.95))
    assert len(next_marks.mark_candidates(region, fit, None)) == 1


# ------------------------------------------------------------------------------ other machines


def told(start: calib.StartingPoint) -> list[object]:
    names = ("setting", "interval_mm_s", "reliability", "chance", "notes", "confirm")
    same = (start.power_pct, start.speed_mm_s, start.passes, start.line_pitch_mm)
    return [*(getattr(start, name) for name in names), same]


def test_starting_points_of_cuts_are_as_they_were() -> None:
    region = known(machine=replace(CO2, lens_mm=50.8, beam_mm=6.5))
    kept = []
    for changes in ({"rated_w": 120.0}, {"rated_w": 121.0, "lens_mm": None}, {"rated_w": 29.9},
                    {"rated_w": 8.0, "acceleration_mm_s2": 400.0}):  # fmt: skip
        there = replace(region.machine, name="there", **changes)  # type: ignore[arg-type]
        kept.append(told(transfer.starting_point(transfer.transfer_region(region, there), 0.95)))
    same_as_kept("starts_of_cuts", kept)


def test_starting_points_of_marks_are_as_they_were() -> None:
    there = replace(CO2, name="there", rated_w=40.0)
    kept = []
    for operation, mark in (("line_mark", 2), ("area_mark", 3)):
        other = transfer.transfer_region(marked(operation), there)
        kept.append(told(transfer.starting_point(other, mark=mark)))
    assert other.mark is not None
    fit = graded.thinned(other.mark, 100)
    for pitch in (None, 0.15):
        at = Setting(power_pct=30.0, speed_mm_s=90.0, line_pitch_mm=pitch)
        kept += [transfer.middle_speeds_mm_s(other, fit, at, m) for m in range(5)]
    same_as_kept("starts_of_marks", kept)


def test_speeds_elsewhere_are_as_they_were() -> None:
    region = known()
    kept: list[object] = [
        transfer.reliable_speeds_mm_s(region, p, r) for p, r in ((80.0, 0.99), (45.0, 0.8))
    ]
    kept.append(transfer._quantiles(np.linspace(1.0, 2.0, 1001)))
    assert transfer._quantiles(np.linspace(0.0, 1.0, 1001)) == pytest.approx((0.05, 0.5, 0.95))
    pool = transfer.carried_pool(region)
    both = transfer.carried_pool(region, transfer.carried_pool(marked()))
    kept.append([pool.pairs, both.pairs])
    unburnt = calib.fit_region(CO2, BIRCH)
    kept.append(transfer._transfer_notes(unburnt, replace(CO2, name="b", rated_w=30.0)))
    kept.append(transfer._transfer_notes(unburnt, replace(CO2, name="b", rated_w=29.0)))
    kept.append(refusal(lambda: transfer.transfer_region(region, DIODE)))
    kept.append(refusal(lambda: transfer.expected_start(region)))
    same_as_kept("speeds_elsewhere", kept)


def test_a_sheet_that_may_not_be_cut_at_all_is_said_to_be() -> None:
    """From a slowest speed below the machine's step on."""
    region = replace(calib.fit_region(DIODE, BIRCH), notes=("a", "a"))
    start = transfer.expected_start(region)
    slow = start.slowest_mm_s
    notes = []
    for step in (slow * 0.999, slow * 1.001):
        there = replace(region, machine=replace(DIODE, speed_step_mm_s=step))
        notes.append(transfer.expected_start(there).notes)
    assert [len(some) for some in notes] == [1, 2]
    same_as_kept("starts_too_slow", notes)


def test_a_fitted_region_knows_grades() -> None:
    assert isinstance(known(), KnowsGrades)
    assert as_floats(0.5).shape == ()
