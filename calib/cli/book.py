"""Commands for the logbook: list, search, notes, export, import, backups, photographs, sessions."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.options import (
    AnyOperation,
    BoardCode,
    BookPlace,
    Into,
    MachineName,
    OfMachine,
    OfSheet,
    Said,
    Why,
    argument,
    command,
    flag,
    length,
    option,
)
from calib.cli.terminal import now, tell
from calib.errors import shown

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.logbook.bodies import Session
    from calib.tasks.wishes import Named

PANEL = "Logbook"


def _day(text: str) -> datetime:
    """Read a day: ``2026-03-01``."""
    try:
        return datetime.strptime(text.strip(), "%Y-%m-%d").astimezone()
    except (ValueError, OverflowError):
        raise typer.BadParameter(
            f"{shown(text)} is no day: write year, month and day, such as 2026-03-01."
        ) from None


@command(PANEL, "calib list birch --outcome hanging --limit 20")
def list_entries(
    book: Book,
    words: Annotated[
        list[str] | None, argument("[WORD]...", "Only what holds all these words.")
    ] = None,
    machine: OfMachine = None,
    sheet: OfSheet = None,
    material: Annotated[str | None, option("--material", "TEXT", "Only of this material.")] = None,
    thickness: Annotated[
        float | None, option("--thickness", "LENGTH", "Only this thick (mm).", parser=length)
    ] = None,
    operation: AnyOperation = None,
    outcome: Annotated[
        str | None,
        option("--outcome", "WORD", "no, hanging, through, 'char 2', 'mark 3', or unread."),
    ] = None,
    kind: Annotated[
        list[str] | None, option("--kind", "WORD", "board, job, check_strip or note.")
    ] = None,
    since: Annotated[
        datetime | None, option("--since", "DATE", "From this day on.", parser=_day)
    ] = None,
    until: Annotated[
        datetime | None, option("--until", "DATE", "Before this day.", parser=_day)
    ] = None,
    limit: Annotated[int, option("--limit", "N", "At most so many.")] = 50,
    offset: Annotated[int, option("--offset", "N", "Skip so many.")] = 0,
) -> Said:
    """List boards, jobs, check strips and notes, newest first; with words, search them."""
    from calib.logbook import Filters
    from calib.report.book import page_text, unknown_material_text

    filters = Filters(
        text=" ".join(words or ()),
        machine=machine,
        sheet=sheet,
        material=material,
        thickness_mm=thickness,
        operation=operation,
        outcome=outcome,
        since=since,
        until=until,
        **({"kinds": tuple(kind)} if kind else {}),
    )
    page = book.search(filters, limit=limit, offset=offset)
    if material and not page.total:
        tell(unknown_material_text(material, [known.material for known in book.sheets()]))
    return page, page_text(page)


@command(PANEL, "calib history 'birch 3'")
def history(book: Book, pair: Named, operation: AnyOperation = None) -> Said:
    """Show all that was ever taken down of a sheet on a machine, corrected things too."""
    from calib.report.book import history_text
    from calib.tasks.finding import find_pair

    machine, sheet = find_pair(book, *pair.names)
    lines = book.history(machine.name, sheet.name, operation)
    return lines, history_text(lines)


@command(PANEL, "calib note 'lens cleaned' --machine bench")
def note(
    book: Book,
    text: Annotated[str, argument("TEXT", "Your own words.")],
    machine: Annotated[str | None, option("--machine", "NAME", "Machine it is about.")] = None,
    sheet: Annotated[str | None, option("--sheet", "NAME", "Sheet it is about.")] = None,
    board: Annotated[str | None, option("--board", "BOARD", "Board it is about, or: last.")] = None,
) -> Said:
    """Add a note to the logbook, about a machine, a sheet or a board."""
    from calib.tasks.finding import find_board

    code = None if board is None else find_board(book, board).board_id
    added = book.add_note(text, when=now(), machine=machine, sheet=sheet, board_id=code)
    return {"note_id": added}, "The note is in the logbook."


@command(PANEL, "calib export logbook.jsonl")
def export_book(
    book: Book,
    file: Annotated[Path, argument("FILE", ".jsonl: everything, for others; .csv: burns.")],
) -> Said:
    """Write all entries of the logbook into a file, or all burns that count into a CSV table."""
    from calib.tasks.keeping import export_book

    written = export_book(book, file)
    return {"file": written}, f"Written: {written}"


def _answer(text: str) -> tuple[str, str]:
    key, sign, word = text.rpartition("=")
    if not sign:
        raise typer.BadParameter(f"{shown(text)} has no =: write KEY=WORD, as the question says.")
    return key, word


Answers = Annotated[
    list[Any] | None,
    option("--answer", "KEY=WORD", "Answer to a question; may be repeated.", parser=_answer),
]


@command(PANEL, "calib import logbook.jsonl --look")
def import_book(
    book: Book,
    file: Annotated[
        Path, argument("FILE", "JSON lines of another logbook.", exists=True, dir_okay=False)
    ],
    answer: Answers = None,
    look: Annotated[bool, flag("--look", "Only look, store nothing.")] = False,
) -> Said:
    """Take another logbook's file in; where the two differ, it asks."""
    from calib.report.book import import_text
    from calib.tasks.folders import MOST_OF_A_LOGBOOK, given_file
    from calib.tasks.keeping import import_book

    given = given_file(file, MOST_OF_A_LOGBOOK)
    done = import_book(book, given, answers=dict(answer or ()), look=look, when=now())
    return done, import_text(done)


@command(PANEL, "calib questions")
def questions(book: Book, answer: Answers = None) -> Said:
    """List what two people, or two logbooks, said differently; answer it."""
    from calib.report.book import questions_text

    for key, word in answer or ():
        book.answer(key, word, when=now())
    found = book.questions()
    return {"questions": found}, questions_text(found) or "Nothing was said in two ways."


@command(PANEL, "calib where")
def where(book: Book) -> Said:
    """Say where the logbook lies."""
    return {"place": book.place}, book.place


@command(PANEL, "calib backup")
def backup(
    book: Book,
    file: Annotated[
        Path | None, argument("FILE", "New file; by date, beside the logbook, if left out.")
    ] = None,
) -> Said:
    """Copy the logbook into a new file, and open the copy to see that nothing is missing."""
    from calib.report.book import kept_text
    from calib.tasks.keeping import back_up

    kept = back_up(book, file, when=now())
    return kept, f"Backup: {kept_text(kept)}"


@command(PANEL, "calib restore last")
def restore(
    file: Annotated[str, argument("FILE", "The backup, or: last, the newest good one.")],
    place: BookPlace = None,
) -> Said:
    """Put a backup in the logbook's place; what was there is kept beside it."""
    from calib.report.book import kept_text
    from calib.tasks.keeping import put_back

    kept = put_back(file, place)
    return kept, f"Restored: {kept_text(kept)}"


@command(PANEL, "calib list-backups")
def list_backups(place: BookPlace = None) -> Said:
    """List the backups beside the logbook, and whether each of them is good."""
    from calib.report.book import backups_text
    from calib.tasks.keeping import list_backups

    files = list_backups(place)
    return files, backups_text(files)


@command(PANEL, "calib check")
def check(book: Book) -> Said:
    """Look at every page of the logbook, and at every row against the newest backup."""
    from calib.logbook.checking import check_book
    from calib.report.book import check_text

    found = check_book(book)
    return found, check_text(found)


@command(PANEL, "calib attach last photo.jpg --cell A1")
def attach(
    book: Book,
    board: BoardCode,
    file: Annotated[
        Path, argument("FILE", "PNG, JPEG or WebP.", exists=True, dir_okay=False, readable=True)
    ],
    cell: Annotated[str, option("--cell", "CELL", "Cell that it shows; else the board.")] = "",
) -> Said:
    """Keep a photograph of a board or of one of its cells in the logbook."""
    from calib.tasks.finding import find_board
    from calib.tasks.keeping import attach

    kept = attach(book, find_board(book, board), file, cell=cell, when=now())
    return kept, f"{kept.filename} is kept with board {kept.board}."


@command(PANEL, "calib photographs last --into pictures")
def photographs(book: Book, board: BoardCode, into: Into = None) -> Said:
    """List the photographs of a board, and write them into a folder."""
    from calib.report.book import photographs_text
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder
    from calib.tasks.keeping import photograph_files

    grid = find_board(book, board)
    found = book.photographs(grid.board_id)
    written = write_folder({} if into is None else photograph_files(book, grid), into)
    return {"photographs": found, "files": written}, photographs_text(grid.board_id, found)


@command(
    PANEL,
    "calib describe-session '2026-03-01' --focus 0 --air --on pins",
    arguments=("label",),
)
def describe_session(
    book: Book, session: Session, machine: MachineName = None, why: Why = ""
) -> Said:
    """Take down how the machine was set up for a session; an earlier description stays."""
    from calib.report.book import sessions_text
    from calib.tasks.finding import find_machine

    book.add_session(find_machine(book, machine).name, session, when=now(), why=why)
    return session, sessions_text([session])


@command(PANEL, "calib list-sessions")
def list_sessions(book: Book, machine: MachineName = None) -> Said:
    """List the sessions of a machine with what was taken down of them."""
    from calib.report.book import sessions_text
    from calib.tasks.finding import find_machine

    found = book.sessions(find_machine(book, machine).name)
    return found, sessions_text(found)
