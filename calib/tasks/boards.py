"""Plan the next board of a pair from all its burns, and store it with what it forecasts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import count

import numpy as np

from calib.boards.focus import HEIGHTS_MM, FocusBoard, plan_focus
from calib.boards.gentle import KnownMarks
from calib.boards.layout import LayoutOptions
from calib.boards.proof import lay_out_proof
from calib.boards.stair import lay_out_stair
from calib.errors import LogbookError, NeedsYes
from calib.fit.model import columns_of
from calib.fit.region import Region, thinned_region
from calib.hazards import check_hazard
from calib.logbook import Book
from calib.plan.far_side import far_side
from calib.plan.stair import STEPS, stair_settings
from calib.records import (
    GRADES,
    Grades,
    Grid,
    Machine,
    Operation,
    Setting,
    Sheet,
    grade_ends,
)
from calib.tasks.advice import region_of_pair
from calib.tasks.current import kept_cut
from calib.tasks.finding import boards_of, find_pair
from calib.tasks.planning import plan_on_region
from calib.tasks.wishes import BoardWish, CheckWish, FocusWish, ProofWish


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A board that was planned."""

    grid: Grid
    before: int  # How many burns of the pair it rests on
    # Codes of other boards of the pair of which nothing was recorded
    unread: tuple[str, ...] = ()
    # True when this very board was planned before and nothing is recorded of it
    again: bool = False
    # By cell, the chance of each event that the logbook can check later
    forecasts: Mapping[str, Mapping[str, float]]


def plan_boards(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    wish: BoardWish,
    *,
    when: datetime | None = None,
    sure: bool = False,
) -> tuple[Planned, ...]:
    """Plan the next round of a pair on one board, or split over several.

    They are stored where a time is given; planned again from the same burns, they are the same. The
    hazards are looked at first; then all burns of the pair say which cells teach most. Raises
    RefusedMaterial, DeclarationNeeded before anything is planned; BoardDoesNotFit, MachineLimit
    when the board at hand is too small, or a limit of the machine would be crossed; unless
    ``sure``, NeedsYes when all burns so far lie where something else must be wrong.
    """
    region = region_of_pair(book, machine, sheet, operation)
    doubts = () if sure or wish.powers_pct else far_side(region)
    if doubts:
        raise NeedsYes(doubts)
    earlier = boards_of(book, region.machine.name, region.sheet.name, operation)
    # A board of which nothing was recorded taught nothing: it is no round yet.
    last = max((board.round or 0 for board in earlier if board.read), default=0)
    unread = [board.id for board in earlier if not board.read]
    marks = marks_of(book, region.machine, region.sheet)
    for round_ in count(last + 1):
        grids = plan_on_region(region, wish, round=round_, marks=marks)
        stored = [_stored(book, grid.board_id) for grid in grids]
        # A code says which burns, not with what records: where those changed, it is another board.
        if all(
            old is None or replace(old, notes=grid.notes) == grid
            for grid, old in zip(grids, stored, strict=True)
        ):
            break
    codes = {grid.board_id for grid in grids}
    planned = tuple(
        as_planned(
            region,
            # The notes that were stored stay.
            old if old is not None and grid.board_id in unread else grid,
            mark=wish.mark,
            unread=[code for code in unread if code not in codes],
            again=grid.board_id in unread,
        )
        for grid, old in zip(grids, stored, strict=True)
    )
    store(book, planned, when)
    return planned


def first_questions(region: Region) -> tuple[str, ...]:
    """What to look at before another board of a pair; empty where nothing is out of the way."""
    return far_side(region)


def store(book: Book, planned: Iterable[Planned], when: datetime | None) -> None:
    """Store boards that were looked at, with what they forecast; without a time nothing is."""
    for one in planned:
        if when is not None:
            book.add_board(one.grid, when=when, forecasts=one.forecasts)


def _stored(book: Book, code: str) -> Grid | None:
    try:
        return book.board(code)
    except LogbookError:
        return None


def as_planned(
    region: Region, grid: Grid, *, mark: Grades = 2, unread: Sequence[str] = (), again: bool = False
) -> Planned:
    """Say of a board what will come out of it."""
    return Planned(
        grid=grid,
        before=len(region.burns),
        unread=tuple(unread),
        again=again,
        forecasts=forecasts(region, grid, mark),
    )


def plan_check(
    book: Book, region: Region, settings: Sequence[Setting], wish: CheckWish, note: str
) -> Planned:
    """Lay out the burns of a check as a board with a note; as ``plan_boards``."""
    earlier = boards_of(book, region.machine.name, region.sheet.name, region.operation)
    (grid,) = plan_on_region(
        region,
        BoardWish(offcut_mm=wish.offcut_mm),
        settings,
        round=max((board.round or 0 for board in earlier), default=0) + 1,
        marks=marks_of(book, region.machine, region.sheet),
    )
    grid = replace(grid, notes=(note, *grid.notes))
    unread = [board.id for board in earlier if not board.read]
    return as_planned(region, grid, unread=unread)


def plan_stair(
    book: Book,
    machine: str | None,
    sheet: str | None,
    wish: CheckWish,
    *,
    when: datetime | None,
) -> Planned:
    """Plan a stair, a dozen speeds along one cut; as ``plan_boards``."""
    region = region_of_pair(book, machine, sheet, "cut")
    check_hazard(region.sheet, region.machine, "cut")
    earlier = boards_of(book, region.machine.name, region.sheet.name, "cut")
    options = LayoutOptions(
        offcut_mm=wish.offcut_mm,
        round=max((board.round or 0 for board in earlier), default=0) + 1,
        marks=marks_of(book, region.machine, region.sheet),
    )
    steps = stair_settings(region, wish.burns or STEPS)
    grid = lay_out_stair(region.machine, region.sheet, steps, options)
    unread = tuple(board.id for board in earlier if not board.read)
    planned = Planned(grid=grid, before=len(region.burns), unread=unread, forecasts={})
    store(book, [planned], when)
    return planned


def plan_proof(
    book: Book, machine: str | None, sheet: str | None, wish: ProofWish, *, when: datetime | None
) -> Planned:
    """Plan a piece that is like the work, at the kept setting, and store it where a time is given;
    raises NotEnoughEvidence when no cut is kept and no setting given."""
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, "cut")
    kept = None if wish.setting else kept_cut(book, of_machine, of_sheet)
    region = region_of_pair(book, machine, sheet, "cut")
    earlier = boards_of(book, of_machine.name, of_sheet.name, "cut")
    options = LayoutOptions(
        offcut_mm=wish.offcut_mm,
        round=max((board.round or 0 for board in earlier), default=0) + 1,
        marks=marks_of(book, of_machine, of_sheet),
    )
    setting = kept.setting if kept else wish.setting
    assert setting is not None
    grid = lay_out_proof(of_machine, of_sheet, setting, options)
    grid = replace(grid, notes=(*grid.notes, *(kept.not_current if kept else ())))
    planned = Planned(
        grid=grid,
        before=len(region.burns),
        unread=tuple(board.id for board in earlier if not board.read),
        forecasts=forecasts(region, grid),
    )
    store(book, [planned], when)
    return planned


def marks_of(book: Book, machine: Machine, sheet: Sheet) -> KnownMarks:
    """What is known of line marks of a pair: how the codes of its boards are marked."""
    kept = book.kept(machine.name, sheet.name, "line_mark")
    burns = tuple(book.burns(machine.name, sheet.name, "line_mark"))
    return KnownMarks(kept=kept[0].setting if kept else None, burns=burns)


def plan_focus_board(
    book: Book, machine: str | None, sheet: str | None, wish: FocusWish
) -> FocusBoard:
    """Plan a focus board of a pair; nothing is stored: its result is the height you set."""
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, "line_mark")
    return plan_focus(
        of_machine,
        of_sheet,
        heights_mm=wish.heights_mm or HEIGHTS_MM,
        offcut_mm=wish.offcut_mm,
        marks=marks_of(book, of_machine, of_sheet),
    )


def forecasts(region: Region, grid: Grid, mark: Grades = 2) -> dict[str, dict[str, float]]:
    """Forecast what will come out of every cell of a board, before it is burnt."""
    # Right to about 0.005: a forecast is compared with many outcomes, never acted upon.
    region = thinned_region(region)
    if any(cell.path_mm for cell in grid.cells):
        return {
            cell.label: {
                "through": region.chance_through(
                    cell.power_pct, cell.speed_mm_s, cell.passes, cell.path_length_mm
                )
            }
            for cell in grid.cells
        }
    power, speed, passes, pitch = columns_of([cell.setting for cell in grid.cells])
    if region.operation == "cut":
        events = {"through": region.chance_through(power, speed, passes)}
        for grade in GRADES[:-1]:  # the last one at most is certain
            chance = region.chance_char_at_most(grade, power, speed, passes)
            events[f"char_at_most_{grade}"] = chance
    else:
        at, (low, high) = (power, speed, passes, pitch), grade_ends(mark)
        events = {f"mark_{grade}": region.chance_mark(grade, *at) for grade in range(low, high + 1)}
        events[f"mark_at_most_{high}"] = region.chance_mark_at_most(high, *at)
    columns = {event: np.clip(chance, 0.0, 1.0) for event, chance in events.items()}
    return {
        cell.label: {event: float(column[n]) for event, column in columns.items()}
        for n, cell in enumerate(grid.cells)
    }
