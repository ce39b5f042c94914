"""Plan a board for any purpose, from all burns of a pair, and store it with what it forecasts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import count
from typing import Any, Literal, cast

import numpy as np

from calib.advice.new_lot import BURNS, plan_new_lot
from calib.advice.strips import STRIP_BURNS, plan_check_strip
from calib.advice.transfer import StartingPoint, transfer_region
from calib.advice.wattage_table import (
    WATTAGES,
    WattageTable,
    somebodys_machine,
    wattage_csv,
    wattage_table,
    wattage_text,
)
from calib.boards.comb import CombBoard
from calib.boards.focus import HEIGHTS_MM, FocusBoard, plan_focus
from calib.boards.layers import palette_of, typed_by_hand
from calib.boards.layout import LayoutOptions, limit_mm
from calib.boards.places import fastest_that_fits_mm_s
from calib.boards.proof import lay_out_proof
from calib.boards.stair import lay_out_stair
from calib.errors import (
    BoardDoesNotFit,
    InvalidRecord,
    LogbookError,
    Misfit,
    NeedsYes,
    shown,
    unfit,
)
from calib.fit.model import columns_of
from calib.fit.region import Region, thinned_region
from calib.limits import fastest_mark_mm_s
from calib.logbook import Book
from calib.plan.far_side import far_side
from calib.plan.stair import STEPS, stair_settings
from calib.records import (
    GRADES,
    KINDS,
    Grades,
    Grid,
    Setting,
    burns_with_airs,
    counted_burns,
    grade_ends,
)
from calib.records.fields import fields_of
from calib.tasks.checks import reference_region
from calib.tasks.files import Files, board_files, drawn_files, slug
from calib.tasks.joints import plan_comb_board
from calib.tasks.library import plan_on_region, starting_point
from calib.tasks.pairs import OpenPair, find_machine
from calib.tasks.pools import pool_of_book
from calib.tasks.results import LOT_NOTE, STRIP_NOTE
from calib.tasks.wishes import (
    BoardWish,
    CheckWish,
    CombWish,
    ElsewhereWish,
    FileWish,
    FocusWish,
    Named,
    Pair,
    ProofWish,
    StairWish,
)
from calib.texts.say import say

# A stair of marks that has no room is tried with so much less of its speed.
_SLOWED = 0.8
# A stair of fewer steps would tell little (own judgement).
_FEWEST_STEPS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A board that was planned."""

    grid: Grid
    before: int  # How many burns of the pair and with its air it rests on
    rests: str  # On which, in a sentence
    # Codes of other boards of the pair of which nothing was recorded
    unread: tuple[str, ...] = ()
    # True when this very board was planned before and nothing is recorded of it
    again: bool = False
    # By cell, the chance of each event that the logbook can check later
    forecasts: Mapping[str, Mapping[str, float]]


def plan_boards(pair: OpenPair, wish: BoardWish, *, sure: bool = False) -> tuple[Planned, ...]:
    """Plan the next round of a pair on one board, or split over several.

    Planned again from the same burns, they are the same. Unless ``sure``, NeedsYes when all burns
    so far lie where something else must be wrong.
    """
    region = pair.with_air(wish.air)
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
                rests=_rests(region, grid),
                unread=tuple(code for code in unread if code not in codes),
                again=again,
                forecasts=forecasts(region, grid, wish.mark),
            )
        )
    return tuple(planned)


def _rests(region: Region, grid: Grid) -> str:
    """Say on which burns a board rests."""
    operation, air = grid.operation, grid.air or KINDS[grid.operation].air
    if region.burns and not region.other_air and grid.air is None:
        return say("tasks.rests_on_burns", burns=counted_burns(region.burns))
    burns = burns_with_airs((*region.burns, *region.other_air), operation)
    if region.burns:
        return say("tasks.rests_on_burns", burns=burns)
    if region.other_air:
        return say("tasks.rests_on_burns_with_another_air", air=air, burns=burns)
    return say("tasks.rests_on_what_is_expected")


def first_questions(region: Region) -> tuple[str, ...]:
    """What to look at before another board of a pair; empty where nothing is out of the way."""
    return far_side(region)


def store(book: Book, planned: Iterable[Planned], when: datetime) -> None:
    """Store boards that were looked at, with what they forecast."""
    for one in planned:
        book.add_board(one.grid, when=when, forecasts=one.forecasts)


def _stored(book: Book, code: str) -> Grid | None:
    try:
        return book.board(code)
    except LogbookError:
        return None


def plan_check(
    pair: OpenPair, purpose: Literal["stair", "lot", "check", "proof"], wish: CheckWish
) -> Planned:
    """Plan a stair, the few burns that try the current lot, a check strip, or a piece that is like
    the work. Raises NotEnoughEvidence when no other lot was burnt, nothing can be recommended for
    it, the sheet isn't known well enough to check a machine with, or no cut is kept for the piece
    and no setting given."""
    if purpose != "stair":
        pair = pair.to("cut")
    earlier = pair.boards
    round_ = max((board.round or 0 for board in earlier), default=0) + 1
    air = wish.air if isinstance(wish, StairWish) else None
    region = reference_region(pair) if purpose == "check" else pair.with_air(air)
    options = LayoutOptions(offcut_mm=wish.offcut_mm, round=round_, marks=pair.marks, air=air)
    if purpose == "stair":
        grid = _stair(pair, region, wish, options)
    elif purpose == "proof":
        kept = None if wish.setting else pair.kept_cut
        setting = wish.setting or pair.kept_cut.setting
        grid = lay_out_proof(region.machine, region.sheet, setting, options)
        grid = replace(grid, notes=(*grid.notes, *(kept.not_current if kept else ())))
    else:
        if purpose == "lot":
            _ = pair.old_lots  # says so where there is none
            working = wish.setting or pair.working_setting
            settings, note = plan_new_lot(region, working, wish.burns or BURNS), LOT_NOTE
        else:
            settings, note = plan_check_strip(region, wish.burns or STRIP_BURNS), STRIP_NOTE
        board = BoardWish(offcut_mm=wish.offcut_mm)
        (grid,) = plan_on_region(region, board, settings, round=round_, marks=pair.marks)
        grid = replace(grid, notes=(note, *grid.notes))
    return Planned(
        grid=grid,
        before=len(region.burns),
        rests=_rests(region, grid),
        unread=tuple(board.id for board in earlier if not board.read),
        forecasts={} if purpose == "stair" else forecasts(region, grid),
    )


def _stair(pair: OpenPair, region: Region, wish: CheckWish, options: LayoutOptions) -> Grid:
    """A dozen speeds along one cut or in a row of marks."""
    machine, operation = pair.machine, pair.operation
    width = limit_mm(machine, wish.offcut_mm)[0]
    fastest = fastest_that_fits_mm_s(machine, operation, options.clamp_mm, width)
    most = STEPS
    if typed_by_hand(machine):
        # What is typed by hand has a colour for each step and one for the codes, in one drawing
        # unless that leaves too few.
        most = max(_FEWEST_STEPS, min(STEPS, len(palette_of(machine)) - 1))
    while True:
        steps = stair_settings(region, wish.burns or most, fastest)
        try:
            return lay_out_stair(machine, pair.sheet, steps, options, operation)
        except BoardDoesNotFit:
            # Slower marks are shorter, and so are their run-ups.
            fastest *= _SLOWED
            if operation == "cut" or fastest < fastest_mark_mm_s(machine) * _SLOWED:
                raise


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


def carry_over(pair: OpenPair, wish: ElsewhereWish) -> StartingPoint:
    """Say where to begin with a sheet on another machine, and the board that confirms it; nothing
    is stored. Raises InvalidRecord when it was burnt there, or the two aren't the same kind of
    laser."""
    region, marks = pair.region, None
    if wish.to_machine is None:
        there = somebodys_machine(region.machine, wish.rated_w or 0.0)
    else:
        there = find_machine(pair.book, wish.to_machine)
    if there.name == region.machine.name:
        known = say("tasks.is_known_there_already", region=region)
        raise unfit("to_machine", there.name, known)
    if wish.to_machine is not None:
        target = OpenPair(pair.book, there.name, region.sheet.name, pair.operation)
        marks, count = target.marks, len(pair.book.burns(*target.key))
        if count:
            raise InvalidRecord(say("tasks.has_burns", region=region, count=count, there=there))
    pool = pool_of_book(pair.book, there, region.sheet, pair.operation)
    return starting_point(
        transfer_region(region, there, pool),
        wish.reliability,
        wish.mark,
        offcut_mm=wish.offcut_mm,
        seed=wish.seed,
        marks=marks,
    )


def table_of_wattages(pair: OpenPair, wattages: Sequence[float] = WATTAGES) -> WattageTable:
    """Make the table of starting points over wattages, to hand to other people; raises
    InvalidRecord when nothing was burnt, or no wattage is given."""
    pool = pool_of_book(pair.book, pair.machine, pair.sheet, pair.operation)
    return wattage_table(pair.region, wattages, pool)


def wattage_files(table: WattageTable, *, paper: str = "a4") -> Files:
    """Make the table as files."""
    from calib.advice.wattage_page import wattage_page  # loads reportlab

    name = f"wattages-{slug(table.sheet.name)}-{table.operation_words.replace(' ', '-')}"
    return {
        f"{name}.txt": wattage_text(table).encode(),
        f"{name}.csv": wattage_csv(table).encode(),
        f"{name}.pdf": wattage_page(table, paper=paper),
    }


# What may be said of a board of each purpose.
PURPOSES: Mapping[str, tuple[Any, ...]] = {
    "edge": (Pair, BoardWish, FileWish),
    "stair": (Pair, StairWish, FileWish),
    "lot": (Named, CheckWish, Setting, FileWish),
    "check": (Named, CheckWish, FileWish),
    "proof": (Named, ProofWish, Setting, FileWish),
    "transfer": (Pair, ElsewhereWish, FileWish),
    "joint": (Named, CombWish, Setting),
    "focus": (Named, FocusWish),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFor:
    """What was planned for a purpose: one board, or several of a split round."""

    boards: tuple[Planned, ...] = ()
    split: bool = False
    start: StartingPoint | None = None  # What a board of another machine confirms
    comb: CombBoard | None = None
    focus: FocusBoard | None = None
    files: Files = field(default_factory=dict)  # By name; empty when none were wanted


def plan_for(
    book: Book,
    purpose: str,
    typed: Mapping[str, Any],
    *,
    when: datetime,
    with_files: bool = True,
    sure: bool = False,
) -> PlannedFor:
    """Plan a board for a purpose; ``typed`` are the fields that were given, of any of its records.

    It is stored, but for a focus board; what can't be drawn isn't. Raises InvalidRecord when there
    is no such purpose, or a field doesn't belong to it; NeedsYes, unless ``sure``, when all burns
    so far lie where something else must be wrong.
    """
    if purpose not in PURPOSES:
        known = ", ".join(PURPOSES)
        raise InvalidRecord(say("tasks.board_cant_be_planned", purpose=shown(purpose), known=known))
    _refuse_others(purpose, typed)

    def asked(kind: Any, **more: Any) -> Any:
        names = {field.name for field in fields_of(kind)}
        return kind(**{name: value for name, value in typed.items() if name in names} | more)

    pair, setting = asked(Pair).of(book), None
    own = {field.name for field in fields_of(Setting)}
    if purpose in ("lot", "joint", "proof") and own & typed.keys():
        setting = asked(Setting, passes=typed.get("passes", (1,))[0])
    if purpose == "joint":
        comb, files = plan_comb_board(pair, asked(CombWish, setting=setting), when=when)
        return PlannedFor(comb=comb, files=files)
    if purpose == "focus":
        pair.to("line_mark").check()
        wish = asked(FocusWish)
        focus = plan_focus(
            pair.machine,
            pair.sheet,
            heights_mm=wish.heights_mm or HEIGHTS_MM,
            offcut_mm=wish.offcut_mm,
            marks=pair.marks,
        )
        drawn: Files = {}
        if with_files:
            drawn = drawn_files(focus, "focus", outline=False, piece_edge=wish.piece_edge)
        return PlannedFor(focus=focus, files=drawn)
    boards: tuple[Planned, ...] = ()
    start, split = None, False
    if purpose == "edge":
        wish = asked(BoardWish)
        boards, split = plan_boards(pair, wish, sure=sure), wish.split
    elif purpose == "transfer":
        wish = asked(ElsewhereWish)
        start = carry_over(pair, wish)
        if wish.to_machine is not None and start.board is not None:
            expected = forecasts(start.region, start.board, wish.mark)
            rests = say("tasks.rests_on_what_is_expected")
            boards = (Planned(grid=start.board, before=0, rests=rests, forecasts=expected),)
    else:
        wish = asked(StairWish if purpose == "stair" else CheckWish, setting=setting)
        boards = (plan_check(pair, cast(Any, purpose), wish),)
    made: dict[str, bytes] = {}
    for one in boards if with_files else ():
        made |= board_files(one.grid, asked(FileWish))
    store(book, boards, when)
    return PlannedFor(boards=boards, split=split, start=start, files=made)


def _refuse_others(purpose: str, typed: Mapping[str, Any]) -> None:
    """Say of each field that doesn't belong to a purpose for what it is."""
    fields = {
        name: {field.name for kind in kinds for field in fields_of(kind)}
        for name, kinds in PURPOSES.items()
    }
    wrong = []
    for name, value in typed.items():
        if name not in fields[purpose]:
            of = " or ".join(each for each, known in fields.items() if name in known)
            allowed = say("tasks.it_belongs_to_board", of=of, purpose=purpose)
            wrong.append(Misfit(name, value, allowed))
    if wrong:
        raise InvalidRecord.of("plan", wrong)
