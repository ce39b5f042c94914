"""Recommendations: inside what was burnt, on the machine's steps, best of all steps, or refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import Delaunay
from test_cut_fit import EVENING, MACHINE

import calib
from calib.advice.recommend import rounded_down
from calib.fit.hull import burnt_hull, inside, speed_range

SHEET = calib.Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)


def evening(char=True) -> list[calib.Burn]:
    """The evening's cuts; slower and weaker settings char more."""
    return [
        calib.Burn(
            operation="cut",
            power_pct=float(p),
            speed_mm_s=v,
            through=t,
            char=int(np.clip(3 - np.log2(v / 8.0), 0, 4)) if char and t != "no" else None,
        )
        for p, v, t in EVENING
    ]


@pytest.fixture(scope="module")
def region() -> calib.Region:
    return calib.fit_region(MACHINE, SHEET, evidence=evening())


@pytest.fixture(scope="module")
def fastest(region) -> calib.Recommendation:
    return calib.recommend(region)


def every_step(region) -> tuple[np.ndarray, np.ndarray]:
    """All settings on the machine's steps inside the hull, one pass."""
    hull = region.hulls[1]
    power, speed = [], []
    for p in range(40, 81):
        low, high = speed_range(hull, float(p))
        v = np.arange(np.ceil(low * 10 - 1e-6), np.floor(high * 10 + 1e-6) + 1) / 10
        power.append(np.full(len(v), float(p)))
        speed.append(v)
    return np.concatenate(power), np.concatenate(speed)


def test_fastest_is_the_fastest_of_all_steps(region, fastest):
    rec = fastest
    assert rec.chance >= 0.99
    assert rec.chance == region.chance_through(rec.power_pct, rec.speed_mm_s)
    assert region.tested(rec.power_pct, rec.speed_mm_s)
    power, speed = every_step(region)
    faster = speed > rec.speed_mm_s + 1e-6
    near = faster & (speed < rec.speed_mm_s * 1.3)
    assert (region.chance_through(power[near], speed[near]) < 0.99).all()


def test_cleanest_beats_fastest_in_char_and_a_coarse_search(region, fastest):
    clean = calib.recommend(region, aim="cleanest")
    assert clean.chance >= 0.99
    assert clean.expected_char <= fastest.expected_char + 1e-9
    power, speed = (column[::37] for column in every_step(region))
    good = region.chance_through(power, speed) >= 0.99
    best = np.min(region.expected_char(power[good], speed[good]))
    assert clean.expected_char <= best + 0.01


@pytest.mark.parametrize(
    "char",
    [lambda p, v: None, lambda p, v: 1, lambda p, v: int(np.clip(round(p / v / 2), 0, 4))],
    ids=["none read", "alike", "by dose"],
)
def test_of_settings_as_clean_as_far_as_is_known_the_fastest_is_cleanest(char):
    burns = [replace(b, char=char(b.power_pct, b.speed_mm_s)) for b in evening(char=False)]
    burns = [replace(b, char=None) if b.through == "no" else b for b in burns]
    region = calib.fit_region(MACHINE, SHEET, evidence=burns)
    clean, fast = calib.recommend(region, aim="cleanest"), calib.recommend(region)
    assert clean.setting == fast.setting


def test_a_setting_known_to_be_cleaner_is_cleanest_though_slower():
    burns = [
        replace(b, char=int(np.clip(round(b.power_pct / 25 - 1), 0, 4)))
        for b in evening(char=False)
        if b.through != "no"
    ]
    burns += [b for b in evening(char=False) if b.through == "no"]
    region = calib.fit_region(MACHINE, SHEET, evidence=burns)
    clean, fast = calib.recommend(region, aim="cleanest"), calib.recommend(region)
    assert clean.speed_mm_s < fast.speed_mm_s
    assert clean.expected_char < fast.expected_char - 0.3


def test_joint_chance_and_its_bound(region):
    rec = calib.recommend(region, reliability=0.8, char_at_most=2)
    at = rec.power_pct, rec.speed_mm_s
    through, fine = region.chance_through(*at), region.chance_char_at_most(2, *at)
    assert rec.chance == pytest.approx(through * fine)
    assert rec.chance_at_least == pytest.approx(max(0.0, through + fine - 1.0))
    assert rec.chance_at_least <= rec.chance
    assert rec.chance >= 0.8


def test_margins_hang_together(region, fastest):
    rec = fastest
    m = region.median_reach(rec.power_pct, rec.speed_mm_s)
    assert rec.energy_margin_pct == pytest.approx(100 * (np.exp(m) - 1))
    assert rec.power_loss_survived_pct == pytest.approx(100 * (1 - np.exp(-m)))
    assert rec.extra_thickness_survived_mm > 0
    assert rec.pushes_per_hour > 0


def test_more_reliability_is_slower(region, fastest):
    speeds = [calib.recommend(region, reliability=r).speed_mm_s for r in (0.9, 0.97)]
    assert speeds[0] > speeds[1] > fastest.speed_mm_s


def test_the_next_sheet_is_slower(region, fastest):
    assert calib.recommend(region, next_sheet=True).speed_mm_s < fastest.speed_mm_s


def test_a_whole_job_without_recorded_jobs_is_stated_at_most_nine_in_ten(region):
    rec = calib.recommend(region, reliability=0.99, cut_length_mm=2000.0)
    assert rec.reliability == 0.99, "what was asked for"
    assert 0.9 <= rec.chance < 0.99
    assert any("A chance of 99 % was asked for, but no whole job" in note for note in rec.notes)
    low, high = rec.expected_pushes_interval
    assert low <= rec.expected_pushes <= high
    coupons = 2000.0 / calib.COUPON_CUT_MM
    failing = 1 - region.chance_through(rec.power_pct, rec.speed_mm_s)
    expected = coupons * failing + 2.0 * region.defects_per_m
    assert rec.expected_pushes == pytest.approx(expected, rel=1e-6)
    # A job that needs a push needs it at one place at least; defects come on top of both.
    assert rec.expected_defects == pytest.approx(2.0 * region.defects_per_m)
    assert rec.expected_pushes - rec.expected_defects >= 1.0 - rec.chance_no_push
    no_defect = np.exp(-rec.expected_defects)
    assert rec.chance_no_help == pytest.approx(rec.chance_no_push * no_defect)


def test_a_refused_job_says_what_was_asked_for():
    with pytest.raises(
        calib.NotEnoughEvidence, match=r"A chance of 99 % was .*90 % would be enough"
    ):
        calib.recommend(burnt_fast(), cut_length_mm=3000.0)


def test_nothing_burnt_is_refused_and_the_next_burns_named():
    region = calib.fit_region(MACHINE, SHEET)
    with pytest.raises(calib.NotEnoughEvidence, match="has been burnt yet.*Burn next") as refused:
        calib.recommend(region)
    assert len(refused.value.next_burns) == 4
    for s in refused.value.next_burns:
        assert s.power_pct <= MACHINE.ceiling_pct


def test_none_through_is_refused():
    burns = [replace(b, through="no", char=None) for b in evening()]
    region = calib.fit_region(MACHINE, SHEET, evidence=burns)
    assert region.edge == "none_through"
    assert any("slower" in note for note in region.notes)
    with pytest.raises(calib.NotEnoughEvidence, match="99 % was asked for"):
        calib.recommend(region)


def burnt_fast(*more: tuple[float, str]) -> calib.Region:
    """Cuts at the ceiling, all of them faster than what could be advised."""
    burns = [
        calib.Burn(operation="cut", power_pct=80.0, speed_mm_s=v, through=t)
        for v, t in ((20.0, "through"), (22.0, "through"), (23.0, "hanging"), (25.0, "no"), *more)
    ]
    return calib.fit_region(MACHINE, SHEET, evidence=burns)


@pytest.mark.parametrize("reliability", [0.95, 0.99, 0.999])
def test_one_burn_decides_what_only_lies_outside_of_what_was_burnt(reliability):
    """Four burns find the edge; the one that is named, once it drops, may be advised."""
    with pytest.raises(calib.NotEnoughEvidence, match="if it comes out well") as refused:
        calib.recommend(burnt_fast(), reliability=reliability)
    (named,) = refused.value.next_burns
    rec = calib.recommend(burnt_fast((named.speed_mm_s, "through")), reliability=reliability)
    assert rec.chance >= reliability
    assert rec.speed_mm_s >= named.speed_mm_s


def test_what_is_best_is_never_rounded_up_to_what_was_asked():
    shown = [rounded_down(x) for x in (0.0, 0.5, 0.9399, 0.95, 0.98996, 0.99, 0.99987654)]
    assert shown == ["0 %", "50 %", "93.9 %", "95 %", "98.9 %", "99 %", "99.9876 %"]


def test_all_through_keeps_inside_what_was_burnt():
    burns = [b for b in evening() if b.through == "through"]
    region = calib.fit_region(MACHINE, SHEET, evidence=burns)
    assert region.edge == "all_through"
    assert any("faster" in note for note in region.notes)
    rec = calib.recommend(region)
    assert region.tested(rec.power_pct, rec.speed_mm_s)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"aim": "quickest"}, "aim is 'quickest'"),
        ({"reliability": 1.0}, "reliability is 1.0"),
        ({"char_at_most": 7}, "char_at_most is 7"),
        ({"cut_length_mm": -1.0}, "cut_length_mm is -1.0"),
    ],
)
def test_senseless_wishes_are_named(region, wish, words):
    with pytest.raises(calib.InvalidRecord, match=words):
        calib.recommend(region, **wish)


@pytest.fixture(scope="module")
def lines():
    rows = [(12, 220, 0), (12, 120, 1), (12, 60, 2), (16, 220, 1), (16, 80, 2), (24, 220, 1)]
    rows += [(24, 150, 2), (24, 100, 2), (32, 220, 2), (32, 120, 3), (32, 60, 4), (24, 60, 3)]
    burns = [
        calib.Burn(operation="line_mark", power_pct=float(p), speed_mm_s=float(v), mark=g)
        for p, v, g in rows
    ]
    return calib.fit_region(MACHINE, SHEET, "line_mark", burns)


@pytest.fixture(scope="module")
def areas():
    """A face whose grade grows with the dose, burnt at two line pitches."""
    settings = [(12, 400, 0.1), (12, 100, 0.1), (30, 150, 0.1), (40, 400, 0.1), (20, 250, 0.1),
                (15, 400, 0.15), (60, 400, 0.15), (40, 120, 0.15), (20, 100, 0.15), (40, 300, 0.15),
                (50, 330, 0.15)]  # fmt: skip
    burns = [
        calib.Burn(
            operation="area_mark", power_pct=float(p), speed_mm_s=float(v), line_pitch_mm=s,
            mark=int(np.clip(round(2.0 + 1.4 * np.log(0.6 * p / (v * s) / 0.45)), 0, 4)),
        )
        for p, v, s in settings
    ]  # fmt: skip
    return calib.fit_region(MACHINE, SHEET, "area_mark", burns)


def test_an_area_is_the_fastest_surface_of_the_likeliest_at_any_pitch_that_was_burnt(areas):
    rec = calib.recommend(areas)
    at = rec.power_pct, rec.speed_mm_s, 1, rec.line_pitch_mm
    assert areas.tested(*at)
    assert rec.chance == pytest.approx(areas.chance_mark(2, *at))
    # 100 mm² by the speed and the distance of the lines, by hand.
    assert rec.seconds_per_cm2 == pytest.approx(100.0 / (rec.speed_mm_s * rec.line_pitch_mm))
    places = [
        (float(p), float(v), 1, s)
        for p in range(12, 61)
        for v in range(100, 401, 4)
        for s in (0.1, 0.15)
        if areas.tested(p, v, 1, s)
    ]
    power, speed, _, pitch = np.array(places).T
    chances = areas.chance_mark(2, power, speed, 1, pitch)
    assert rec.chance >= chances.max() - 0.02 - 1e-9
    as_good = chances >= chances.max() - 0.02 + 0.002
    assert rec.speed_mm_s * rec.line_pitch_mm >= 0.95 * (speed * pitch)[as_good].max()


def test_what_was_burnt_of_areas_is_a_body_of_power_speed_and_pitch(areas):
    """Against another's triangulation of the same burns in three dimensions."""
    body = Delaunay([np.log([b.power_pct, b.speed_mm_s, b.line_pitch_mm]) for b in areas.burns])
    rng = np.random.default_rng(5)
    seen = set()
    for pitch in (0.1, 0.12, 0.15):
        for power, speed in zip(rng.uniform(12, 60, 200), rng.uniform(100, 400, 200), strict=True):
            place = np.log([power, speed, pitch])
            # What lies on the body's face is either.
            near = [place + np.array([0.0, 0.0, shift]) for shift in (-1e-6, 1e-6)]
            inside = {bool(body.find_simplex(one) >= 0) for one in near}
            if pitch == 0.12:
                assert {areas.tested(power, speed, 1, pitch)} == inside
            else:
                assert areas.tested(power, speed, 1, pitch) == (True in inside)
            seen.add(areas.tested(power, speed, 1, pitch))
    assert seen == {True, False}
    assert not areas.tested(40.0, 300.0, 1, 0.09)


def test_marks_keep_a_reliability_of_not_going_deeper_that_is_given(lines):
    rec = calib.recommend(lines, reliability=0.9)
    at = rec.power_pct, rec.speed_mm_s
    assert rec.chance == pytest.approx(lines.chance_mark(2, *at))
    assert rec.chance_not_deeper == pytest.approx(lines.chance_mark_at_most(2, *at))
    assert rec.chance_not_deeper >= 0.9
    assert lines.tested(*at)
    total = sum(lines.chance_mark(g, *at) for g in range(5))
    assert total == pytest.approx(1.0, abs=1e-9)
    strict = calib.recommend(lines, reliability=0.995)
    assert strict.chance_not_deeper >= 0.995
    assert strict.chance < rec.chance


def test_a_mark_is_the_fastest_of_the_likeliest_where_no_bound_is_given(lines):
    rec = calib.recommend(lines)
    assert rec.reliability is None
    assert rec.chance_not_deeper == pytest.approx(
        lines.chance_mark_at_most(2, rec.power_pct, rec.speed_mm_s)
    )
    # Every step of a coarse grid inside what was burnt, looked at one by one.
    places = [
        (float(p), float(v)) for p in range(12, 33) for v in range(60, 221, 2) if lines.tested(p, v)
    ]
    power, speed = np.array(places).T
    chances = lines.chance_mark(2, power, speed)
    assert rec.chance >= chances.max() - 0.02 - 1e-9
    as_good = chances >= chances.max() - 0.02 + 0.002
    # What is a twentieth slower is as fast; of that it is the likeliest.
    as_fast = as_good & (speed >= 0.95 * speed[as_good].max())
    assert rec.speed_mm_s >= speed[as_fast].min()
    assert rec.chance >= chances[as_fast].max() - 0.005
    assert rec.speed_mm_s > speed[chances.argmax()]


def test_any_of_some_grades_is_likelier_than_each(lines):
    rec = calib.recommend(lines, mark=(1, 2))
    at = rec.power_pct, rec.speed_mm_s
    assert rec.mark == (1, 2)
    assert rec.chance == pytest.approx(lines.chance_mark(1, *at) + lines.chance_mark(2, *at))
    assert rec.chance_not_deeper == pytest.approx(lines.chance_mark_at_most(2, *at))
    assert rec.chance > max(calib.recommend(lines, mark=mark).chance for mark in (1, 2))


def test_a_mark_that_no_setting_is_likely_to_leave_is_refused():
    burns = [
        calib.Burn(operation="line_mark", power_pct=float(p), speed_mm_s=float(v), mark=g)
        for p, v, g in [(12, 220, 0), (12, 120, 0), (16, 220, 0), (16, 160, 0), (24, 220, 1)]
    ]
    region = calib.fit_region(MACHINE, SHEET, "line_mark", burns)
    with pytest.raises(calib.NotEnoughEvidence, match="a mark of grade 3: the best has") as caught:
        calib.recommend(region, mark=3)
    assert caught.value.next_burns


@pytest.mark.parametrize("scope", [{"cut_length_mm": 3000.0}, {"next_sheet": True}])
def test_marks_are_advised_one_at_a_time(lines, scope):
    given = r"(cut_length_mm is 3000\.0|next_sheet is True): the chance of a mark is always that of"
    with pytest.raises(calib.InvalidRecord, match=given):
        calib.recommend(lines, **scope)


def test_hull_against_points_drawn_inside_and_outside():
    rng = np.random.default_rng(0)
    corners = [(40.0, 5.0), (40.0, 20.0), (80.0, 12.0), (80.0, 50.0), (60.0, 15.0)]
    hull = burnt_hull(corners)
    for p, v in corners:
        assert inside(hull, p, v)
    for _ in range(200):
        share = rng.dirichlet(np.ones(len(corners)))
        ln = share @ np.log(corners)
        assert inside(hull, float(np.exp(ln[0])), float(np.exp(ln[1])))
    assert not inside(hull, 39.0, 10.0)
    assert not inside(hull, 80.0, 51.0)
    assert not inside(hull, 80.0, 11.0)


def test_a_mark_in_doubt_says_what_to_burn_next():
    """Two marks, one too faint and one too deep: what lies between is a guess."""
    few = [
        calib.Burn(operation="line_mark", power_pct=p, speed_mm_s=v, mark=g)
        for p, v, g in ((10.0, 200.0, 0), (40.0, 200.0, 4), (20.0, 100.0, 3))
    ]
    region = calib.fit_region(MACHINE, SHEET, operation="line_mark", evidence=few)
    rec = calib.recommend(region, mark=1)
    assert rec.chance < 0.6
    assert any("Not sure yet" in n and "Burn next: " in n for n in rec.notes)


def test_what_is_only_bounded_is_not_said_to_be_about_so_much(region):
    sure = calib.recommend(region, reliability=0.99999)
    assert sure.words == "fewer than 1 in 1000 will need a push"
    assert calib.recommend(region, reliability=0.95).words.startswith("about 1 in ")
