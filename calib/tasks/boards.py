"""Plan the next board of a pair from all its burns, and store it with what it forecasts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import count

import numpy as np

from calib.boards.focus import HEIGHTS_MM, FocusBoard, plan_focus
from calib.errors import LogbookError, NeedsYes
from calib.fit.model import columns_of
from calib.fit.region import Region, thinned_region
from calib.logbook import Book
from calib.plan.far_side import far_side
from calib.records import GRADES, Grades, Grid, grade_ends
from calib.tasks.library import plan_on_region
from calib.tasks.pairs import OpenPair
from calib.tasks.wishes import BoardWish, FocusWish


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
    pair: OpenPair, wish: BoardWish, *, when: datetime | None = None, sure: bool = False
) -> tuple[Planned, ...]:
    """Plan the next round of a pair on one board, or split over several.

    They are stored where a time is given; planned again from the same burns, they are the same. The
    hazards are looked at first; then all burns of the pair say which cells teach most. Raises
    RefusedMaterial, DeclarationNeeded before anything is planned; BoardDoesNotFit, MachineLimit
    when the board at hand is too small, or a limit of the machine would be crossed; unless
    ``sure``, NeedsYes when all burns so far lie where something else must be wrong.
    """
    region = pair.region
    doubts = () if sure or wish.powers_pct else far_side(region)
    if doubts:
        raise NeedsYes(doubts)
    earlier, marks = pair.boards, pair.marks
    # A board of which nothing was recorded taught nothing: it is no round yet.
    last = max((board.round or 0 for board in earlier if board.read), default=0)
    for round_ in count(last + 1):
        grids = plan_on_region(region, wish, round=round_, marks=marks)
        stored = [_stored(pair.book, grid.board_id) for grid in grids]
        # A code says which burns, not with what records: where those changed, it is another board.
        if all(
            old is None or replace(old, notes=grid.notes) == grid
            for grid, old in zip(grids, stored, strict=True)
        ):
            break
    codes = {grid.board_id for grid in grids}
    unread = [board.id for board in earlier if not board.read]
    planned = []
    for new, old in zip(grids, stored, strict=True):
        again = new.board_id in unread
        grid = old if old is not None and again else new  # the notes that were stored stay
        planned.append(
            Planned(
                grid=grid,
                before=len(region.burns),
                unread=tuple(code for code in unread if code not in codes),
                again=again,
                forecasts=forecasts(region, grid, wish.mark),
            )
        )
    store(pair.book, planned, when)
    return tuple(planned)


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


def plan_focus_board(pair: OpenPair, wish: FocusWish) -> FocusBoard:
    """Plan a focus board of a pair; nothing is stored: its result is the height you set."""
    pair.to("line_mark").check()
    heights = wish.heights_mm or HEIGHTS_MM
    return plan_focus(
        pair.machine, pair.sheet, heights_mm=heights, offcut_mm=wish.offcut_mm, marks=pair.marks
    )


def forecasts(region: Region, grid: Grid, mark: Grades = 2) -> dict[str, dict[str, float]]:
    """Forecast what will come out of every cell of a board, before it is burnt."""
    # Right to about 0.005: a forecast is compared with many outcomes, never acted upon.
    region = thinned_region(region)
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
