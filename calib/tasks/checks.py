"""The sheet, or the machine? New lots against old ones, and check strips of a well known sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.advice.strips import LOSS_PCT, Cause, MachineCheck, judge_cause, judge_check_strip
from calib.errors import NotEnoughEvidence
from calib.fit.region import Region
from calib.logbook import Book, Filters
from calib.records import Burn, Grid
from calib.tasks.files import Files, PictureFormat, pictures_named
from calib.tasks.pairs import OpenPair, find_machine, find_sheet
from calib.tasks.results import STRIP_NOTE
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


def check_machine(book: Book, machine: str | None, sheet: str | None) -> StripRecord:
    """Say what all check strips of a sheet tell of its machine; raises NotEnoughEvidence when no
    strip was recorded, or the sheet isn't known well enough."""
    pair = _reference(book, machine, sheet)
    region = reference_region(pair)
    strips = _read_strips(pair)
    return StripRecord(
        machine=pair.machine.name,
        sheet=pair.sheet.name,
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
    known = _reference(book, machine, reference, other_than=sheet)
    suspect = OpenPair(book, known.machine.name, sheet)
    old = suspect.old_lots
    burns = book.burns(*suspect.key, lot=old.sheet.lot)
    strips = [some for _, _, some in _read_strips(known)]
    return judge_cause(old, burns, reference_region(known), strips)


def _reference(
    book: Book, machine: str | None, sheet: str | None, other_than: str = ""
) -> OpenPair:
    """The sheet that strips are of: the one that is named, else that of the newest strip."""
    if sheet is None:
        of = Filters(machine=find_machine(book, machine).name, operation="cut")
        for line in book.boards(of, limit=_RECENT).entries:
            if line.sheet != other_than and is_strip(book, line.id):
                return OpenPair(book, line.machine, line.sheet)
    return OpenPair(book, machine, sheet)


def strip_chart(record: StripRecord, names: Sequence[str]) -> Files:
    """Draw the control chart of check strips."""

    def draw(format: PictureFormat) -> bytes:
        from calib.pictures.charts import control_chart_picture  # loads matplotlib

        course = record.check.after_each
        return control_chart_picture(
            [change.shift_pct for change in course],
            low=[change.shift_low_pct for change in course],
            high=[change.shift_high_pct for change in course],
            alarms=[change.alarm for change in course],
            limit=-LOSS_PCT,
            labels=(
                say("tasks.effective_power_by_strips", record=record), "change [%]", *record.days
            ),
            format=format,
        )  # fmt: skip

    return pictures_named(names, draw)


def reference_region(pair: OpenPair) -> Region:
    """What was known of a sheet from its boards; jobs and check strips are left out; raises
    NotEnoughEvidence when no edge was found yet."""
    pair.check()
    strips = [grid.board_id for grid, _ in _strips(pair)]
    burns = pair.book.burns(*pair.key, without=strips)
    region = pair.fit([burn for burn in burns if burn.source == "board"])
    if region.edge != "bracketed":
        machine, sheet, count = pair.machine, pair.sheet, len(region.burns)
        raise NotEnoughEvidence(
            say("tasks.on_has_cuts_and_no_edge", sheet=sheet, machine=machine, count=count)
        )
    return region


def _strips(pair: OpenPair) -> list[tuple[Grid, str]]:
    """The check strips of a pair with their dates, the oldest first."""
    days = [(pair.book.board(one.id), one.at.date().isoformat()) for one in reversed(pair.boards)]
    return [(grid, day) for grid, day in days if STRIP_NOTE in grid.notes]


def _read_strips(pair: OpenPair) -> list[tuple[Grid, str, list[Burn]]]:
    """Those of which a cut was read, with their burns; each is one session."""
    found = []
    for grid, day in _strips(pair):
        cells = {cell.label: cell for cell in grid.cells}
        burns = [
            Burn(
                operation="cut",
                **vars(cells[reading.cell].setting),
                through=reading.through,
                source="check_strip",
                session=grid.board_id,
            )
            for reading in pair.book.readings(grid.board_id)
            if reading.through is not None
        ]
        if burns:
            found.append((grid, day, burns))
    if not found:
        machine, sheet = pair.machine, pair.sheet
        raise NotEnoughEvidence(say("tasks.no_check_strip_of_on_was", sheet=sheet, machine=machine))
    return found
