"""Record what came out of a board, from a file or cell by cell, and say what comes next."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, Literal, cast

from pydantic import Field

from calib.errors import (
    BadFile,
    CalibError,
    InvalidRecord,
    LogbookError,
    MachineLimit,
    shown,
    unfit,
)
from calib.logbook import Book, Recorded
from calib.materials import scales_of
from calib.records import (
    GRADES,
    MARK_SHORT,
    THROUGH_GRADES,
    Burn,
    Cell,
    CharAt,
    Grid,
    Machine,
    Operation,
    Reading,
    Setting,
    Sheet,
    burns_to_advise_from,
)
from calib.records.advice import RegionWish
from calib.records.fields import Words, from_json, record, says
from calib.results import RESULT_COLUMNS, boards_named, read_results, settings_table
from calib.spreadsheet import write_csv
from calib.tasks.files import given_file
from calib.tasks.pairs import OpenPair, find_board, find_machine, find_sheet
from calib.tasks.wishes import BoardWish
from calib.texts.say import say
from calib.units import show_speed

LOT_NOTE = say("tasks.burns_of_new_lot")
# How check strips are told from other boards: by this note, which stands on their sheets too.
STRIP_NOTE = say("tasks.check_strip_it_shows_whether_machine")
# The fewest burns of a pair with which advice was tried in simulated workshops, see
# tests/benchmarks/promise.py; a recommendation may be asked for with fewer, and is then mostly
# refused.
ENOUGH_BURNS = 12
# A stair before coupons does what so many coupons do, see tests/benchmarks/stair.py; of marks each
# change of grade is a burn of its own, see tests/benchmarks/marks.py.
STAIR_COUNTS = 6

Step = Literal["plan", "recommend", "check_machine", "keep", "card"]
# An evening's burns past midnight still belong to that evening.
_EVENING_ENDS = timedelta(hours=5)


def session_label(when: datetime, given: str | None = None) -> str:
    """Name the session that burns of this moment belong to, if not given: the date of the evening.

    Examples
    --------
    >>> session_label(datetime(2026, 3, 2, 0, 40))
    '2026-03-01'
    """
    return (when - _EVENING_ENDS).date().isoformat() if given is None else given


def record_readings(
    book: Book,
    grid: Grid,
    content: bytes,
    *,
    when: datetime,
    session: str | None = None,
    why: str = "",
    code: str | None = None,
    char_at: CharAt | None = None,
) -> Recorded:
    """Record a result file: all of it, or nothing when anything in it is wrong; raises BadFile
    with everything that is wrong, and nothing is stored; LogbookError when a reading is changed
    without saying why. ``code`` is the one in the file; None: the board's own."""
    filled = dataclasses.replace(grid, board_id=code or grid.board_id)
    readings = [r for r in read_results(content, filled) if not r.is_empty or r.note]
    if not readings:
        raise LogbookError(say("tasks.result_file_of_board_has_no", grid=grid))
    if char_at is not None:
        readings = [r if r.char is None else replace(r, char_at=char_at) for r in readings]
    label = session_label(when, session)
    return book.record(grid.board_id, readings, when=when, session=label, why=why)


def record_file(
    burnt_on: OpenPair,
    file: Path,
    *,
    board: str | None = None,
    ready_made: Path | None = None,
    session: str | None = None,
    why: str = "",
    char_at: CharAt | None = None,
    when: datetime,
) -> tuple[Grid, Recorded]:
    """Record a result file of the board that stands in it, or of the one that is named.

    A ready-made grid's board comes into the logbook with its first results: its definition is
    ``ready_made``, or lies beside the folder of the file; the pair says what it was burnt on.
    """
    book, content, code = burnt_on.book, given_file(file), None
    if content.startswith((b"cell,operation", b"<", b"%PDF", b"(", b";")):
        raise BadFile(say("tasks.isnt_result_file", file=shown(file.name)))
    if rows := settings_table(content):
        grid, content = _board_of_table(burnt_on, rows, when)
    else:
        named = (board,) if board else boards_named(content)
        if len(named) != 1:
            what = say("tasks.names_no_board")
            if named:
                what = say("tasks.is_of_several_boards", named=", ".join(named))
            raise BadFile(f"{shown(str(file))} {what}.")
        beside = file.resolve().parent.with_suffix(".toml")
        definition = ready_made or (beside if beside.is_file() else None)
        known = None
        try:
            grid = known = find_board(book, named[0])
            _check_burnt_on(burnt_on, grid)
        except CalibError:
            if definition is None:
                raise
            read, again = read_definition(given_text(definition)), known is not None
            grid = take_in_ready_made(burnt_on, named[0], read, content, when=when, again=again)
            code = named[0].strip().upper()
    return grid, record_readings(
        book,
        grid,
        content,
        when=when,
        session=session,
        why=why,
        code=code,
        char_at=char_at,
    )


def _board_of_table(
    pair: OpenPair, rows: Sequence[tuple[Setting, Mapping[str, str]]], when: datetime
) -> tuple[Grid, bytes]:
    """Make a board of a table with settings of one's own; with it, its results by cell."""
    from calib.boards.layout import lay_out

    settings = [setting for setting, _ in rows]
    operation: Operation = "cut"
    if any(given.get("mark") for _, given in rows):
        operation = "area_mark" if any(s.line_pitch_mm for s in settings) else "line_mark"
    pair.to(operation).check()
    grid = lay_out(pair.machine, pair.sheet, operation, settings)
    try:
        grid = pair.book.board(grid.board_id)
    except LogbookError:
        note = say("tasks.from_table_of_your_own")
        grid = dataclasses.replace(grid, notes=(*grid.notes, note))
        pair.book.add_board(grid, when=when)
    free: dict[Setting, list[str]] = {}
    for cell in grid.cells:
        free.setdefault(cell.setting, []).append(cell.label)
    lines = [
        (free[setting].pop(0), *(given.get(column, "") for column in RESULT_COLUMNS[1:]))
        for setting, given in rows
    ]
    return grid, write_csv(RESULT_COLUMNS, lines).encode()


def _check_burnt_on(pair: OpenPair, grid: Grid) -> None:
    """Raise LogbookError when a board is of another machine or sheet than those named."""
    machine, sheet = pair.named
    there = (grid.machine.name, grid.sheet.name)
    named = (
        there[0] if machine is None else find_machine(pair.book, machine).name,
        there[1] if sheet is None else find_sheet(pair.book, sheet).name,
    )
    if named != there:
        raise LogbookError(say("tasks.board_was_recorded", grid=grid, there=there, named=named))


def record_stair(
    book: Book,
    grid: Grid,
    reached: Sequence[int],
    *,
    when: datetime,
    session: str | None = None,
    why: str = "",
) -> Recorded:
    """Record up to which step a stair is cut right through, or of marks at least faint, clear,
    heavy and scorched, 0 if it isn't at all; raises InvalidRecord when the board is no stair, has
    no such step, or a deeper grade reaches further than a fainter one."""
    if not grid.stair:
        raise InvalidRecord(say("tasks.board_is_no_stair", grid=grid))
    cut = grid.operation == "cut"
    if len(reached) != (1 if cut else len(GRADES) - 1):
        raise InvalidRecord(say("tasks.stair_of_cuts") if cut else say("tasks.stair_of_marks"))
    for step in reached:
        if not 0 <= step <= len(grid.cells):
            raise unfit("step", step, say("tasks.give_step", count=len(grid.cells)))
    if list(reached) != sorted(reached, reverse=True):
        said = ", ".join(
            f"{word} {step}" for word, step in zip(MARK_SHORT[1:], reached, strict=True)
        )
        raise InvalidRecord(say("tasks.deeper_grades_end_earlier", said=said))
    readings = []
    for number, cell in enumerate(grid.cells):
        grade = sum(number < step for step in reached)
        came: Any = {"through": "through" if grade else "no"} if cut else {"mark": grade}
        readings.append(Reading(cell=cell.label, **came))
    label = session_label(when, session)
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

    def __init__(self, book: Book, grid: Grid, session: str, char_at: CharAt | None = None) -> None:
        self._book, self._code, self._session = book, grid.board_id, session
        self._char_at = char_at
        looks = book.looks(grid.board_id)
        # By cell, the id of the look that was seen, and what it says.
        self._seen = {cell: (looked.id, looked.reading) for cell, looked in looks.items()}
        choices: dict[str, dict[str, str]] = {
            "through": dict(zip(THROUGH_GRADES, _MEANINGS, strict=True)),
            **{
                name: {str(grade): words for grade, words in enumerate(scale)}
                for name, scale in scales_of(grid.sheet.material).items()
            },
        }
        apart = {cell: tuple(one.reading for one in looks[cell].apart) for cell in looks}
        self._questions = [
            Question(cell=c, field=field, choices=choices[field], apart=apart.get(c.label, ()))
            for c in grid.cells
            for field in grid.read
            if not _is_read(self._look(c.label)[1], field)
        ]
        # Of each question that is done its word, and what was stored; None: it wasn't asked.
        self._done: list[tuple[str, tuple[str, str, tuple[str, Reading]] | None] | None] = []
        self._keys = 0

    def _look(self, label: str) -> tuple[str, Reading]:
        return self._seen.get(label, ("", Reading(cell=label)))

    @property
    def question(self) -> Question | None:
        """What is to be answered next; None at the end."""
        while self._pointless():
            self._done.append(None)
        done = len(self._done)
        return self._questions[done] if done < len(self._questions) else None

    def answer(self, text: str, when: datetime) -> None:
        """Store an answer; an empty one means not read; raises InvalidRecord when it isn't one of
        the choices, or nothing is open."""
        question, text = self.question, text.strip()
        if question is None:
            raise InvalidRecord(say("tasks.answers_nothing_every_cell_of_board", text=shown(text)))
        word, label = text.casefold(), question.cell.label
        found = [choice for choice in question.choices if word and choice.startswith(word)]
        if word and len(found) != 1:
            allowed = ", ".join(f"{choice} ({said})" for choice, said in question.choices.items())
            typed = shown(text)
            raise InvalidRecord(
                say("tasks.of_cell", question=question, label=label, text=typed, allowed=allowed)
            )
        stored = None
        if found:
            saw, said = before = self._look(label)
            grade: Any = found[0] if question.field == "through" else int(found[0])
            reading = dataclasses.replace(said, **{question.field: grade})
            if question.field == "char" and self._char_at is not None:
                reading = dataclasses.replace(reading, char_at=self._char_at)
            key = self._key(label, when)
            self._book.tap(self._code, key, reading, saw=saw, when=when, session=self._session)
            self._seen[label], stored = (key, reading), (key, label, before)
        self._done.append((found[0] if found else "", stored))

    def undo(self, when: datetime) -> None:
        """Take the latest answer back and ask again; raises LogbookError when no answer was given
        yet."""
        while self._done and self._done[-1] is None:
            self._done.pop()
        if not self._done or (last := self._done.pop()) is None:
            raise LogbookError(say("tasks.there_is_no_answer_to_take"))
        if last[1]:
            key, label, (_, said) = last[1]
            back = self._key(label, when)
            self._book.take_back_tap(self._code, back, key, when=when)
            self._seen[label] = back, said

    def _key(self, label: str, when: datetime) -> str:
        self._keys += 1
        return f"read-{label}-{when:%Y%m%dT%H%M%S%f}-{self._keys}"

    def _pointless(self) -> bool:
        """True when the char of a coupon is next that didn't come loose, or wasn't burnt."""
        done = len(self._done)
        if not 0 < done < len(self._questions) or self._questions[done].field != "char":
            return False
        before, last = self._questions[done - 1], self._done[-1]
        same = before.field == "through" and before.cell == self._questions[done].cell
        return same and last is not None and last[0] in ("", "no")


def _is_read(said: Reading, field: str) -> bool:
    return field == "char" and said.through == "no" or getattr(said, field) is not None


def will_do(burns: Sequence[Burn]) -> bool:
    """Whether burns are worth a look at what they bear: enough, and not all alike."""
    usual = [burn for burn in burns if burn.air is None]
    cut = [burn.through == "through" if burn.operation == "cut" else burn.mark for burn in usual]
    both = len(set(cut) - {None}) > 1 or any(burn.fails_at_mm_s for burn in usual)
    return worth(burns) >= ENOUGH_BURNS and both


def worth(burns: Sequence[Burn]) -> int:
    """How many coupons burns with the usual air are worth; a stair of a cut is one burn."""
    usual = [burn for burn in burns if burn.air is None]
    stairs = sum(burn.source == "stair" and burn.operation == "cut" for burn in usual)
    return len(usual) + stairs * (STAIR_COUNTS - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStep:
    """What to do next with a pair."""

    step: Step  # Name of the task
    # machine, sheet, operation: The pair, and what was burnt
    machine: str
    sheet: str
    operation: Operation
    burns: int  # As many coupons as the burns of the operation are worth
    burnt: str  # How many burns these are, in words
    has_stair: bool  # Whether a stair of a cut is among them
    wish: RegionWish | None = None  # What was asked of the setting that a proof tried
    setting: Setting | None = None  # The setting that a proof tried, to be kept


def proof_outcome(grid: Grid, readings: Sequence[Reading]) -> tuple[bool, tuple[Cell, ...]]:
    """Whether all parts of a proof fell, and those that didn't; neither for another board."""
    fell = {reading.cell: reading.through for reading in readings}
    parts = [cell for cell in grid.cells if cell.path_mm]
    failed = tuple(cell for cell in parts if fell.get(cell.label) in ("no", "hanging"))
    return bool(parts) and all(fell.get(cell.label) == "through" for cell in parts), failed


def next_step(book: Book, grid: Grid) -> NextStep:
    """Say what to do next after a board was recorded."""
    machine, sheet, operation = grid.machine.name, grid.sheet.name, grid.operation
    burns = book.burns(machine, sheet, operation)
    step: Step = "recommend" if LOT_NOTE in grid.notes or will_do(burns) else "plan"
    if STRIP_NOTE in grid.notes:
        step = "check_machine"
    wish, setting = None, None
    held, failed = proof_outcome(grid, book.readings(grid.board_id))
    if held or failed:
        setting = grid.cells[0].setting
        kept = next(iter(book.kept(machine, sheet, operation)), None)
        is_kept = kept is not None and kept.setting == setting
        step = "recommend" if failed else "card" if is_kept else "keep"
        if failed and kept is not None and kept.advice is not None:
            wish = kept.advice.wish
    return NextStep(
        step=step,
        machine=machine,
        sheet=sheet,
        operation=operation,
        burns=worth(burns),
        burnt=burns_to_advise_from(burns, operation),
        has_stair=any(burn.source == "stair" and burn.operation == "cut" for burn in burns),
        wish=wish,
        setting=setting if step == "keep" else None,
    )


Sentence = Annotated[Words, Field(min_length=1)]


@record
class DefinedBoard(BoardWish):
    """The board of a ready-made grid."""

    operation: Annotated[Operation, says("What is burnt.")]


@record
class Definition:
    """A ready-made grid as its file says it."""

    title: Annotated[Sentence, says("What it is.")]
    for_whom: Annotated[Sentence, says("Who can use it.")]
    assumes: Annotated[tuple[Sentence, ...], says("What must be so for it to fit, in sentences.")]
    keep_files: Annotated[bool, Field(strict=True), says("Whether its files are kept beside it.")]
    machine: Annotated[Machine, says("The machine it is planned for.")]
    sheet: Annotated[Sheet, says("The sheet it is planned for.")]
    board: Annotated[DefinedBoard, says("What is planned.")]


_TABLES: Mapping[str, type] = {"machine": Machine, "sheet": Sheet, "board": DefinedBoard}


def read_definition(text: str) -> Definition:
    """Read the definition of a ready-made grid; raises BadFile when it isn't TOML, or a key is
    missing, unknown or holds what it may not hold."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise BadFile(say("tasks.definition_isnt_toml", error=error)) from None
    tables = {name: _read(kind, f"[{name}] ", data.get(name, {})) for name, kind in _TABLES.items()}
    return cast(Definition, _read(Definition, "", data | tables))


def _read(kind: type, where: str, given: object) -> object:
    try:
        return from_json(kind, given)
    except InvalidRecord as wrong:
        said = " ".join(where + each.said(each.field) for each in wrong.misfits)
        raise BadFile(said or f"{where}{wrong}") from None


def given_text(file: Path) -> str:
    """Read the text of a definition's file; BadFile when that can't be."""
    try:
        return given_file(file, 2**20).decode("utf-8")
    except UnicodeDecodeError:
        raise BadFile(say("tasks.isnt_text_in_utf", file=shown(str(file)))) from None


def ready_made_grid(definition: Definition) -> Grid:
    """Plan the board of a definition."""
    from calib.tasks.library import plan_wished  # loads the fit

    wish = definition.board
    return plan_wished(definition.machine, definition.sheet, wish.operation, wish)[0]


def take_in_ready_made(
    pair: OpenPair,
    board_id: str,
    definition: Definition,
    content: bytes,
    *,
    when: datetime,
    again: bool = False,
) -> Grid:
    """Put a ready-made board into the book, for the machine and sheet that it was burnt on.

    Its code and cells are those of its files; nothing is forecast, for it is burnt already. Burnt
    ``again``, for another machine or sheet than before, it gets a code of its own there.
    LogbookError when its code is another one, MachineLimit when the machine can't have burnt it,
    BadFile when its results (content) can't be read: nothing is stored then.
    """
    grid, code = ready_made_grid(definition), shown(board_id)
    if grid.board_id != board_id.strip().upper():
        raise LogbookError(
            say("tasks.ready_made_grid_is_board", definition=definition, grid=grid, board_id=code)
        )
    pair.to(grid.operation).check()
    machine, sheet = pair.machine, pair.sheet
    fastest, most = max(cell.speed_mm_s for cell in grid.cells), machine.max_speed_mm_s
    if fastest > most:
        raise MachineLimit(
            say(
                "tasks.board_has_cell",
                grid=grid,
                fastest=show_speed(fastest),
                of_machine=machine,
                max_speed_mm_s=show_speed(most),
            )
        )
    read_results(content, grid)
    note = say(
        "tasks.ready_made_planned", definition=definition, of_machine=machine, of_sheet=sheet
    )
    made = replace(grid, machine=machine, sheet=sheet, notes=(*grid.notes, note))
    if again:
        from calib.boards.layout import board_id_of

        note = say("tasks.is_written", grid=grid)
        made = replace(made, board_id=board_id_of(made), notes=(*made.notes, note))
    pair.book.add_board(made, when=when)
    return made
