"""The command that records what came out: result files, cell by cell, joints, whole jobs."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

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
from calib.units import parse_length_mm

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.results import CellByCell
    from calib.tasks.wishes import JobCounts

_JOINT = "A joint board"
_HOW = "Type the word or its first letter; empty: not read; u: undo; q: stop for now."

# No joint board has a thousand slots; without a bound S1-S999999999 would be written out.
_CODE = re.compile(r"([A-Z])(\d{1,3})", re.ASCII)


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
            raise InvalidQuantity(f"codes {shown(text)} can't be read: write S4, S4,S5 or S1-S3.")
        found += [f"{ends[0][1]}{n}" for n in range(int(ends[0][2]), int(ends[1][2]) + 1)]
    return tuple(found)


def _measured(text: str) -> tuple[str, tuple[float, ...]]:
    """``T5=8.35/8.36/8.34``: a code and what the caliper showed."""
    code, equals, widths = text.strip().partition("=")
    if not equals:
        raise InvalidQuantity(
            f"{shown(text)} can't be read: write a code and what was measured, such as"
            " T5=8.35/8.36."
        )
    return code.strip().upper(), tuple(parse_length_mm(width) for width in widths.split("/"))


def _felt(name: str, meaning: str) -> Any:
    said = f"{meaning}: S4, S4,S5 or S1-S3."
    return option(name, "CODES", said, parser=reader(_codes), rich_help_panel=_JOINT)


def _width(name: str, where: str) -> Any:
    words = f"Width {where} (mm), as often as measured: T5=8.35/8.36; repeat it."
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
        argument("[FILE|BOARD]...", "Filled in result files; or a board's code, or: last."),
    ] = None,
    machine: MachineName = None,
    sheet: SheetName = None,
    session: SessionLabel = None,
    not_burnt: Cells = None,
    through_to: Annotated[
        int | None,
        option("--through-to", "STEP", "Last step up to which a stair is cut right through; 0."),
    ] = None,
    why: Why = "",
    note: Note = "",
    ready_made: ReadyMade = None,
    job: Annotated[bool, flag("--job", "A whole job at one setting; a sheet is named.")] = False,
    setting: Setting | None = None,
    counts: JobCounts | None = None,
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
    words = what or []
    by_feel = {"tight": tight or (), "snug": snug or (), "loose": loose or ()}
    by_caliper = {"top": top or (), "bottom": bottom or (), "across": across or ()}
    if job:
        return _job(book, words, machine, sheet, setting, counts, session, note)
    if setting is not None or counts is not None:
        raise CalibError("A setting and counted parts are those of a whole job: add --job.")
    if stock or caliper_limit or any((*by_feel.values(), *by_caliper.values())):
        return _joint(book, words, by_feel, by_caliper, stock, caliper_limit)
    files, boards = _sorted(words)
    if not files and len(boards) != 1:
        raise CalibError(f"{' '.join(boards)} is no result file: give files, or one board's code.")
    if through_to is not None:
        return _stair(book, boards[0], through_to, session, why)
    if not_burnt:
        return _not_burnt(book, boards[0], not_burnt, why)
    if not files:
        return _cell_by_cell(book, boards[0], session)
    return _files(book, files, boards, (machine, sheet), session, why, ready_made)


def _sorted(words: list[str]) -> tuple[list[Path], list[str]]:
    """The files that are named, those of a pattern too, and what names none: boards."""
    from glob import glob

    files: list[Path] = []
    boards = []
    for word in words or ["last"]:
        found = [word] if Path(word).is_file() else sorted(glob(word))
        files += [Path(name) for name in found]
        if not found:
            boards.append(word)
    return files, boards


def _files(
    book: Book,
    files: list[Path],
    boards: list[str],
    burnt_on: tuple[str | None, str | None],
    session: str | None,
    why: str,
    ready_made: Path | None,
) -> Said:
    from calib.tasks.results import next_step, record_file
    from calib.texts.boards import next_step_text, recorded_text

    if len(boards) > 1:
        raise CalibError(f"{boards[-1]!r} is no file that is there: give result files.")
    if boards and len(files) > 1:
        raise CalibError(
            f"{boards[0]!r} is no file that is there; the code of a board goes with one file."
        )
    data, texts, following = [], [], ""
    for file in files:
        grid, done = record_file(
            book,
            file,
            board=boards[0] if boards else None,
            burnt_on=burnt_on,
            ready_made=ready_made,
            session=session,
            why=why,
            when=now(),
        )
        readings = book.readings(grid.board_id)
        data.append({"board_id": grid.board_id, "recorded": done, "readings": readings})
        texts.append(recorded_text(grid, done, readings))
        following = next_step_text(next_step(book, grid))
    return data[0] if len(data) == 1 else {"boards": data}, "\n".join(texts), following


def _not_burnt(book: Book, board: str, cells: tuple[str, ...], why: str) -> Said:
    from calib.tasks.finding import find_board
    from calib.texts.boards import recorded_text

    grid = find_board(book, board)
    done = book.strike_out(grid.board_id, cells, when=now(), why=why)
    readings = book.readings(grid.board_id)
    data = {"board_id": grid.board_id, "recorded": done, "readings": readings}
    return data, recorded_text(grid, done, readings)


def _stair(book: Book, board: str, step: int | None, session: str | None, why: str) -> Said:
    from calib.tasks.finding import find_board
    from calib.tasks.results import next_step, record_stair
    from calib.texts.boards import next_step_text, recorded_text

    grid = find_board(book, board)
    if step is None:
        asked = f"Cut right through up to which step, 0 to {len(grid.cells)}?"
        step = typer.prompt(asked, type=int, prompt_suffix=" ", err=True)
    done = record_stair(book, grid, step, when=now(), session=session, why=why)
    readings = book.readings(grid.board_id)
    data = {"board_id": grid.board_id, "recorded": done, "readings": readings}
    text = recorded_text(grid, done, readings)
    return data, text, next_step_text(next_step(book, grid))


def _cell_by_cell(book: Book, board: str, session: str | None) -> Said:
    from calib.tasks.finding import find_board
    from calib.tasks.results import CellByCell, session_label
    from calib.texts.boards import board_text

    grid = find_board(book, board)
    if grid.stair:
        return _stair(book, board, None, session, "")
    _ask(CellByCell(book, grid, session_label(now()) if session is None else session))
    readings, looks = book.readings(grid.board_id), book.looks(grid.board_id)
    data = {"board_id": grid.board_id, "readings": readings}
    return data, board_text(grid, readings, looks)


def _ask(cells: CellByCell) -> None:
    """Ask until every cell is read, or the user stops."""
    from calib.texts.boards import question_text

    if sys.stdin is None:
        raise CalibError(
            "There is nowhere to answer at: the input is closed. Type at a terminal, or fill in the"
            " result file and give that."
        )
    tell(_HOW)
    while question := cells.question:
        try:
            text = typer.prompt(question_text(question), default="", show_default=False, err=True)
        except typer.Abort:
            tell("\nStopped; what was answered is stored.")
            return
        if text.strip().casefold() == "q":
            return
        try:
            if text.strip().casefold() == "u":
                cells.undo(now())
            else:
                cells.answer(text, now())
        except CalibError as wrong:
            tell(str(wrong))


def _job(
    book: Book,
    words: list[str],
    machine: str | None,
    sheet: str | None,
    setting: Setting | None,
    counts: JobCounts | None,
    session: str | None,
    note: str,
) -> Said:
    from calib.tasks.advice import record_job
    from calib.tasks.wishes import JobCounts

    if setting is None:
        raise CalibError("At which setting was the job burnt? Give --power and --speed.")
    counts = counts or JobCounts()  # says what is to be counted
    name = sheet or " ".join(words) or None
    done = record_job(book, machine, name, setting, counts, when=now(), session=session, note=note)
    return {"job_id": done, "parts": counts.parts}, f"Recorded: a job of {counts.parts} parts."


def _joint(
    book: Book, words: list[str], felt: Any, measured: Any, stock: Any, limit_mm: float | None
) -> Said:
    from calib.tasks.joints import caliper_of, comb_readings, record_comb
    from calib.texts.joints import comb_recorded_text

    done = record_comb(
        book,
        " ".join(words) or "last",
        comb_readings(felt, measured),
        when=now(),
        stock_mm=stock or (),
        caliper=caliper_of(limit_mm),
    )
    return done, comb_recorded_text(done)
