"""The command that records what came out: result files, cell by cell, joints, whole jobs."""

from __future__ import annotations

import re
import sys
from glob import glob
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib import tasks, texts
from calib.cli.options import (
    CaliperLimit,
    MachineName,
    Note,
    Said,
    SessionLabel,
    Why,
    argument,
    command,
    flag,
    many,
    option,
    reader,
)
from calib.cli.terminal import now, tell
from calib.errors import CalibError, InvalidQuantity, shown
from calib.texts.say import say
from calib.units import parse_length_mm

if TYPE_CHECKING:
    from calib.logbook import Book, Recorded
    from calib.records import Grid, Setting
    from calib.tasks.results import CellByCell
    from calib.tasks.wishes import JobCounts, ReadWish

_JOINT = say("cli.joint_board")
# No joint board has a thousand slots; without a bound S1-S999999999 would be written out.
_CODE = re.compile(r"([A-Z])(\d{1,3})", re.ASCII)


_STEP_OF_GRADE = re.compile(r"([a-z]+)\s*(?:to\s*)?(\d{1,3})", re.ASCII)


def _step(text: str) -> int:
    """``7`` or ``S7``."""
    digits = text.strip().upper().removeprefix("S")
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 3):
        raise InvalidQuantity(say("cli.step_cant_be_read", text=shown(text)))
    return int(digits)


def _reached(text: str) -> tuple[int, ...]:
    """``faint 9, clear 6, heavy 2``: a grade that is left out goes as far as the next deeper."""
    from calib.records import MARK_SHORT

    found: dict[str, int] = {}
    for part in text.casefold().split(","):
        read = _STEP_OF_GRADE.fullmatch(part.strip())
        if read is None or read[1] not in MARK_SHORT[1:]:
            raise InvalidQuantity(say("cli.grades_cant_be_read", text=shown(text)))
        found[read[1]] = int(read[2])
    steps: list[int] = [0]
    for grade in MARK_SHORT[:0:-1]:
        steps.append(found.get(grade, steps[-1]))
    return tuple(steps[:0:-1])


def _codes(text: str) -> tuple[str, ...]:
    """``S4``, ``S4,S5`` or ``S1-S3``."""
    found: list[str] = []
    for word in text.upper().replace(" ", "").split(","):
        first, dash, last = word.partition("-")
        if not dash:
            found.append(word)
            continue
        ends = _CODE.fullmatch(first), _CODE.fullmatch(last)
        if ends[0] is None or ends[1] is None or ends[0][1] != ends[1][1]:
            raise InvalidQuantity(say("cli.codes_cant_be_read", text=shown(text)))
        found += [f"{ends[0][1]}{n}" for n in range(int(ends[0][2]), int(ends[1][2]) + 1)]
    return tuple(found)


def _measured(text: str) -> tuple[str, tuple[float, ...]]:
    """``T5=8.35/8.36/8.34``: a code and what the caliper showed."""
    code, equals, widths = text.strip().partition("=")
    if not equals:
        raise InvalidQuantity(say("cli.cant_be_read", text=shown(text)))
    return code.strip().upper(), tuple(parse_length_mm(width) for width in widths.split("/"))


def _felt(name: str, meaning: str) -> Any:
    said = f"{meaning}: S4, S4,S5 or S1-S3."
    return option(name, "CODES", said, parser=reader(_codes), rich_help_panel=_JOINT)


def _width(name: str, where: str) -> Any:
    words = say("cli.width_as_often_as_measured", where=where)
    return option(name, "CODE=MM/...", words, parser=reader(_measured), rich_help_panel=_JOINT)


Cells = Annotated[
    Any,
    option("--not-burnt", "CELLS", "Cells that count as not burnt after all: A3,B1.",
           parser=reader(_codes)),
]  # fmt: skip
ReadyMade = Annotated[
    Path | None,
    option("--ready-made", "FILE", "Definition (.toml) of a ready-made grid that was burnt.",
           show_default="beside the folder of the results"),
]  # fmt: skip
SheetName = Annotated[
    str | None, option("--sheet", "NAME", "Sheet that a ready-made grid or a job was burnt on.")
]
Tight = Annotated[list[Any] | None, _felt("--tight", "Doesn't go in by hand")]
Snug = Annotated[list[Any] | None, _felt("--snug", "Goes in by hand and holds")]
Loose = Annotated[list[Any] | None, _felt("--loose", "Falls out or wobbles")]
Top = Annotated[list[Any] | None, _width("--top", "at the face the beam came from")]
Bottom = Annotated[list[Any] | None, _width("--bottom", "at the other face")]
Across = Annotated[list[Any] | None, _width("--across", "with the jaws over the whole thickness")]
Stock = Annotated[
    Any,
    option("--stock", "LENGTH,...", "Thickness of the stock (mm), as often as measured.",
           parser=many(parse_length_mm), rich_help_panel=_JOINT),
]  # fmt: skip


@command(
    "calib record board-1/*-results.csv",
    leave_out=("line_pitch_mm",),
    panels={
        "A whole job, with --job": (
            "power_pct", "speed_mm_s", "passes", "through", "hanging", "no", "cut_length_mm",
        ),
    },
)  # fmt: skip
def record(
    book: Book,
    what: Annotated[
        list[str] | None,
        argument("FILE|BOARD", "Filled in result files; or a board's code, or: last."),
    ] = None,
    machine: MachineName = None,
    sheet: SheetName = None,
    session: SessionLabel = None,
    not_burnt: Cells = None,
    through_to: Annotated[
        Any,
        option(
            "--through-to",
            "STEP",
            "Last step up to which a stair is cut through; 0 if none.",
            parser=reader(_step),
        ),
    ] = None,
    mark_to: Annotated[
        Any,
        option(
            "--mark-to",
            "GRADES",
            "Last step of each grade of a stair of marks: faint 9, clear 6, heavy 2.",
            parser=reader(_reached),
        ),
    ] = None,
    why: Why = "",
    note: Note = "",
    ready_made: ReadyMade = None,
    job: Annotated[bool, flag("--job", "A whole job at one setting; a sheet is named.")] = False,
    setting: Setting | None = None,
    counts: JobCounts | None = None,
    look: ReadWish | None = None,
    tight: Tight = None,
    snug: Snug = None,
    loose: Loose = None,
    top: Top = None,
    bottom: Bottom = None,
    across: Across = None,
    stock: Stock = None,
    caliper_limit: CaliperLimit = None,
) -> Said:
    """Record what came out, from result files or cell by cell; a joint board or a whole job too."""
    words, when, pair = what or [], now(), tasks.pairs.OpenPair(book, machine, sheet)
    char_at = look.char_at if look else None
    if job:
        if setting is None:
            raise CalibError(say("cli.at_which_setting_was_job_burnt"))
        parts = counts or tasks.wishes.JobCounts()  # says what is to be counted
        of = tasks.pairs.OpenPair(book, machine, sheet or " ".join(words) or None)
        kept = tasks.advice.record_job(of, setting, parts, when=when, session=session, note=note)
        return {"job_id": kept, "parts": parts.parts}, say("cli.recorded_job_of_parts", parts=parts)
    if setting is not None or counts is not None:
        raise CalibError(say("cli.setting_and_counted_parts_are_those"))
    by_feel: dict[Any, Any] = {"tight": tight or (), "snug": snug or (), "loose": loose or ()}
    by_caliper: dict[Any, Any] = {"top": top or (), "bottom": bottom or (), "across": across or ()}
    if stock or caliper_limit or any((*by_feel.values(), *by_caliper.values())):
        taken = tasks.joints.record_comb(
            book,
            " ".join(words) or "last",
            tasks.joints.comb_readings(by_feel, by_caliper),
            when=when,
            stock_mm=stock or (),
            caliper=tasks.joints.caliper_of(caliper_limit),
        )
        return taken, texts.joints.comb_recorded_text(taken)
    # The files that are named, those of a pattern too; what names none is a board.
    found = [
        (word, [word] if Path(word).is_file() else sorted(glob(word))) for word in words or ["last"]
    ]
    files = [Path(name) for _, names in found for name in names]
    boards = [word for word, names in found if not names]
    for word in words:
        if Path(word).is_dir():
            raise CalibError(say("cli.is_folder", folder=word))
        if word in boards and Path(word).suffix:
            raise CalibError(say("cli.is_no_file_that_is_there", boards=word))
    if not files and len(boards) != 1:
        raise CalibError(say("cli.is_no_result_file", boards=" ".join(boards)))
    if not files:
        grid = tasks.pairs.find_board(book, boards[0])
        if not_burnt:
            done = book.strike_out(grid.board_id, not_burnt, when=when, why=why)
            return _recorded(book, grid, done)
        reached = mark_to if through_to is None else (through_to,)
        if grid.stair or reached is not None:
            if reached is None:
                cut, count = grid.operation == "cut", len(grid.cells)
                asked = say("cli.marked_up_to_which", count=count)
                if cut:
                    asked = say("cli.cut_right_through_up_to_which", count=count)
                read = reader(lambda text: (_step(text),) if cut else _reached(text))
                reached = typer.prompt(asked, prompt_suffix=" ", err=True, value_proc=read)
            done = tasks.results.record_stair(
                book, grid, reached, when=when, session=session, why=why
            )
            return *_recorded(book, grid, done), _next_step(book, grid)
        if why:
            raise CalibError(say("cli.why_is_kept_with_a_file"))
        label = tasks.results.session_label(when, session)
        _ask(tasks.results.CellByCell(book, grid, label, char_at), grid.sheet.material)
        readings, looks = book.readings(grid.board_id), book.looks(grid.board_id)
        data = {"board_id": grid.board_id, "readings": readings}
        told = texts.boards.board_text(grid, readings, looks)
        verdict = texts.boards.proof_words(grid, readings)
        if not verdict and tasks.results.CellByCell(book, grid, label, char_at).question:
            return data, told
        return data, texts.words.paragraphs(told, verdict), _next_step(book, grid)
    if len(boards) > 1:
        raise CalibError(say("cli.is_no_file_that_is_there", boards=boards[-1]))
    if boards and len(files) > 1:
        raise CalibError(say("cli.is_no_file_that_is_there_2", boards=boards))
    if not_burnt:
        raise CalibError(say("cli.cells_that_werent_burnt_are_those"))
    every, said, following = [], [], ""
    for file in files:
        grid, done = tasks.results.record_file(
            pair,
            file,
            board=boards[0] if boards else None,
            ready_made=ready_made,
            session=session,
            why=why,
            char_at=char_at,
            when=now(),
        )
        data, text = _recorded(book, grid, done)
        every.append(data)
        said.append(text)
        following = _next_step(book, grid)
    return every[0] if len(every) == 1 else {"boards": every}, "\n".join(said), following


def _recorded(book: Book, grid: Grid, done: Recorded) -> tuple[dict[str, Any], str]:
    """What was recorded of a board, as data and as text."""
    readings = book.readings(grid.board_id)
    data = {"board_id": grid.board_id, "recorded": done, "readings": readings}
    return data, texts.boards.recorded_text(grid, done, readings)


def _next_step(book: Book, grid: Grid) -> str:
    return texts.boards.next_step_text(tasks.results.next_step(book, grid))


def _ask(cells: CellByCell, material: str) -> None:
    """Ask until every cell is read, or the user stops."""
    if sys.stdin is None:
        raise CalibError(say("cli.there_is_nowhere_to_answer"))
    tell(say("cli.type_word_or_its_first_letter"))
    while question := cells.question:
        asked = texts.boards.question_text(question, material)
        try:
            text = typer.prompt(asked, default="", show_default=False, err=True)
        except typer.Abort:
            tell(say("cli.stopped_what_was_answered_is_stored"))
            return
        word = text.strip().casefold()
        if word == "q":
            return
        try:
            if word == "u":
                cells.undo(now())
            else:
                cells.answer(text, now())
        except CalibError as wrong:
            tell(str(wrong))
