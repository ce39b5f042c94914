"""Commands for the logbook: list, search, notes, export, import, backups, photographs, sessions."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib import tasks, texts
from calib.cli.options import (
    AnyOperation,
    BookPlace,
    Changes,
    Limit,
    MachineName,
    Note,
    OfMachine,
    OfSheet,
    Pictures,
    Said,
    Sure,
    Why,
    argument,
    command,
    flag,
    length,
    option,
)
from calib.cli.terminal import confirmed, draw, now, tell, withdrawn
from calib.errors import CalibError, shown
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.logbook.bodies import Session
    from calib.records import Costs
    from calib.tasks.wishes import Named, TrackRecordWish


def _day(text: str) -> datetime:
    """Read a day: ``2026-03-01``."""
    try:
        return datetime.strptime(text.strip(), "%Y-%m-%d").astimezone()
    except (ValueError, OverflowError):
        raise typer.BadParameter(say("cli.is_no_day", text=shown(text))) from None


@command("calib book list birch --outcome hanging --limit 20")
def book_list(
    book: Book,
    words: Annotated[list[str] | None, argument("WORD", "Only what holds all these words.")] = None,
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
    limit: Limit = 50,
    offset: Annotated[int, option("--offset", "N", "Skip so many.")] = 0,
) -> Said:
    """List boards, jobs, check strips and notes, newest first; with words, search them."""
    from calib.logbook import Filters

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
        known = [one.material for one in book.sheets()]
        tell(texts.book.unknown_material_text(material, known))
    return page, texts.book.page_text(page)


@command("calib book history 'birch 3'")
def book_history(book: Book, pair: Named, operation: AnyOperation = None) -> Said:
    """Show all that was ever recorded of a sheet on a machine, corrected things too."""
    opened = pair.of(book)
    lines = book.history(*opened.names, operation)
    return lines, texts.book.history_text(lines, opened.sheet.material)


@command("calib book note 'lens cleaned' --machine bench")
def book_note(
    book: Book,
    text: Annotated[str, argument("TEXT", "Your own words.")],
    machine: Annotated[str | None, option("--machine", "NAME", "Machine it is about.")] = None,
    sheet: Annotated[str | None, option("--sheet", "NAME", "Sheet it is about.")] = None,
    board: Annotated[str | None, option("--board", "BOARD", "Board it is about, or: last.")] = None,
) -> Said:
    """Add a note to the logbook, about a machine, a sheet or a board."""
    code = None if board is None else tasks.pairs.find_board(book, board).board_id
    added = book.add_note(text, when=now(), machine=machine, sheet=sheet, board_id=code)
    return {"note_id": added}, say("cli.note_is_in_logbook")


@command("calib book export logbook.jsonl")
def book_export(
    book: Book,
    file: Annotated[Path, argument("FILE", ".jsonl: everything, for others; .csv: burns.")],
) -> Said:
    """Write all entries of the logbook into a file, or all burns that count into a CSV table."""
    written = tasks.keeping.export_book(book, file)
    return {"file": written}, f"Written: {written}"


def _answer(text: str) -> tuple[str, str]:
    key, sign, word = text.rpartition("=")
    if not sign:
        raise typer.BadParameter(say("cli.has_no_write_key_word", text=shown(text)))
    return key, word


Answers = Annotated[
    list[Any] | None,
    option("--answer", "KEY=WORD", "Answer to a question; may be repeated.", parser=_answer),
]


@command("calib book import logbook.jsonl --look")
def book_import(
    book: Book,
    file: Annotated[
        Path, argument("FILE", "JSON lines of another logbook.", exists=True, dir_okay=False)
    ],
    answer: Answers = None,
    look: Annotated[bool, flag("--look", "Only look, store nothing.")] = False,
) -> Said:
    """Take another logbook's file in; where the two differ, it asks."""
    given = tasks.files.given_file(file, tasks.files.MOST_OF_A_LOGBOOK)
    done = tasks.keeping.import_book(book, given, answers=dict(answer or ()), look=look, when=now())
    return done, texts.book.import_text(done)


@command("calib book questions")
def book_questions(book: Book, answer: Answers = None) -> Said:
    """List what two people, or two logbooks, said differently; answer it."""
    for key, word in answer or ():
        book.answer(key, word, when=now())
    found = book.questions()
    said = texts.book.questions_text(found) or say("cli.nothing_was_said_in_two_ways")
    return {"questions": found}, said


@command("calib book where")
def book_where(book: Book) -> Said:
    """Say where the logbook lies."""
    return {"place": book.place}, book.place


@command("calib book backup")
def book_backup(
    book: Book,
    file: Annotated[
        Path | None, argument("FILE", "New file; by date, beside the logbook, if left out.")
    ] = None,
) -> Said:
    """Copy the logbook into a new file, and open the copy to see that nothing is missing."""
    kept = tasks.keeping.back_up(book, file, when=now())
    return kept, f"Backup: {texts.book.kept_text(kept)}"


@command("calib book restore last")
def book_restore(
    file: Annotated[str, argument("FILE", "The backup, or: last, the newest good one.")],
    place: BookPlace = None,
) -> Said:
    """Put a backup in the logbook's place; what was there is kept beside it."""
    kept = tasks.keeping.put_back(file, place)
    return kept, f"Restored: {texts.book.kept_text(kept)}"


@command("calib book backups")
def book_backups(place: BookPlace = None) -> Said:
    """List the backups beside the logbook, and whether each of them is good."""
    files = tasks.keeping.list_backups(place)
    return files, texts.book.backups_text(files)


@command("calib book verify")
def book_verify(book: Book) -> Said:
    """Look at every page of the logbook, and at every row against the newest backup."""
    from calib.logbook.backup import check_book

    found = check_book(book)
    return found, texts.book.check_text(found)


OfBoard = Annotated[
    str | None, option("--board", "BOARD", "Its latest readings: a code, or: last.")
]
OfLot = Annotated[str | None, option("--sheet", "NAME", "Latest lot; with --machine: of the pair.")]


@command("calib book undo")
def book_undo(
    book: Book,
    board: OfBoard = None,
    machine: MachineName = None,
    sheet: OfLot = None,
    why: Why = "",
    yes: Annotated[
        bool, flag("--yes", "Don't ask, also where it is much or nothing is named.")
    ] = False,
) -> Said:
    """Take back the latest change of a board, a machine, a sheet or a pair; asks if it is much."""
    code = None if board is None else tasks.pairs.find_board(book, board).board_id
    found = book.next_undo(board_id=code, machine=machine, sheet=sheet)
    nothing_named = code is machine is sheet is None
    if (found.things > 1 or nothing_named) and not yes:
        much = found.things > 1
        tell(say("cli.this_takes_back_results_at_once" if much else "cli.this_takes_back",
                 found=found))  # fmt: skip
        if not confirmed(say("cli.take_it_all_back" if much else "cli.take_it_back")):
            raise CalibError(say("cli.nothing_was_taken_back"))
    words = book.undo(
        when=now(), board_id=code, machine=machine, sheet=sheet, why=why, only=found.change_id
    )
    return {"taken_back": words}, say("cli.taken_back", words=words)


@command("calib book redo --board last")
def book_redo(
    book: Book,
    board: OfBoard = None,
    machine: MachineName = None,
    sheet: OfLot = None,
    why: Why = "",
) -> Said:
    """Put again what the last undo took back, as long as nothing was stored since."""
    code = None if board is None else tasks.pairs.find_board(book, board).board_id
    words = book.redo(when=now(), board_id=code, machine=machine, sheet=sheet, why=why)
    return {"put_again": words}, say("cli.put_again", words=words)


@command("calib book withdraw --sheet 'birch 3' --why 'tried out only'")
def book_withdraw(
    book: Book,
    entries: Annotated[
        list[str] | None, argument("ENTRY", "Entries, as calib book history names them.")
    ] = None,
    machine: Annotated[str | None, option("--machine", "NAME", "A machine with all of it.")] = None,
    sheet: Annotated[str | None, option("--sheet", "NAME", "A sheet with all of it.")] = None,
    why: Why = "",
    yes: Sure = False,
) -> Said:
    """Withdraw entries, a stopped time too, or a machine or sheet with all that is about it."""
    ids = list(entries or ())
    if machine is not None:
        ids.append(book.setups(tasks.pairs.find_machine(book, machine).name)[0].id)
    if sheet is not None:
        ids.append(book.lots(tasks.pairs.find_sheet(book, sheet).name)[0].id)
    if not ids:
        raise CalibError(say("cli.what_is_to_be_withdrawn"))
    return withdrawn(book, ids, why, yes)


@command("calib book sessions '2026-03-01' --focus 0 --air --on pins", leave_out=("label",))
def book_sessions(
    book: Book,
    described: Changes[Session],
    label: Annotated[
        str | None, argument("LABEL", "The session that is described, as burns carry it.")
    ] = None,
    machine: MachineName = None,
    why: Why = "",
) -> Said:
    """List the sessions of a machine, or record how it was set up for one; older ones stay."""
    from calib.logbook.bodies import Session

    name = tasks.pairs.find_machine(book, machine).name
    if label is None and not described:
        if machine is None:
            tell(say("cli.sessions_of", name=name))
        found = book.sessions(name)
        return found, texts.book.sessions_text(found)
    named: dict[str, Any] = {**({"label": label} if label else {}), **described}
    session = Session(**named)
    book.add_session(name, session, when=now(), why=why)
    return session, texts.book.sessions_text([session])


@command("calib book costs --machine-hour 18 --labour-hour 30")
def book_costs(book: Book, changed: Changes[Costs], note: Note = "") -> Said:
    """Show what time, parts and sheets cost you, and record what you give; asked once."""
    known = tasks.costing.record_costs(book, when=now(), note=note, **changed)
    return texts.jobs.costs_data(known), texts.jobs.costs_text(known)


@command("calib book track-record --what through --picture record.png")
def book_track_record(book: Book, wish: TrackRecordWish, picture: Pictures = None) -> Said:
    """Compare the chances that were stated before burning with what came out."""
    past = tasks.looking_back
    record, title = past.track_record(book, wish), past.track_record_title(wish)
    draw(past.track_record_pictures(record, title, picture or ()))
    return record, texts.checks.track_record_text(record, title)
