"""How slow and how strong a planned or advised burn may be, and what is asked when nothing cuts.

The bounds are common practice, no source: 2 mm/s with a CO2 laser, 1.5 mm/s with a diode, five
times the energy that is expected in one pass, three times of card, paper and what isn't known.
"""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from boards import BIRCH, CO2, MACHINES, SHEETS
from pypdf import PdfReader

import calib
from calib.boards.focus import plan_focus
from calib.errors import InvalidRecord, MachineLimit, NotEnoughEvidence
from calib.limits import beyond_limits, limits_of
from calib.logbook import open_book
from calib.materials import expected_response
from calib.plan.far_side import EVERYTHING_CAME, NOTHING_CAME, chance_expected
from calib.records import Burn, Grid, Machine, Setting, Sheet
from calib.tasks.advice import advise
from calib.tasks.boards import plan_boards
from calib.tasks.files import board_files
from calib.tasks.library import plan_grid
from calib.tasks.pairs import OpenPair
from calib.tasks.wishes import BoardWish, FileWish, RegionWish

WEAK = Machine(
    name="weak", rated_w=5.0, source="diode", bed_mm=(400.0, 400.0), max_speed_mm_s=150.0,
    acceleration_mm_s2=800.0, power_word_full=1000.0,
)  # fmt: skip
THICK = Sheet(name="birch 6", material="birch plywood", thickness_mm=6.0)
CARD = Sheet(name="card", material="card", thickness_mm=0.4)
WHEN = datetime(2031, 5, 6, 7, 8, tzinfo=UTC)


def assert_safe(grid: Grid) -> None:
    """Floor and bound, worked out here from the tables."""
    response = expected_response(grid.sheet.material, grid.machine.source)
    t = grid.sheet.working_thickness_mm
    expected = response.severance_energy_j_mm2 * t * (t / 3.0) ** response.thickness_exponent
    times = 3.0 if grid.sheet.material in {"card", "paper"} else 5.0
    watts = grid.machine.rated_w / 100.0
    for cell in grid.cells:
        assert cell.speed_mm_s >= {"co2": 2.0, "diode": 1.5}[grid.machine.source] - 1e-9
        assert watts * cell.power_pct / cell.speed_mm_s <= times * expected * (1.0 + 1e-6)


def answered(grid: Grid, through: str, char: int | None = None) -> list[Burn]:
    return [
        Burn(operation="cut", power_pct=c.power_pct, speed_mm_s=c.speed_mm_s, passes=c.passes,
             through=through, char=char)  # type: ignore[arg-type]
        for c in grid.cells
    ]  # fmt: skip


@pytest.mark.parametrize("steps", [(1.0, 0.1), (10.0, 1.0), (0.1, 0.7)])
@pytest.mark.parametrize(("machine", "sheet"), [
    (WEAK, THICK), (WEAK, BIRCH), (WEAK, CARD), (CO2, BIRCH), (CO2, CARD),
    (replace(CO2, rated_w=30.0), replace(THICK, thickness_mm=18.0)),
])  # fmt: skip
def test_no_planned_cell_is_slow_or_strong_after_rounding(
    machine: Machine, sheet: Sheet, steps: tuple[float, float]
) -> None:
    machine = replace(machine, power_step_pct=steps[0], speed_step_mm_s=steps[1])
    grid = plan_grid(machine, sheet, burns=6)
    assert len(grid.cells) == 6
    assert_safe(grid)
    again = plan_grid(machine, sheet, burns=6, evidence=answered(grid, "no", 0), round=2)
    assert len(again.cells) == 6
    assert_safe(again)


def test_a_weak_laser_cuts_in_several_passes_rather_than_slowly() -> None:
    grid = plan_grid(WEAK, THICK, burns=8)
    (passes,) = {cell.passes for cell in grid.cells}
    assert passes > 1
    assert any(f"Cut in {passes} passes" in note for note in grid.notes)
    # 4 W at 1.5 mm/s are 0.57 of the 4.64 J/mm expected: one pass alone can't do it.
    assert limits_of(WEAK, THICK, "cut").times(Setting(power_pct=80.0, speed_mm_s=1.5)) < 0.6
    strong = plan_grid(CO2, BIRCH, burns=8)
    assert {cell.passes for cell in strong.cells} == {1}


@pytest.mark.parametrize("operation", ["line_mark", "area_mark"])
@pytest.mark.parametrize("machine", MACHINES, ids=lambda m: m.name)
def test_marks_keep_to_the_limits(machine: Machine, operation: str) -> None:
    for sheet in SHEETS:
        grid = plan_grid(machine, sheet, operation, burns=6)  # type: ignore[arg-type]
        settings = [cell.setting for cell in grid.cells]
        assert beyond_limits(machine, sheet, grid.operation, settings) == ()


def test_a_machine_that_cant_be_gentle_is_refused_and_told_why() -> None:
    brute = replace(CO2, rated_w=150.0, beam_starts_pct=15.0, acceleration_mm_s2=1000.0)
    tissue = Sheet(name="tissue", material="paper", thickness_mm=0.1)
    with pytest.raises(MachineLimit, match="18 % at 54.8 mm/s gives .* times the energy"):
        plan_grid(brute, tissue, burns=6)


def test_full_grids_keep_to_the_limits_unless_the_maker_says_so() -> None:
    slow = [Setting(power_pct=80.0, speed_mm_s=v) for v in (0.5, 3.0)]
    with pytest.raises(MachineLimit, match=r"0.5 mm/s is slower than 1.5 mm/s.*with --powers"):
        plan_grid(WEAK, THICK, burns=2, settings=slow)
    with pytest.raises(MachineLimit, match=r"80 % at 0.5 mm/s is slower than 0.6 mm/s"):
        plan_grid(WEAK, THICK, burns=2, settings=slow, slowest_mm_s=0.6)
    with pytest.raises(MachineLimit, match=r"80 % at 4 mm/s gives .* times the energy"):
        plan_grid(CO2, BIRCH, burns=1, settings=[Setting(power_pct=80.0, speed_mm_s=4.0)])
    with pytest.raises(InvalidRecord, match=r"slowest_mm_s is 0.5: only a full grid"):
        plan_grid(WEAK, THICK, burns=2, slowest_mm_s=0.5)
    with pytest.raises(InvalidRecord, match=r"slowest_mm_s is -1"):
        plan_grid(WEAK, THICK, burns=2, settings=slow, slowest_mm_s=-1)
    grid = plan_grid(WEAK, THICK, burns=2, settings=slow, slowest_mm_s=0.5)
    assert grid.notes[0].startswith("FIRE RISK")


def test_every_file_of_a_board_beyond_the_limits_says_so() -> None:
    slow = [Setting(power_pct=80.0, speed_mm_s=v) for v in (0.5, 3.0)]
    grid = plan_grid(WEAK, THICK, burns=2, settings=slow, slowest_mm_s=0.5)
    files = board_files(grid, FileWish(one_file_per_setting=True))
    texts = {name: content for name, content in files.items() if not name.endswith(".csv")}
    assert {name.rpartition(".")[2] for name in texts} == {"svg", "dxf", "nc", "pdf"}
    for name, content in texts.items():
        if name.endswith(".pdf"):
            said = PdfReader(io.BytesIO(content)).pages[0].extract_text()
        else:
            said = content.decode()
        assert "FIRE RISK" in said, name
        assert "0.5 mm/s" in said, name
    calm = board_files(plan_grid(WEAK, THICK, burns=2), FileWish())
    assert not any(b"FIRE RISK" in content for content in calm.values())


def test_a_focus_board_keeps_to_the_limits() -> None:
    with pytest.raises(MachineLimit, match=r"20 % at 1 mm/s is slower than 2 mm/s"):
        plan_focus(CO2, BIRCH, setting=Setting(power_pct=20.0, speed_mm_s=1.0))


def test_advice_is_never_slower_than_the_floor_unless_it_was_burnt_so_on_a_wish() -> None:
    burns = [
        Burn(operation="cut", power_pct=power, speed_mm_s=v, through="through" if good else "no")
        for power in (60.0, 80.0)
        for v, good in ((0.3, True), (0.5, True), (0.7, True), (0.9, True), (1.2, False),
                        (2.0, False), (3.0, False))
    ]  # fmt: skip
    region = calib.fit_region(WEAK, THICK, evidence=burns)
    assert len(region.burns) == len(burns)
    with pytest.raises(NotEnoughEvidence, match=r"in \d+ passes"):
        calib.recommend(region, reliability=0.9)
    wished = calib.recommend(region, reliability=0.9, slowest_mm_s=0.3)
    assert 0.3 <= wished.speed_mm_s < 1.5


def test_the_logbook_remembers_which_slow_cells_were_wished_for(tmp_path: Path) -> None:
    wish = BoardWish(powers_pct=(60.0, 80.0), speeds_mm_s=(0.4, 0.5, 0.6, 0.9, 1.6),
                     slowest_mm_s=0.4)  # fmt: skip
    with open_book(tmp_path / "book.sqlite3") as book:
        book.add_machine(WEAK, when=WHEN)
        book.add_sheet(THICK, when=WHEN)
        with pytest.raises(MachineLimit, match="at 0.4 mm/s is slower than 1.5 mm/s"):
            plan_boards(OpenPair(book), replace(wish, slowest_mm_s=None))
        grid = plan_boards(OpenPair(book), wish)[0].grid
        book.add_board(grid, when=WHEN)
        readings = [
            calib.Reading(cell=c.label, through="through" if c.speed_mm_s < 1.0 else "no", char=2)
            for c in grid.cells
        ]
        book.record(grid.board_id, readings, when=WHEN)
        advice = advise(OpenPair(book), RegionWish(reliability=0.8))
    assert 0.4 <= advice.recommendation.speed_mm_s < 1.5


def test_boards_on_which_nothing_is_cut_lead_to_questions_not_to_slower_burns() -> None:
    burns: list[Burn] = []
    for round_ in range(1, 4):
        grid = plan_grid(CO2, BIRCH, burns=6, evidence=burns, round=round_)
        assert_safe(grid)
        burns += answered(grid, "no", 0)
    region = calib.fit_region(CO2, BIRCH, evidence=burns)
    assert chance_expected(region) < NOTHING_CAME
    with pytest.raises(NotEnoughEvidence, match=r"of 18 burns nothing was cut") as refused:
        calib.recommend(region)
    for question in ("Did the beam fire", "focus", "lens", "air", "mm/min"):
        assert question in str(refused.value)
    more = plan_grid(CO2, BIRCH, burns=6, evidence=burns, round=4)
    assert len(more.cells) == 6
    assert more.notes[0].startswith("Stop and look first")


def test_a_weak_laser_that_burnt_its_strongest_in_vain_is_asked_about() -> None:
    burns = [
        Burn(
            operation="cut",
            power_pct=WEAK.ceiling_pct,
            speed_mm_s=1.5,
            passes=10,
            through="no",
            char=0,
        )
    ] * 3
    with pytest.raises(NotEnoughEvidence, match="of 3 burns nothing was cut"):
        calib.recommend(calib.fit_region(WEAK, THICK, evidence=burns))


def test_everything_through_far_below_what_is_needed_is_asked_about() -> None:
    # 12 W at 60 to 120 mm/s are 0.05 to 0.1 of the 1.5 J/mm that such a sheet needs.
    gentle = [
        Burn(operation="cut", power_pct=20.0, speed_mm_s=v, through="through", char=1)
        for v in (60.0, 80.0, 100.0, 120.0)
    ]
    region = calib.fit_region(CO2, BIRCH, evidence=gentle)
    assert chance_expected(region) < EVERYTHING_CAME
    with pytest.raises(NotEnoughEvidence, match=r"of 4 burns everything fell free.*mm/min"):
        calib.recommend(region)


@pytest.mark.parametrize(("through", "speeds"), [
    ("no", (30.0, 40.0, 50.0)), ("through", (8.0, 12.0, 16.0, 24.0)), ("hanging", (8.0, 10.0)),
])  # fmt: skip
def test_what_is_nothing_out_of_the_way_is_not_asked_about(
    through: str, speeds: tuple[float, ...]
) -> None:
    burns = [
        Burn(operation="cut", power_pct=80.0, speed_mm_s=v, through=through)  # type: ignore[arg-type]
        for v in speeds
    ]
    notes = plan_grid(CO2, BIRCH, burns=4, evidence=burns, round=2).notes
    assert not any(re.match("Stop and look", note) for note in notes)


def test_marks_that_never_show_are_asked_about() -> None:
    burns = [
        Burn(operation="line_mark", power_pct=p, speed_mm_s=60.0, mark=0) for p in (20.0, 40.0)
    ]
    region = calib.fit_region(CO2, BIRCH, "line_mark", evidence=burns)
    with pytest.raises(NotEnoughEvidence, match="of 2 burns nothing shows"):
        calib.recommend(region)
