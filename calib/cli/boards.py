"""Commands for boards: plan, draw, go on after a stop, focus."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.cli.frame import (
    AsJson,
    BoardCode,
    BookPlace,
    CharAtMost,
    MachineName,
    MarkGrade,
    OperationName,
    Reliability,
    SheetName,
    app,
    checked_operation,
    length,
    many,
    now,
    open_book,
    show,
    signed_length,
    size,
    tell,
    whole,
)
from calib.units import parse_percent, parse_size_mm, parse_speed_mm_s

if TYPE_CHECKING:
    from collections.abc import Mapping

PANEL = "Boards"

Into = Annotated[
    Path | None,
    typer.Option("--into", metavar="FOLDER", help="Write the files there; made if missing."),
]
Paper = Annotated[str, typer.Option("--paper", metavar="WORD", help="a4 or letter.")]
PerSetting = Annotated[
    bool,
    typer.Option("--one-file-per-setting", help="Also one drawing and program for each setting."),
]
Offcut = Annotated[
    Any,
    typer.Option(
        "--offcut", parser=size, metavar="SIZE", help="Width x height of the piece at hand (mm)."
    ),
]


def _write(files: Mapping[str, bytes], folder: Path | None) -> tuple[Path, ...]:
    """Write files, and say so; nothing without a folder."""
    from calib.report.boards import files_text
    from calib.tasks.folders import write_folder

    if folder is None:
        return ()
    written = write_folder(files, folder)
    tell(files_text(files, written, folder))
    return written


@app.command(
    rich_help_panel=PANEL,
    epilog="Example: calib plan 'birch 3' --burns 6 --offcut 200x150 --into board-1",
)
def plan(
    sheet: SheetName = None,
    machine: MachineName = None,
    operation: OperationName = "cut",
    burns: Annotated[int, typer.Option("--burns", metavar="N", help="How many cells.")] = 8,
    offcut: Offcut = None,
    split: Annotated[
        bool, typer.Option("--split", help="Spread the burns over as many pieces as they need.")
    ] = False,
    more_offcuts: Annotated[
        Any,
        typer.Option(
            "--more-offcuts",
            parser=many(parse_size_mm),
            metavar="SIZE,...",
            help="Further pieces for --split (mm); else as many as the first as it takes.",
        ),
    ] = None,
    clamp: Annotated[
        float | None,
        typer.Option(
            "--clamp", parser=length, metavar="LENGTH", help="Margin kept free at the edges (mm)."
        ),
    ] = None,
    passes: Annotated[
        Any,
        typer.Option("--passes", parser=many(whole), metavar="N,...", help="Passes to try."),
    ] = "1",
    powers: Annotated[
        Any,
        typer.Option(
            "--powers",
            parser=many(parse_percent),
            metavar="%,...",
            help="A full grid: these powers (%) with all --speeds.",
        ),
    ] = None,
    speeds: Annotated[
        Any,
        typer.Option(
            "--speeds",
            parser=many(parse_speed_mm_s),
            metavar="SPEED,...",
            help="A full grid: these speeds (mm/s) with all --powers.",
        ),
    ] = None,
    slowest: Annotated[
        float | None,
        typer.Option(
            "--slowest",
            parser=parse_speed_mm_s,
            metavar="SPEED",
            help="A full grid down to this speed (mm/s), at your own risk of fire.",
        ),
    ] = None,
    line_pitch: Annotated[
        float | None,
        typer.Option(
            "--line-pitch", parser=length, metavar="LENGTH", help="Line pitch of an area mark (mm)."
        ),
    ] = None,
    reliability: Reliability = 0.99,
    char_at_most: CharAtMost = None,
    mark: MarkGrade = 2,
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Shuffles the places.")] = 0,
    into: Into = None,
    paper: Paper = "a4",
    one_file_per_setting: PerSetting = False,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Plan the next board of a sheet: the first brackets the edge, later ones close in on it."""
    from calib.report.boards import planned_round_data, planned_round_text
    from calib.tasks.boards import BoardWish, plan_boards
    from calib.tasks.folders import check_folder

    wish = BoardWish(
        burns=burns,
        offcut_mm=offcut,
        split=split or bool(more_offcuts),
        more_offcuts_mm=more_offcuts or (),
        clamp_mm=clamp,
        passes=passes,
        powers_pct=powers or (),
        speeds_mm_s=speeds or (),
        slowest_mm_s=slowest,
        line_pitch_mm=line_pitch,
        reliability=reliability,
        char_at_most=char_at_most,
        mark=mark,
        seed=seed,
    )
    word, files = checked_operation(operation), _file_wish(paper, one_file_per_setting)
    check_folder(into)
    with open_book(book) as opened:
        planned = plan_boards(opened, machine, sheet, word, wish, when=now(), files=files)
    for one in planned:
        if one.again:
            tell(f"Board {one.grid.board_id} was planned before, and isn't taken down: it stays.")
    for board in planned[0].unread:
        tell(f"Nothing was taken down yet of the earlier board {board}.")
    written = [_write(one.files, into) for one in planned]
    data = planned_round_data(planned, written, split=wish.split)
    show(data, planned_round_text(planned), as_json=as_json)


def _file_wish(paper: str, one_file_per_setting: bool) -> Any:
    from calib.tasks.files import FileWish

    return FileWish(paper=paper, one_file_per_setting=one_file_per_setting)


@app.command(rich_help_panel=PANEL, epilog="Example: calib files last --into board-1")
def files(
    board: BoardCode,
    into: Annotated[
        Path, typer.Option("--into", metavar="FOLDER", help="Where to; made if missing.")
    ] = Path(),
    paper: Paper = "a4",
    one_file_per_setting: PerSetting = False,
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Write the files of a planned board: drawing, programs, record sheet, plan, empty results."""
    from calib.report.boards import files_text
    from calib.tasks.files import board_files
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder

    with open_book(book) as opened:
        grid = find_board(opened, board)
    made = board_files(grid, _file_wish(paper, one_file_per_setting))
    written = write_folder(made, into)
    text = files_text(made, written, into)
    show({"board_id": grid.board_id, "files": written}, text, as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib resume last C1 --into board-1")
def resume(
    board: BoardCode,
    cell: Annotated[str, typer.Argument(metavar="CELL", help="Code of the cell to go on with.")],
    into: Annotated[
        Path, typer.Option("--into", metavar="FOLDER", help="Where to; made if missing.")
    ] = Path(),
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Write the program that goes on with a stopped board from a cell."""
    from calib.report.boards import files_text
    from calib.tasks.files import resume_files
    from calib.tasks.finding import find_board
    from calib.tasks.folders import write_folder

    with open_book(book) as opened:
        grid = find_board(opened, board)
    made = resume_files(grid, cell)
    written = write_folder(made, into)
    text = files_text(made, written, into)
    show({"board_id": grid.board_id, "files": written}, text, as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib focus 'birch 3' --into focus")
def focus(
    sheet: SheetName = None,
    machine: MachineName = None,
    heights: Annotated[
        Any,
        typer.Option(
            "--heights",
            parser=many(signed_length),
            metavar="LENGTH,...",
            show_default="-3 to 3 mm",
            help="Focus heights against the usual one (mm); more is farther away.",
        ),
    ] = None,
    offcut: Offcut = None,
    into: Annotated[
        Path, typer.Option("--into", metavar="FOLDER", help="Where to; made if missing.")
    ] = Path(),
    book: BookPlace = None,
    as_json: AsJson = False,
) -> None:
    """Draw a focus board: one line for each height; the thinnest, darkest one is in focus."""
    from calib.report.boards import files_text, focus_data, focus_text
    from calib.tasks.boards import plan_focus_board
    from calib.tasks.files import focus_files
    from calib.tasks.folders import write_folder

    with open_book(book) as opened:
        planned = plan_focus_board(opened, machine, sheet, heights, offcut)
    made = focus_files(planned)
    written = write_folder(made, into)
    text = f"{focus_text(planned)}\n\n{files_text(made, written, into)}"
    show({**focus_data(planned), "files": written}, text, as_json=as_json)


@app.command(rich_help_panel=PANEL, epilog="Example: calib show-board last")
def show_board(board: BoardCode, book: BookPlace = None, as_json: AsJson = False) -> None:
    """Show a board: its cells, what was taken down of each, and its notes."""
    from calib.report.boards import board_text
    from calib.tasks.finding import find_board

    with open_book(book) as opened:
        grid = find_board(opened, board)
        readings, looks = opened.readings(grid.board_id), opened.looks(grid.board_id)
    show(
        {"grid": grid, "readings": readings},
        board_text(grid, readings, looks),
        as_json=as_json,
    )
