"""What calib gave before, end to end: a change of it must be meant.

Other tests say what is right; these notice that anything has changed, down to the fourth digit.
``tools/rewrite.py`` writes ``tests/kept`` anew; look at what it changed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from kept_results import refusal, same_as_kept

import calib
from calib import Burn, Machine, Sheet

TUBE = Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0,
               acceleration_mm_s2=3000.0, power_word_full=1000.0)  # fmt: skip
SMALL = Machine(
    name="small",
    rated_w=40.0,
    bed_mm=(300.0, 200.0),
    max_speed_mm_s=300.0,
    beam_starts_pct=12.0,
    power_curve=((20.0, 5.0), (50.0, 17.0), (80.0, 30.0)),
)
DIODE = Machine(name="blue", rated_w=10.0, bed_mm=(400.0, 400.0), max_speed_mm_s=200.0,
                source="diode")  # fmt: skip
BIRCH = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
MDF = Sheet(name="MDF 6", material="MDF", thickness_mm=6.0, measured_mm=6.1)
CARD = Sheet(name="card", material="card", thickness_mm=0.5)
ACRYLIC = Sheet(name="acrylic 3", material="acrylic", thickness_mm=3.0)

Settings = Sequence[tuple[float, float]]
FIRST: Settings = ((80, 9), (80, 14), (80, 22), (50, 6), (50, 10), (50, 15))
SECOND: Settings = ((80, 16), (80, 18), (80, 20), (60, 12), (60, 14), (40, 7))
THIRD: Settings = ((80, 17), (80, 19), (70, 15), (70, 16), (45, 8.5), (45, 9))


def cut_burns(settings: Settings, *, session: str = "", need: float = 2.9) -> tuple[Burn, ...]:
    """Cuts of a sheet that needs so many % per mm/s; char grows with what is to spare."""
    burns = []
    for power, speed in settings:
        spare = math.log(power / (8.0 + need * speed))
        through = "through" if spare > 0 else "hanging" if spare > -0.08 else "no"
        char = None if through == "no" else min(int(1.5 + 3.0 * spare + power / 100), 4)
        burns.append(Burn(operation="cut", power_pct=power, speed_mm_s=speed, through=through,
                          char=char, session=session))  # fmt: skip
    return tuple(burns)


def mark_burns(settings: Settings, pitch: float | None = None) -> tuple[Burn, ...]:
    """Marks of a face whose grade grows with the line energy."""
    kind: Any = "line_mark" if pitch is None else "area_mark"
    return tuple(
        Burn(operation=kind, power_pct=power, speed_mm_s=speed, line_pitch_mm=pitch,
             mark=max(0, min(4, round(2.0 + 1.6 * math.log(power / speed / 0.16)))))
        for power, speed in settings
    )  # fmt: skip


MARKS: Settings = ((15, 300), (20, 240), (25, 180), (30, 150), (20, 90), (25, 60), (40, 120),
                   (15, 120))  # fmt: skip
JOBS = (
    Burn(operation="cut", power_pct=80.0, speed_mm_s=14.0, through="through", count=38,
         cut_length_mm=320.0, source="job", session="job"),
    Burn(operation="cut", power_pct=80.0, speed_mm_s=14.0, through="hanging", count=2,
         cut_length_mm=320.0, source="job", session="job"),
)  # fmt: skip
THREE = (*cut_burns(FIRST, session="a"), *cut_burns(SECOND, session="b"),
         *cut_burns(THIRD, session="c"))  # fmt: skip

Region = calib.Region
REGIONS: dict[str, Callable[[], Region]] = {
    "unburnt": lambda: calib.fit_region(TUBE, BIRCH),
    "six cuts": lambda: calib.fit_region(TUBE, BIRCH, evidence=cut_burns(FIRST)),
    "three sessions": lambda: calib.fit_region(TUBE, BIRCH, evidence=THREE),
    "with a job": lambda: calib.fit_region(TUBE, BIRCH, evidence=(*THREE, *JOBS)),
    "all fell": lambda: calib.fit_region(TUBE, CARD, evidence=cut_burns(FIRST, need=0.1)),
    "none fell": lambda: calib.fit_region(SMALL, MDF, evidence=cut_burns(FIRST, need=14.0)),
    "a diode": lambda: calib.fit_region(DIODE, BIRCH, evidence=cut_burns(
        ((100, 2), (100, 4), (100, 8), (60, 2), (60, 4)), need=18.0)),
    "lines": lambda: calib.fit_region(TUBE, BIRCH, "line_mark", mark_burns(MARKS)),
    "areas": lambda: calib.fit_region(TUBE, BIRCH, "area_mark", mark_burns(MARKS, 0.1)),
}  # fmt: skip
LOOKED_AT: Settings = ((80, 8), (80, 16), (80, 20), (50, 9), (50, 14), (40, 3), (15, 200), (30, 90))


def looked_at(region: Region) -> dict[str, Any]:
    """Chances of a region at some settings, its edge and its notes."""
    power, speed = zip(*LOOKED_AT, strict=True)
    found: dict[str, Any] = {"edge": region.edge, "notes": region.notes}
    if region.operation == "cut":
        found["coupon"] = region.chance_through(power, speed)
        found["job"] = region.chance_through(power, speed, cut_length_mm=4000.0)
        found["sheet"] = region.chance_through(power, speed, next_sheet=True)
        found["two passes"] = region.chance_through(power, speed, 2)
        found["brown at most"] = region.chance_char_at_most(2, power, speed)
        return found
    pitch = 0.1 if region.operation == "area_mark" else None
    grades = range(5)
    found["marks"] = [region.chance_mark(g, power, speed, line_pitch_mm=pitch) for g in grades]
    return found


@pytest.mark.parametrize("name", REGIONS)
def test_a_region_is_what_it_was(name: str) -> None:
    same_as_kept(f"region {name}", looked_at(REGIONS[name]()))


ADVICE: dict[str, tuple[str, dict[str, Any]]] = {
    "fastest": ("three sessions", {}),
    "after six": ("six cuts", {"reliability": 0.9}),
    "no blacker than brown": ("three sessions", {"reliability": 0.9, "char_at_most": 2}),
    "cleanest": ("three sessions", {"aim": "cleanest", "reliability": 0.95}),
    "next sheet": ("three sessions", {"reliability": 0.9, "next_sheet": True}),
    "whole job": ("with a job", {"reliability": 0.8, "cut_length_mm": 2500.0}),
    "cheapest": ("three sessions", {"aim": "cheapest", "costs": calib.Costs(),
                                    "cut_length_mm": 2500.0, "reliability": 0.8}),
    "clear line": ("lines", {}),
    "faint line": ("lines", {"mark": 1}),
    "clear area": ("areas", {}),
    "line no deeper": ("lines", {"reliability": 0.9}),
}  # fmt: skip


@pytest.mark.parametrize("name", ADVICE)
def test_an_advice_is_what_it_was(name: str) -> None:
    region, wish = ADVICE[name]
    same_as_kept(f"advice {name}", calib.recommend(REGIONS[region](), **wish))


REFUSED: dict[str, tuple[str, dict[str, Any]]] = {
    "unburnt": ("unburnt", {}),
    "too clean": ("six cuts", {"char_at_most": 0}),
    "none fell": ("none fell", {}),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_refusal_says_what_it_said(name: str) -> None:
    region, wish = REFUSED[name]
    fitted = REGIONS[region]()
    same_as_kept(
        f"refusal {name}",
        refusal(lambda: calib.recommend(fitted, **wish), calib.NotEnoughEvidence),
    )


PLANS: dict[str, Callable[[], calib.Grid]] = {
    "first": lambda: calib.plan_grid(TUBE, BIRCH, burns=6),
    "second": lambda: calib.plan_grid(TUBE, BIRCH, burns=6, evidence=cut_burns(FIRST), round=2),
    "third": lambda: calib.plan_grid(TUBE, BIRCH, burns=6, evidence=THREE[:12], round=3),
    "char": lambda: calib.plan_grid(TUBE, BIRCH, burns=6, evidence=THREE[:12], char_at_most=2),
    "twelve on an offcut": lambda: calib.plan_grid(
        SMALL, MDF, burns=12, offcut_mm=(150.0, 90.0), seed=3),
    "diode": lambda: calib.plan_grid(DIODE, ACRYLIC_BLACK, burns=5),
    "lines": lambda: calib.plan_grid(TUBE, BIRCH, "line_mark", 6),
    "more lines": lambda: calib.plan_grid(TUBE, BIRCH, "line_mark", 6, mark_burns(MARKS)),
    "areas": lambda: calib.plan_grid(TUBE, BIRCH, "area_mark", 4),
}  # fmt: skip
ACRYLIC_BLACK = Sheet(name="black 3", material="black acrylic", thickness_mm=3.0)


@pytest.mark.parametrize("name", PLANS)
def test_a_plan_is_what_it_was(name: str) -> None:
    grid = PLANS[name]()
    cells = [
        (c.label, c.power_pct, c.speed_mm_s, c.passes, c.x_mm, c.y_mm, c.burn_order)
        for c in grid.cells
    ]
    kept = {"cells": cells, "board_mm": grid.board_mm, "codes": grid.label_setting,
            "notes": grid.notes}  # fmt: skip
    same_as_kept(f"plan {name}", kept)


def book() -> list[tuple[Machine, Sheet, tuple[Burn, ...]]]:
    """A small logbook: two machines, three sheets."""
    return [
        (TUBE, BIRCH, THREE),
        (TUBE, ACRYLIC, cut_burns((*FIRST, *SECOND), need=2.4)),
        (SMALL, MDF, cut_burns(((80, 3), (80, 5), (80, 8), (50, 3), (50, 4)), need=11.0)),
        (TUBE, CARD, cut_burns(((20, 60), (20, 120), (20, 200), (30, 150)), need=0.12)),
    ]


def test_what_a_logbook_teaches_is_what_it_was() -> None:
    pool = calib.pool_records(book())
    known = Sheet(name="poplar 4", material="poplar plywood", thickness_mm=4.0)
    found = {
        "new sheet": looked_at(calib.fit_region(TUBE, known, pool=pool)),
        "six burns": looked_at(calib.fit_region(TUBE, known, evidence=cut_burns(FIRST), pool=pool)),
    }
    same_as_kept("pool", found)


@pytest.mark.parametrize("with_book", [False, True])
def test_where_to_begin_elsewhere_is_what_it_was(with_book: bool) -> None:
    pool = calib.pool_records(book()) if with_book else None
    region = calib.fit_region(TUBE, BIRCH, evidence=THREE, pool=pool)
    start = calib.starting_point(calib.transfer_region(region, SMALL, pool=pool))
    kept = {
        name: getattr(start, name)
        for name in ("setting", "slowest_mm_s", "fastest_mm_s", "chance", "confirm", "notes")
    }
    same_as_kept(f"elsewhere {'with' if with_book else 'without'} a book", kept)
