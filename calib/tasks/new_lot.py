"""A new lot of a sheet that is known: a few burns of it against what the old lots taught."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from calib.advice.new_lot import BURNS, LotVerdict, judge_new_lot, plan_new_lot
from calib.advice.recommend import recommend
from calib.boards.layout import LayoutOptions
from calib.errors import NotEnoughEvidence
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.logbook import Book, Filters
from calib.records import USUAL_RELIABILITY, Setting
from calib.tasks.advice import region_of_pair
from calib.tasks.boards import Planned, marks_of
from calib.tasks.files import board_files
from calib.tasks.finding import find_pair
from calib.tasks.forecasts import forecasts
from calib.tasks.library import fit_region
from calib.tasks.next_steps import LOT_NOTE
from calib.tasks.planning import PlanOptions
from calib.tasks.planning import plan_board as plan_on_region
from calib.tasks.pooling import pool_of_book
from calib.tasks.wishes import CheckWish, FileWish

MOST_BOARDS = 1000


def plan_lot(
    book: Book,
    machine: str | None,
    sheet: str | None,
    wish: CheckWish,
    *,
    when: datetime,
    files: FileWish | None = None,
) -> Planned:
    """Plan the few burns that try the current lot of a sheet, and store them.

    Raises NotEnoughEvidence when no other lot was burnt, or nothing can be recommended for it;
    RefusedMaterial, DeclarationNeeded, BoardDoesNotFit, MachineLimit, LogbookError as for
    ``plan_board``.
    """
    region = region_of_pair(book, machine, sheet, "cut")
    setting = _working_setting(book, region, wish.setting)
    settings = plan_new_lot(region, setting, wish.burns or BURNS)
    return stored_check(book, region, settings, wish, LOT_NOTE, when=when, files=files)


def judge_lot(
    book: Book,
    machine: str | None,
    sheet: str | None,
    *,
    setting: Setting | None = None,
    reliability: float | None = None,
) -> LotVerdict:
    """Say what to do with the current lot of a sheet: keep, slow down, or test again.

    Raises NotEnoughEvidence, LogbookError as for ``plan_lot``; InvalidRecord when fewer than three
    cuts of the current lot were read.
    """
    region = region_of_pair(book, machine, sheet, "cut")
    working = _working_setting(book, region, setting)
    asked = _settled_reliability(book, region) if reliability is None else reliability
    return judge_new_lot(region, working, asked)


def old_lots(book: Book, machine: str | None, sheet: str | None) -> Region:
    """The region from all lots of a sheet but the current one.

    Raises NotEnoughEvidence when no other lot was cut on the machine.
    """
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, "cut")
    names = dict.fromkeys(entry.sheet.lot for entry in book.lots(of_sheet.name))
    burns = [
        burn
        for lot in names
        if lot != of_sheet.lot
        for burn in book.burns(of_machine.name, of_sheet.name, "cut", lot=lot)
    ]
    if not burns:
        raise NotEnoughEvidence(
            f"No lot of {of_sheet.name} but the current one ({of_sheet.lot or 'without a name'})"
            f" was cut on {of_machine.name}: there is nothing to compare with. When a new lot"
            " comes in, take it down with change-sheet --lot first."
        )
    pool = pool_of_book(book, of_machine, of_sheet, "cut")
    return fit_region(of_machine, of_sheet, "cut", burns, pool)


def _working_setting(book: Book, region: Region, given: Setting | None) -> Setting:
    pair = region.machine.name, region.sheet.name
    before = old_lots(book, *pair)  # says so where there is none
    if given is not None:
        return given
    settled = book.settled(*pair, "cut")
    return settled[0].setting if settled else recommend(before).setting


def _settled_reliability(book: Book, region: Region) -> float:
    """The chance of a coupon that was asked for when the settled setting was promised."""
    settled = book.settled(region.machine.name, region.sheet.name, "cut")
    promise = settled[0].promise if settled else None
    of_a_coupon = promise is not None and promise.cut_length_mm is None
    return promise.reliability if promise and of_a_coupon else USUAL_RELIABILITY


def stored_check(
    book: Book,
    region: Region,
    settings: Sequence[Setting],
    wish: CheckWish,
    note: str,
    *,
    when: datetime,
    files: FileWish | None,
) -> Planned:
    """Lay out the burns of a check and store them as a board with a note; as ``plan_board``."""
    pair = Filters(machine=region.machine.name, sheet=region.sheet.name, operation="cut")
    earlier = book.boards(pair, limit=MOST_BOARDS).entries
    round_ = max((board.round or 0 for board in earlier), default=0) + 1
    options = PlanOptions(
        burns=len(settings),
        settings=tuple(settings),
        layout=LayoutOptions(
            offcut_mm=wish.offcut_mm,
            round=round_,
            marks=marks_of(book, region.machine, region.sheet),
        ),
    )
    grid = plan_on_region(region, options)
    grid = replace(grid, notes=(note, *grid.notes))
    planned = Planned(
        grid=grid,
        before=len(region.burns),
        unread=tuple(board.id for board in earlier if not board.read),
        forecasts=forecasts(region, grid),
        files={} if files is None else board_files(grid, files),
    )
    book.add_board(grid, when=when, forecasts=planned.forecasts)
    return planned
