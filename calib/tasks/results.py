"""Record what came out of a board, from a file or cell by cell, and say what comes next."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from calib.errors import BadFile, CalibError, InvalidRecord, LogbookError, shown, unfit
from calib.logbook import Book, Recorded
from calib.materials import scales_of
from calib.records import (
    THROUGH_GRADES,
    Burn,
    Cell,
    Grid,
    Operation,
    Reading,
    Setting,
)
from calib.results import RESULT_COLUMNS, boards_named, read_results, settings_table
from calib.spreadsheet import write_csv
from calib.tasks.finding import find_board, find_machine, find_pair, find_sheet
from calib.tasks.folders import given_file
from calib.texts.say import say

LOT_NOTE = say("tasks.burns_of_new_lot")
# How check strips are told from other boards: by this note, which stands on their sheets too.
STRIP_NOTE = say("tasks.check_strip_it_shows_whether_machine")
# The fewest burns of a pair with which advice was tried in simulated workshops, see
# tests/benchmarks/promise.py; a recommendation may be asked for with fewer, and is then mostly
# refused.
ENOUGH_BURNS = 12
# A stair before coupons does what so many coupons do, see tests/benchmarks/stair.py.
STAIR_COUNTS = 6

Step = Literal["plan", "recommend", "check_machine"]
# An evening's burns past midnight still belong to that evening.
_EVENING_ENDS = timedelta(hours=5)


def session_label(when: datetime) -> str:
    """Name the session that burns of this moment belong to: the date of the evening.

    Examples
    --------
    >>> session_label(datetime(2026, 3, 2, 0, 40))
    '2026-03-01'
    """
    return (when - _EVENING_ENDS).date().isoformat()


def record_readings(
    book: Book,
    grid: Grid,
    content: bytes,
    *,
    when: datetime,
    session: str | None = None,
    why: str = "",
    code: str | None = None,
) -> Recorded:
    """Record a result file: all of it, or nothing when anything in it is wrong; raises BadFile
    with everything that is wrong, and nothing is stored; LogbookError when a reading is changed
    without saying why. ``code`` is the one in the file; None: the board's own."""
    filled = dataclasses.replace(grid, board_id=code or grid.board_id)
    readings = [r for r in read_results(content, filled) if not r.is_empty or r.note]
    if not readings:
        raise LogbookError(say("tasks.result_file_of_board_has_no", grid=grid))
    label = session_label(when) if session is None else session
    return book.record(grid.board_id, readings, when=when, session=label, why=why)


def record_file(
    book: Book,
    file: Path,
    *,
    board: str | None = None,
    burnt_on: tuple[str | None, str | None] = (None, None),
    ready_made: Path | None = None,
    session: str | None = None,
    why: str = "",
    when: datetime,
) -> tuple[Grid, Recorded]:
    """Record a result file of the board that stands in it, or of the one that is named.

    A ready-made grid's board comes into the logbook with its first results: its definition is
    ``ready_made``, or lies beside the folder of the file; machine and sheet say what it was
    ``burnt_on``.
    """
    content = given_file(file)
    if content.startswith((b"cell,operation", b"<", b"%PDF", b"(", b";")):
        raise BadFile(say("tasks.isnt_result_file", file=shown(file.name)))
    if rows := settings_table(content):
        own, content = _board_of_table(book, rows, *burnt_on, when=when)
        return own, record_readings(book, own, content, when=when, session=session, why=why)
    named = (board,) if board else boards_named(content)
    if len(named) != 1:
        what = say("tasks.names_no_board")
        if named:
            what = say("tasks.is_of_several_boards", named=", ".join(named))
        raise BadFile(f"{shown(str(file))} {what}.")
    beside = file.resolve().parent.with_suffix(".toml")
    definition = ready_made or (beside if beside.is_file() else None)
    grid = None
    try:
        grid = find_board(book, named[0])
        if any(burnt_on):
            check_burnt_for(book, grid, *burnt_on)
        code = grid.board_id
    except CalibError:
        if definition is None:
            raise
        from calib.tasks.definitions import given_text, read_definition, take_in_ready_made

        read = read_definition(given_text(definition))
        again = grid is not None
        grid = take_in_ready_made(book, named[0], read, content, *burnt_on, when=when, again=again)
        code = named[0].strip().upper()
    done = record_readings(book, grid, content, when=when, session=session, why=why, code=code)
    return grid, done


def _board_of_table(
    book: Book,
    rows: Sequence[tuple[Setting, Mapping[str, str]]],
    machine: str | None,
    sheet: str | None,
    *,
    when: datetime,
) -> tuple[Grid, bytes]:
    """Make a board of a table with settings of one's own; with it, its results by cell."""
    from calib.boards.layout import lay_out
    from calib.hazards import check_hazard

    of_machine, of_sheet = find_pair(book, machine, sheet)
    settings = [setting for setting, _ in rows]
    operation: Operation = "cut"
    if any(given.get("mark") for _, given in rows):
        operation = "area_mark" if any(s.line_pitch_mm for s in settings) else "line_mark"
    check_hazard(of_sheet, of_machine, operation)
    grid = lay_out(of_machine, of_sheet, operation, settings)
    try:
        grid = book.board(grid.board_id)
    except LogbookError:
        note = say("tasks.from_table_of_your_own")
        grid = dataclasses.replace(grid, notes=(*grid.notes, note))
        book.add_board(grid, when=when)
    free: dict[Setting, list[str]] = {}
    for cell in grid.cells:
        free.setdefault(cell.setting, []).append(cell.label)
    lines = [
        (free[setting].pop(0), *(given.get(column, "") for column in RESULT_COLUMNS[1:]))
        for setting, given in rows
    ]
    return grid, write_csv(RESULT_COLUMNS, lines).encode()


def check_burnt_for(book: Book, grid: Grid, machine: str | None, sheet: str | None) -> None:
    """Raise LogbookError when a board is of another machine or sheet than those named."""
    there = (grid.machine.name, grid.sheet.name)
    named = (
        there[0] if machine is None else find_machine(book, machine).name,
        there[1] if sheet is None else find_sheet(book, sheet).name,
    )
    if named != there:
        raise LogbookError(say("tasks.board_was_recorded", grid=grid, there=there, named=named))


def record_stair(
    book: Book, grid: Grid, step: int, *, when: datetime, session: str | None = None, why: str = ""
) -> Recorded:
    """Record up to which step a stair is cut right through, 0 if it isn't at all; raises
    InvalidRecord when the board is no stair, or has no such step."""
    if not grid.stair:
        raise InvalidRecord(say("tasks.board_is_no_stair", grid=grid))
    if not 0 <= step <= len(grid.cells):
        raise unfit("step", step, say("tasks.give_step", count=len(grid.cells)))
    readings = [
        Reading(cell=cell.label, through="through" if number < step else "no")
        for number, cell in enumerate(grid.cells)
    ]
    label = session_label(when) if session is None else session
    return book.record(grid.board_id, readings, when=when, session=label, why=why)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing to be read off a cell."""

    cell: Cell  # The cell
    field: str  # ``through``, ``char`` or ``mark``
    choices: dict[str, str]  # What may be answered, each with its meaning
    # What others read of the cell, differently and without having seen each other
    apart: tuple[Reading, ...] = ()


_MEANINGS = (
    say("tasks.not_cut"),
    say("tasks.held_by_few_fibres"),
    say("tasks.drops_or_lifts_free"),
)


class CellByCell:
    """Reads a board cell by cell; each answer is stored at once and can be taken back.

    What is said of one cell is one look: char is stored together with the through it was read
    with, whatever others say of the cell meanwhile.
    """

    def __init__(self, book: Book, grid: Grid, session: str) -> None:
        self._book, self._grid, self._session = book, grid, session
        looks = book.looks(grid.board_id)
        self._saw = {cell: looked.id for cell, looked in looks.items()}
        self._said = {cell: looked.reading for cell, looked in looks.items()}
        choices: dict[str, dict[str, str]] = {
            "through": dict(zip(THROUGH_GRADES, _MEANINGS, strict=True)),
            **{
                name: {str(grade): words for grade, words in enumerate(scale)}
                for name, scale in scales_of(grid.sheet.material).items()
            },
        }
        apart = {cell: tuple(one.reading for one in looks[cell].apart) for cell in looks}
        self._questions = [
            Question(
                cell=cell, field=field, choices=choices[field], apart=apart.get(cell.label, ())
            )
            for cell in grid.cells
            for field in grid.read
            if not _is_read(self._said.get(cell.label), field)
        ]
        self._answers: list[str | None] = []
        self._taps: list[tuple[str, str, str, Reading]] = []
        self._keys = 0

    @property
    def question(self) -> Question | None:
        """What is to be answered next; None at the end."""
        while self._pointless():
            self._answers.append(None)
        done = len(self._answers)
        return self._questions[done] if done < len(self._questions) else None

    @property
    def left(self) -> int:
        """How many questions are open."""
        return len(self._questions) - len(self._answers)

    def answer(self, text: str, when: datetime) -> None:
        """Store an answer; an empty one means not read; raises InvalidRecord when it isn't one of
        the choices, or nothing is open."""
        question = self.question
        if question is None:
            raise InvalidRecord(say("tasks.answers_nothing_every_cell_of_board", text=shown(text)))
        word, label = text.strip().casefold(), question.cell.label
        found = [choice for choice in question.choices if word and choice.startswith(word)]
        if word and len(found) != 1:
            allowed = ", ".join(f"{choice} ({said})" for choice, said in question.choices.items())
            raise InvalidRecord(
                say(
                    "tasks.of_cell",
                    question=question,
                    label=label,
                    text=shown(text),
                    allowed=allowed,
                )
            )
        chosen = found[0] if found else ""
        if chosen:
            before = self._saw.get(label, ""), self._said.get(label, Reading(cell=label))
            grade: Any = chosen if question.field == "through" else int(chosen)
            reading = dataclasses.replace(before[1], **{question.field: grade})
            key = self._key(label, when)
            self._book.tap(
                self._grid.board_id, key, reading, saw=before[0], when=when, session=self._session
            )
            self._taps.append((key, label, *before))
            self._saw[label], self._said[label] = key, reading
        self._answers.append(chosen)

    def undo(self, when: datetime) -> None:
        """Take the latest answer back and ask again; raises LogbookError when no answer was given
        yet."""
        while self._answers and self._answers[-1] is None:
            self._answers.pop()
        if not self._answers:
            raise LogbookError(say("tasks.there_is_no_answer_to_take"))
        if self._answers[-1]:
            key, label, saw, said = self._taps[-1]
            back = self._key(label, when)
            self._book.take_back_tap(self._grid.board_id, back, key, when=when)
            self._saw[label], self._said[label] = back, said
            self._taps.pop()
        self._answers.pop()

    def _key(self, label: str, when: datetime) -> str:
        self._keys += 1
        return f"read-{label}-{when:%Y%m%dT%H%M%S%f}-{self._keys}"

    def _pointless(self) -> bool:
        """True when the char of a coupon is next that didn't come loose, or wasn't burnt."""
        done = len(self._answers)
        if not 0 < done < len(self._questions) or self._questions[done].field != "char":
            return False
        before = self._questions[done - 1]
        same = before.field == "through" and before.cell == self._questions[done].cell
        return same and self._answers[-1] in ("", "no")


def _is_read(said: Reading | None, field: str) -> bool:
    skipped = said is not None and field == "char" and said.through == "no"
    return skipped or getattr(said, field, None) is not None


def will_do(burns: Sequence[Burn]) -> bool:
    """Whether burns are worth a look at what they bear: enough, and not all alike."""
    cut = [burn.through == "through" if burn.operation == "cut" else burn.mark for burn in burns]
    both = len(set(cut) - {None}) > 1 or any(burn.fails_at_mm_s for burn in burns)
    return worth(burns) >= ENOUGH_BURNS and both


def worth(burns: Sequence[Burn]) -> int:
    """How many coupons burns are worth; a stair is one burn."""
    return sum(STAIR_COUNTS if burn.source == "stair" else 1 for burn in burns)


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """What to do next with a pair."""

    step: Step  # Name of the task
    # machine, sheet, operation: The pair, and what was burnt
    machine: str
    sheet: str
    operation: Operation
    burns: int  # How many burns of the operation count so far


def next_step(book: Book, grid: Grid) -> NextStep:
    """Say what to do next after a board was recorded."""
    pair = (grid.machine.name, grid.sheet.name)
    burns = book.burns(*pair, grid.operation)
    step: Step = "plan"
    if LOT_NOTE in grid.notes:
        step = "recommend"
    elif STRIP_NOTE in grid.notes:
        step = "check_machine"
    elif will_do(burns):
        step = "recommend"
    return NextStep(
        step=step, machine=pair[0], sheet=pair[1], operation=grid.operation, burns=worth(burns)
    )
