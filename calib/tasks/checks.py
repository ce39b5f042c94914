"""The sheet, or the machine? New lots against old ones, and check strips of a well known sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from calib.advice.new_lot import BURNS, plan_new_lot
from calib.advice.strips import (
    LOSS_PCT,
    STRIP_BURNS,
    Cause,
    MachineCheck,
    judge_cause,
    judge_check_strip,
    plan_check_strip,
)
from calib.errors import NotEnoughEvidence
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.logbook import Book, Filters
from calib.records import Burn, Grid, Machine, Sheet
from calib.tasks.advice import old_lots, region_of_pair, region_with, working_setting
from calib.tasks.boards import Planned, plan_check, store
from calib.tasks.finding import boards_of, find_machine, find_pair, find_sheet
from calib.tasks.folders import Files, picture_format
from calib.tasks.results import LOT_NOTE, STRIP_NOTE
from calib.tasks.wishes import CheckWish
from calib.texts.say import say

# Boards that are looked through for the newest check strip.
_RECENT = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class StripRecord:
    """All check strips of a sheet and machine, and what they say."""

    # machine, sheet: Names of the pair
    machine: str
    sheet: str
    boards: tuple[str, ...]  # Codes of the strips, the oldest first
    days: tuple[str, ...]  # When each was planned, as a date
    check: MachineCheck  # What they say


def plan_lot(
    book: Book, machine: str | None, sheet: str | None, wish: CheckWish, *, when: datetime | None
) -> Planned:
    """Plan the few burns that try the current lot of a sheet, and store them where a time is given;
    raises NotEnoughEvidence when no other lot was burnt, or nothing can be recommended for it."""
    region = region_of_pair(book, machine, sheet, "cut")
    old_lots(book, machine, sheet)  # says so where there is none
    setting = wish.setting or working_setting(book, region)
    settings = plan_new_lot(region, setting, wish.burns or BURNS)
    planned = plan_check(book, region, settings, wish, LOT_NOTE)
    store(book, [planned], when)
    return planned


def plan_strip(
    book: Book, machine: str | None, sheet: str | None, wish: CheckWish, *, when: datetime | None
) -> Planned:
    """Plan a check strip on a sheet that is well known, and store it where a time is given; raises
    NotEnoughEvidence when the sheet isn't known well enough to check a machine with."""
    of_machine, of_sheet = find_pair(book, machine, sheet)
    region = reference_region(book, of_machine, of_sheet)
    settings = plan_check_strip(region, wish.burns or STRIP_BURNS)
    planned = plan_check(book, region, settings, wish, STRIP_NOTE)
    store(book, [planned], when)
    return planned


def check_machine(book: Book, machine: str | None, sheet: str | None) -> StripRecord:
    """Say what all check strips of a sheet tell of its machine; raises NotEnoughEvidence when no
    strip was recorded, or the sheet isn't known well enough."""
    of_machine, of_sheet = _reference(book, machine, sheet)
    region = reference_region(book, of_machine, of_sheet)
    strips = _read_strips(book, of_machine, of_sheet)
    return StripRecord(
        machine=of_machine.name,
        sheet=of_sheet.name,
        boards=tuple(grid.board_id for grid, _, _ in strips),
        days=tuple(day for _, day, _ in strips),
        check=judge_check_strip(region, [burns for _, _, burns in strips]),
    )


def is_strip(book: Book, board_id: str) -> bool:
    """Whether a board is a check strip."""
    return STRIP_NOTE in book.board(board_id).notes


def alarm_words(book: Book, machine: str) -> str:
    """What the check strips of a machine say while they raise an alarm; else nothing."""
    try:
        check = check_machine(book, machine, None).check
    except NotEnoughEvidence:
        return ""
    return check.words if check.alarm else ""


def sheet_or_machine(book: Book, machine: str | None, sheet: str, reference: str | None) -> Cause:
    """Tell a sheet that needs more from a machine that gives less."""
    sheet = find_sheet(book, sheet).name
    of_machine, of_reference = _reference(book, machine, reference, other_than=sheet)
    suspect = old_lots(book, of_machine.name, sheet)
    burns = book.burns(of_machine.name, sheet, "cut", lot=suspect.sheet.lot)
    strips = _read_strips(book, of_machine, of_reference)
    known = reference_region(book, of_machine, of_reference)
    return judge_cause(suspect, burns, known, [some for _, _, some in strips])


def _reference(
    book: Book, machine: str | None, sheet: str | None, other_than: str = ""
) -> tuple[Machine, Sheet]:
    """The sheet that strips are of: the one that is named, else that of the newest strip."""
    if sheet is None:
        of = Filters(machine=find_machine(book, machine).name, operation="cut")
        boards = (
            line for line in book.boards(of, limit=_RECENT).entries if line.sheet != other_than
        )
        newest = next((b for b in boards if STRIP_NOTE in book.board(b.id).notes), None)
        if newest is not None:
            machine, sheet = newest.machine, newest.sheet
    return find_pair(book, machine, sheet)


def strip_chart(record: StripRecord, names: Sequence[str]) -> Files:
    """Draw the control chart of check strips."""
    if not names:
        return {}
    kinds = {name: picture_format(name) for name in names}
    from calib.pictures.charts import control_chart_picture  # loads matplotlib

    course = record.check.after_each
    title = say("tasks.effective_power_by_strips", record=record)
    return {
        name: control_chart_picture(
            [change.shift_pct for change in course],
            low=[change.shift_low_pct for change in course],
            high=[change.shift_high_pct for change in course],
            alarms=[change.alarm for change in course],
            limit=-LOSS_PCT,
            labels=(title, "change [%]", *record.days),
            format=kind,
        )
        for name, kind in kinds.items()
    }


def reference_region(book: Book, machine: Machine, sheet: Sheet) -> Region:
    """What was known of a sheet from its boards; jobs and check strips are left out; raises
    NotEnoughEvidence when no edge was found yet."""
    check_hazard(sheet, machine, "cut")
    strips = [grid.board_id for grid, _ in _strips(book, machine, sheet)]
    burns = [
        burn
        for burn in book.burns(machine.name, sheet.name, "cut", without=strips)
        if burn.source == "board"
    ]
    region = region_with(book, machine, sheet, "cut", burns)
    if region.edge != "bracketed":
        raise NotEnoughEvidence(
            say(
                "tasks.on_has_cuts_and_no_edge",
                sheet=sheet,
                machine=machine,
                count=len(region.burns),
            )
        )
    return region


def _strips(book: Book, machine: Machine, sheet: Sheet) -> list[tuple[Grid, str]]:
    """The check strips of a pair with their dates, the oldest first."""
    boards = reversed(boards_of(book, machine.name, sheet.name, "cut"))
    grids = [(book.board(line.id), line.at.date().isoformat()) for line in boards]
    return [(grid, day) for grid, day in grids if STRIP_NOTE in grid.notes]


def _read_strips(book: Book, machine: Machine, sheet: Sheet) -> list[tuple[Grid, str, list[Burn]]]:
    """Those of which a cut was read, with their burns; each is one session."""
    found = []
    for grid, day in _strips(book, machine, sheet):
        cells = {cell.label: cell for cell in grid.cells}
        burns = [
            Burn(
                operation="cut",
                **vars(cells[reading.cell].setting),
                through=reading.through,
                source="check_strip",
                session=grid.board_id,
            )
            for reading in book.readings(grid.board_id)
            if reading.through is not None
        ]
        if burns:
            found.append((grid, day, burns))
    if not found:
        raise NotEnoughEvidence(say("tasks.no_check_strip_of_on_was", sheet=sheet, machine=machine))
    return found
