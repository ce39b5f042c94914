"""Commands that keep: backups, photographs, how a sitting was set up."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.book import PANEL
from calib.cli.frame import (
    AsJson,
    BoardCode,
    BookPlace,
    MachineName,
    Note,
    Why,
    now,
    open_book,
    show,
)
from calib.cli.options import command, reader
from calib.units import parse_signed_mm


@command(PANEL, "calib backup")
def backup(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="FILE", help="New file; by date, beside the logbook, if left out."),
    ] = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Copy the logbook into a new file, and open the copy to see that nothing is missing."""
    from calib.report.keeping import kept_text
    from calib.tasks.keeping import back_up

    with open_book(book) as opened:
        kept = back_up(opened, file, when=now())
    show(kept, f"Backup: {kept_text(kept)}", as_json=as_json)


@command(PANEL, "calib restore last")
def restore(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="The backup, or: last, the newest good one.")
    ],
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Put a backup in the logbook's place; what was there is kept beside it."""
    from calib.report.keeping import kept_text
    from calib.tasks.keeping import put_back

    kept = put_back(file, book)
    show(kept, f"Restored: {kept_text(kept)}", as_json=as_json)


@command(PANEL, "calib list-backups")
def list_backups(book: BookPlace = None, as_json: AsJson = False) -> None:
    """List the backups beside the logbook, and whether each of them is good."""
    from calib.report.keeping import backups_text
    from calib.tasks.keeping import list_backups

    files = list_backups(book)
    show(files, backups_text(files), as_json=as_json)


@command(PANEL, "calib check")
def check(book: BookPlace = None, as_json: AsJson = False) -> None:
    """Look at every page of the logbook, and at every row against the newest backup."""
    from calib.report.keeping import check_text
    from calib.tasks.keeping import look_over

    with open_book(book) as opened:
        found = look_over(opened)
    show(found, check_text(found), as_json=as_json)


@command(PANEL, "calib attach last photo.jpg --cell A1")
def attach(
    board: BoardCode,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", exists=True, dir_okay=False, readable=True, help="PNG, JPEG or WebP."
        ),
    ],
    cell: Annotated[
        str, typer.Option("--cell", metavar="CELL", help="Cell that it shows; else the board.")
    ] = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Keep a photograph of a board or of one of its cells in the logbook."""
    from calib.tasks.finding import find_board
    from calib.tasks.keeping import attach

    with open_book(book) as opened:
        grid = find_board(opened, board)
        kept = attach(opened, grid, file, cell=cell, when=now())
    show(kept, f"{kept.filename} is kept with board {kept.board}.", as_json=as_json)


@command(PANEL, "calib photographs last --into pictures")
def photographs(
    board: BoardCode,
    into: Annotated[
        Path | None,
        typer.Option("--into", metavar="FOLDER", help="Write them there; made if missing."),
    ] = None,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """List the photographs of a board, and write them into a folder."""
    from calib.report.keeping import photographs_text
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder
    from calib.tasks.keeping import photograph_files

    with open_book(book) as opened:
        grid = find_board(opened, board)
        found = opened.photographs(grid.board_id)
        files = photograph_files(opened, grid) if into is not None else {}
    written = write_folder(files, into) if into is not None else ()
    text = photographs_text(grid.board_id, found)
    show({"photographs": found, "files": written}, text, as_json=as_json)


@command(PANEL, "calib describe-sitting '2026-03-01' --focus 0 --air --on pins")
def describe_sitting(
    label: Annotated[str, typer.Argument(metavar="SITTING", help="Its name, as burns carry it.")],
    machine: MachineName = None,
    focus: Annotated[
        float | None,
        typer.Option(
            "--focus",
            parser=reader(parse_signed_mm),
            metavar="LENGTH",
            help="Focus height against the usual one (mm).",
        ),
    ] = None,
    air: Annotated[
        bool | None, typer.Option("--air/--no-air", help="Air assist on or off.")
    ] = None,
    lens_cleaned: Annotated[
        bool | None,
        typer.Option("--lens-cleaned/--lens-not-cleaned", help="Whether the lens was cleaned."),
    ] = None,
    support: Annotated[
        str, typer.Option("--on", metavar="WORD", help="What it lay on: pins, flat or slats.")
    ] = "",
    masked: Annotated[
        bool | None, typer.Option("--masked/--bare", help="Whether the face was masked.")
    ] = None,
    note: Note = "",
    why: Why = "",
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Take down how the machine was set up for a sitting; an earlier description stays."""
    from calib.logbook import Sitting
    from calib.report.keeping import sittings_text
    from calib.tasks.finding import find_machine

    sitting = Sitting(
        label=label,
        focus_mm=focus,
        air=air,
        lens_cleaned=lens_cleaned,
        support=support,  # type: ignore[arg-type]
        masked=masked,
        note=note,
    )
    with open_book(book) as opened:
        name = find_machine(opened, machine).name
        opened.add_sitting(name, sitting, when=now(), why=why)
    show(sitting, sittings_text([sitting]), as_json=as_json)


@command(PANEL, "calib list-sittings")
def list_sittings(
    machine: MachineName = None, book: BookPlace = None, as_json: AsJson = False
) -> None:
    """List the sittings of a machine with what was taken down of them."""
    from calib.report.keeping import sittings_text
    from calib.tasks.finding import find_machine

    with open_book(book) as opened:
        found = opened.sittings(find_machine(opened, machine).name)
    show(found, sittings_text(found), as_json=as_json)
