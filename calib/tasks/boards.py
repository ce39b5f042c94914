"""Plan the next board of a pair from all its burns, and store it with what it forecasts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import count

from calib.boards.focus import HEIGHTS_MM, FocusBoard, plan_focus
from calib.boards.gentle import KnownMarks
from calib.boards.layout import LayoutOptions
from calib.errors import InvalidRecord, LogbookError, MachineLimit
from calib.hazards import check_hazard
from calib.limits import power_limits_pct, speed_limits_mm_s
from calib.logbook import Book, Filters
from calib.plan.full import full_factorial
from calib.records import OPERATIONS, Grid, Machine, Operation, Setting, Sheet
from calib.tasks.files import board_files
from calib.tasks.finding import find_pair
from calib.tasks.folders import Files
from calib.tasks.forecasts import forecasts
from calib.tasks.library import fit_region
from calib.tasks.planning import PlanOptions
from calib.tasks.planning import plan_board as plan_on_region
from calib.tasks.planning import plan_split as split_on_region
from calib.tasks.pooling import burns_by_lot, pool_of_book
from calib.tasks.wishes import BoardWish, FileWish
from calib.units import show_speed


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A board that was planned and stored."""

    grid: Grid  # The board
    before: int  # How many burns of the pair it rests on
    # Codes of other boards of the pair of which nothing was taken down
    unread: tuple[str, ...] = ()
    # True when this very board was planned before and nothing was taken down of it
    again: bool = False
    # By cell, the chance of each event that the logbook can check later
    forecasts: Mapping[str, Mapping[str, float]]
    files: Files  # Its files by name; empty when none were wanted


def plan_board(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    wish: BoardWish,
    *,
    when: datetime,
    files: FileWish | None = None,
) -> Planned:
    """Plan the next board of a pair and store it, with a forecast for every cell.

    The hazards are looked at first; then all burns of the pair say which cells teach most.

    Raises RefusedMaterial, DeclarationNeeded Before anything is planned; BoardDoesNotFit,
    MachineLimit when the board at hand is too small, or a limit of the machine would be crossed;
    LogbookError when machine or sheet aren't there.
    """
    one = replace(wish, split=False)
    return plan_boards(book, machine, sheet, operation, one, when=when, files=files)[0]


def plan_boards(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    wish: BoardWish,
    *,
    when: datetime,
    files: FileWish | None = None,
) -> tuple[Planned, ...]:
    """Plan the next round of a pair on one board, or split over several, and store them.

    Raises RefusedMaterial, DeclarationNeeded, BoardDoesNotFit, MachineLimit, LogbookError as for
    ``plan_board``.
    """
    planned = propose_boards(book, machine, sheet, operation, wish, files=files)
    for one in planned:
        book.add_board(one.grid, when=when, forecasts=one.forecasts)
    return planned


def propose_boards(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    wish: BoardWish,
    *,
    files: FileWish | None = None,
) -> tuple[Planned, ...]:
    """Plan the next round of a pair to look at it, as ``plan_boards``; nothing is stored.

    Planned again from the same burns, the boards are the same.
    """
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, operation)
    _check_operation(operation)
    pair = Filters(machine=of_machine.name, sheet=of_sheet.name, operation=operation)
    burns = burns_by_lot(book, of_machine.name, of_sheet, operation)
    pool = pool_of_book(book, of_machine, of_sheet, operation)
    region = fit_region(of_machine, of_sheet, operation, burns, pool)
    earlier = book.boards(pair, limit=1000).entries
    # A board of which nothing was taken down taught nothing: it is no round yet.
    last = max((board.round or 0 for board in earlier if board.read), default=0)
    unread = [board.id for board in earlier if not board.read]
    marks = marks_of(book, of_machine, of_sheet)
    for round_ in count(last + 1):
        options = _options(of_machine, wish, round_, marks)
        split = wish.split
        grids = split_on_region(region, options) if split else (plan_on_region(region, options),)
        stored = [_stored(book, grid.board_id) for grid in grids]
        # A code says which burns, not with what records: where those changed, it is another board.
        if all(
            old is None or replace(old, notes=grid.notes) == grid
            for grid, old in zip(grids, stored, strict=True)
        ):
            break
    codes = {grid.board_id for grid in grids}
    return tuple(
        Planned(
            # The notes that were stored stay.
            grid=old if old is not None and grid.board_id in unread else grid,
            before=len(region.burns),
            unread=tuple(code for code in unread if code not in codes),
            again=grid.board_id in unread,
            forecasts=forecasts(region, grid, wish.mark),
            files={} if files is None else board_files(grid, files),
        )
        for grid, old in zip(grids, stored, strict=True)
    )


def _stored(book: Book, code: str) -> Grid | None:
    try:
        return book.board(code)
    except LogbookError:
        return None


def plan_focus_board(
    book: Book,
    machine: str | None,
    sheet: str | None,
    heights_mm: Sequence[float] | None = None,
    offcut_mm: tuple[float, float] | None = None,
) -> FocusBoard:
    """Plan a focus board of a pair; nothing is stored: its result is the height you set.

    Raises RefusedMaterial, DeclarationNeeded, BoardDoesNotFit, LogbookError as for ``plan_board``.
    """
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, "line_mark")
    heights = HEIGHTS_MM if heights_mm is None else heights_mm
    marks = marks_of(book, of_machine, of_sheet)
    return plan_focus(of_machine, of_sheet, heights_mm=heights, offcut_mm=offcut_mm, marks=marks)


def _check_operation(operation: str) -> None:
    if operation not in OPERATIONS:
        raise InvalidRecord(f"operation is {operation!r}: give one of {', '.join(OPERATIONS)}.")


def marks_of(book: Book, machine: Machine, sheet: Sheet) -> KnownMarks:
    """What is known of line marks of a pair: how the codes of its boards are marked."""
    kept = book.settled(machine.name, sheet.name, "line_mark")
    return KnownMarks(
        kept=kept[0].setting if kept else None,
        burns=tuple(book.burns(machine.name, sheet.name, "line_mark")),
    )


def _options(machine: Machine, wish: BoardWish, round_: int, marks: KnownMarks) -> PlanOptions:
    usual = LayoutOptions()
    layout = LayoutOptions(
        offcut_mm=wish.offcut_mm,
        more_offcuts_mm=wish.more_offcuts_mm,
        clamp_mm=usual.clamp_mm if wish.clamp_mm is None else wish.clamp_mm,
        round=round_,
        seed=wish.seed,
        marks=marks,
    )
    settings = full_grid(machine, wish)
    return PlanOptions(
        burns=len(settings) or wish.burns,
        passes=wish.passes,
        reliability=wish.reliability,
        char_at_most=wish.char_at_most,
        mark=wish.mark,
        line_pitch_mm=wish.line_pitch_mm,
        settings=settings,
        slowest_mm_s=wish.slowest_mm_s,
        layout=layout,
    )


def full_grid(machine: Machine, wish: BoardWish) -> tuple[Setting, ...]:
    """Every combination that was asked for; none when the burns are to be chosen."""
    if not wish.powers_pct:
        return ()
    lowest, highest = power_limits_pct(machine)
    _, fastest = speed_limits_mm_s(machine)
    for power in wish.powers_pct:
        if not lowest <= power <= highest:
            raise MachineLimit(
                f"A power of {power:g} % was asked for: {machine.name} is used from {lowest:g} %"
                f" (where its beam starts) to {highest:g} % (its ceiling). Choose powers between"
                " them, or change the machine."
            )
    for speed in wish.speeds_mm_s:
        if not 0 < speed <= fastest:
            raise MachineLimit(
                f"A speed of {show_speed(speed)} was asked for: {machine.name} goes from above 0 to"
                f" {show_speed(fastest)}. Choose slower speeds, or change the machine."
            )
    return full_factorial(
        machine,
        wish.powers_pct,
        wish.speeds_mm_s,
        passes=wish.passes,
        line_pitches_mm=(wish.line_pitch_mm,),
    )
