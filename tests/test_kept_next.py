"""The next cuts and marks to burn: whether any of them has changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from advice_cases import CARD, CUTS, cut, known, marked
from boards import BIRCH, CO2, DIODE, TUBE_100
from kept_results import same_as_kept

import calib
from calib.advise import next_burns, next_marks
from calib.advise.char_question import with_char
from calib.fit import graded
from calib.records import Setting

# ------------------------------------------------------------------------------ next cuts


def test_machines_and_draws_bound_the_cuts_as_they_did() -> None:
    machines = [CO2, TUBE_100, DIODE, replace(CO2, acceleration_mm_s2=None),
                replace(CO2, max_speed_mm_s=12.0), replace(CO2, beam_starts_pct=40.0)]  # fmt: skip
    kept = []
    for machine in machines:
        thin = calib.fit_region(machine, CARD if machine is TUBE_100 else BIRCH)
        assert thin.cut is not None
        draws = next_burns.cut_draws(thin)
        kept.append({
            "fastest": next_burns.fastest_cut_mm_s(machine),
            "draws": len(draws.weight),
            "passes": next_burns.passes_to_try(thin),
        })
    same_as_kept("next_cut_bounds", kept)


def test_candidates_of_cuts_are_as_they_were() -> None:
    kept = []
    for region, passes, n in ((known(2), (1, 2), 4), (calib.fit_region(TUBE_100, CARD), (1,), 6),
                              (known(), (1,), 3), (known(2), (2, 3), 2)):  # fmt: skip
        found = next_burns.cut_candidates(region, next_burns.cut_draws(region), passes, n)
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
    passes: Any = SimpleNamespace(prior=SimpleNamespace(passes_mean=0.7))
    kept = []
    for fastest in (spread, narrow, wide):
        for before in burnt:
            region: Any = SimpleNamespace(
                cut=passes,
                burns=[cut(p, v) for p, v in before]
                + [cut(80.0, 1.0, 2), cut(80.0, 90.0, 2)] * bool(before),
            )
            for cells in (settings, [replace(s, passes=2) for s in settings]):
                kept.append(shown(next_burns._must(region, cells, fastest)))
    same_as_kept("next_cut_must", kept)


def test_few_burns_need_the_cells_they_needed() -> None:
    """First at the ceiling, then free, then slow enough to hold what could be advised."""
    kept = []
    for before in ([], [(60.0, 9.0)], [(80.0, 9.0)], [(80.0, 25.0)] * 3, [(80.0, 25.0)] * 4,
                   [(80.0, 25.0)] * 3 + [(80.0, 14.0)]):  # fmt: skip
        region = calib.fit_region(CO2, BIRCH, evidence=[cut(p, v) for p, v in before])
        draws = next_burns.cut_draws(region)
        for passes, n in (((1,), 1), ((1,), 3), ((2,), 2)):
            cells = next_burns.cut_candidates(region, draws, passes, n)
            asked = next_burns._cut_question(region, draws, cells, 0.97, n)
            masks = next_burns._must_of_few(region, cells, asked, 0.97, n)
            kept.append([
                [
                    f"{c.power_pct:g} % {c.speed_mm_s:g}"
                    for c, x in zip(cells, mask, strict=True)
                    if x
                ]
                for mask in masks
            ])
    same_as_kept("next_cut_must_of_few", kept)


def shown(masks: list[Any]) -> list[str]:
    return ["".join("01"[int(x)] for x in mask) for mask in masks]


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
