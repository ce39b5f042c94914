"""Commands for the logbook: list, search, history, notes, export, import."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from calib.cli.frame import (
    AsJson,
    BookPlace,
    MachineName,
    SheetName,
    checked_operation,
    length,
    now,
    open_book,
    show,
    tell,
)
from calib.cli.options import command
from calib.errors import shown

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
    words: Annotated[
        list[str] | None,
        typer.Argument(metavar="[WORD]...", help="Only what holds all these words."),
    ] = None,
    machine: Annotated[
        str | None, typer.Option("--machine", metavar="NAME", help="Only of this machine.")
    ] = None,
    sheet: Annotated[
        str | None, typer.Option("--sheet", metavar="NAME", help="Only of this sheet.")
    ] = None,
    material: Annotated[
        str | None, typer.Option("--material", metavar="TEXT", help="Only of this material.")
    ] = None,
    thickness: Annotated[
        float | None,
        typer.Option("--thickness", parser=length, metavar="LENGTH", help="Only this thick (mm)."),
    ] = None,
    operation: Annotated[
        str | None,
        typer.Option("--operation", metavar="WORD", help="cut, line_mark or area_mark."),
    ] = None,
    outcome: Annotated[
        str | None,
        typer.Option(
            "--outcome",
            metavar="WORD",
            help="no, hanging, through, 'char 2', 'mark 3', or unread.",
        ),
    ] = None,
    kind: Annotated[
        list[str] | None,
        typer.Option("--kind", metavar="WORD", help="board, job, check_strip or note."),
    ] = None,
    since: Annotated[
        datetime | None,
        typer.Option("--since", parser=_day, metavar="DATE", help="From this day on."),
    ] = None,
    until: Annotated[
        datetime | None,
        typer.Option("--until", parser=_day, metavar="DATE", help="Before this day."),
    ] = None,
    limit: Annotated[int, typer.Option("--limit", metavar="N", help="At most so many.")] = 50,
    offset: Annotated[int, typer.Option("--offset", metavar="N", help="Skip so many.")] = 0,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """List boards, jobs, check strips and notes, newest first; with words, search them."""
    from calib.logbook import Filters
    from calib.report.book import page_text, unknown_material_text

    filters = Filters(
        text=" ".join(words or ()),
        machine=machine,
        sheet=sheet,
        material=material,
        thickness_mm=thickness,
        operation=None if operation is None else checked_operation(operation),
        outcome=outcome,
        since=since,
        until=until,
        **({"kinds": tuple(kind)} if kind else {}),
    )
    with open_book(book) as opened:
        page = opened.search(filters, limit=limit, offset=offset)
        materials = [sheet.material for sheet in opened.sheets()] if material else []
    if material and not page.total:
        tell(unknown_material_text(material, materials))
    show(page, page_text(page), as_json=as_json)


@command(PANEL, "calib history 'birch 3'")
def history(
    sheet: SheetName = None,
    machine: MachineName = None,
    operation: Annotated[
        str | None,
        typer.Option("--operation", metavar="WORD", help="cut, line_mark or area_mark."),
    ] = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Show all that was ever taken down of a sheet on a machine, corrected things too."""
    from calib.report.book import history_text
    from calib.tasks.finding import find_pair

    word = None if operation is None else checked_operation(operation)
    with open_book(book) as opened:
        of_machine, of_sheet = find_pair(opened, machine, sheet)
        lines = opened.history(of_machine.name, of_sheet.name, word)
    show(lines, history_text(lines), as_json=as_json)


@command(PANEL, "calib note 'lens cleaned' --machine bench")
def note(
    text: Annotated[str, typer.Argument(metavar="TEXT", help="Your own words.")],
    machine: MachineName = None,
    sheet: Annotated[
        str | None, typer.Option("--sheet", metavar="NAME", help="Sheet it is about.")
    ] = None,
    board: Annotated[
        str | None, typer.Option("--board", metavar="BOARD", help="Board it is about, or: last.")
    ] = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Add a note to the logbook, about a machine, a sheet or a board."""
    from calib.tasks.finding import find_board

    with open_book(book) as opened:
        code = None if board is None else find_board(opened, board).board_id
        added = opened.add_note(text, when=now(), machine=machine, sheet=sheet, board_id=code)
    show({"note_id": added}, "The note is in the logbook.", as_json=as_json)


@command(PANEL, "calib export logbook.jsonl")
def export_book(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help=".jsonl: everything, for others; .csv: burns."),
    ],
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Write all entries of the logbook into a file, or all burns that count into a CSV table."""
    from calib.tasks.exchange import export_book

    with open_book(book) as opened:
        written = export_book(opened, file)
    show({"file": written}, f"Written: {written}", as_json=as_json)


@command(PANEL, "calib import logbook.jsonl --look")
def import_book(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", exists=True, dir_okay=False, help="JSON lines of another logbook."
        ),
    ],
    answer: Annotated[
        list[str] | None,
        typer.Option(
            "--answer", metavar="KEY=WORD", help="Answer to a question it asked; may be repeated."
        ),
    ] = None,
    look: Annotated[bool, typer.Option("--look", help="Only look, store nothing.")] = False,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Take another logbook's file in; where the two differ, it asks."""
    from calib.report.book import import_text
    from calib.tasks.exchange import import_book
    from calib.tasks.folders import MOST_OF_A_LOGBOOK, given_file

    given = given_file(file, MOST_OF_A_LOGBOOK)
    with open_book(book) as opened:
        done = import_book(opened, given, answers=_answers(answer), look=look, when=now())
    show(done, import_text(done), as_json=as_json)


@command(PANEL, "calib questions")
def questions(
    answer: Annotated[
        list[str] | None,
        typer.Option("--answer", metavar="KEY=WORD", help="Answer to one; may be repeated."),
    ] = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """List what two people, or two logbooks, said differently; answer it."""
    from calib.report.book import questions_text

    with open_book(book) as opened:
        for key, word in _answers(answer).items():
            opened.answer(key, word, when=now())
        found = opened.questions()
    text = questions_text(found) or "Nothing was said in two ways."
    show({"questions": found}, text, as_json=as_json)


def _answers(given: list[str] | None) -> dict[str, str]:
    answers = {}
    for text in given or []:
        key, sign, word = text.rpartition("=")
        if not sign:
            raise typer.BadParameter(f"{text!r} has no =.", param_hint="--answer")
        answers[key] = word
    return answers


@command(PANEL, "calib where")
def where(book: BookPlace = None, as_json: AsJson = False) -> None:
    """Say where the logbook lies."""
    with open_book(book) as opened:
        place = opened.place
    show({"place": place}, place, as_json=as_json)
