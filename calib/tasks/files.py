"""The files of a board, made in memory, and written into a folder without spoiling anything."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from calib.boards.focus import FocusBoard
from calib.boards.record_sheet import grid_record_sheet
from calib.boards.rs274 import frame_program, grid_program, grid_program_per_setting
from calib.boards.svg import grid_svg, grid_svg_per_setting
from calib.errors import BadFile, CalibError, shown
from calib.hazards import check_hazard
from calib.jobs import svg
from calib.logbook import boards
from calib.records import Grid
from calib.results import blank_results_csv, plan_csv

Files = Mapping[str, bytes]

RESULTS_SUFFIX = "-results.csv"

GivenKind = Literal["results", "drawing", "photograph", "logbook", "definition"]
# What is read at most of a file that was named: it may be a device without an end [bytes].
_MOST_BYTES: dict[GivenKind, int] = {
    "results": 2**20,
    "drawing": svg.MAX_BYTES,
    "photograph": boards.MAX_PHOTOGRAPH_BYTES,
    "logbook": 2**30,
    "definition": 2**20,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FileWish:
    """How the files of a board are wanted."""

    paper: str = "a4"  # ``a4`` or ``letter``, for the record sheet
    # True also gives one drawing and one program per setting, for software that can't tell colours
    # apart
    one_file_per_setting: bool = False
    # Where boards of this logbook are found, such as a page's address up to the board's code, which
    # is added; empty: the command that shows the board
    address: str = ""

    def address_of(self, board_id: str) -> str:
        """Say where a board is found in the logbook, for the record sheet and its QR code."""
        return (self.address or "calib show-board ") + board_id


_USUAL = FileWish()


def board_files(grid: Grid, wish: FileWish = _USUAL) -> Files:
    """Make all files of a board; their names begin with its code.

    Raises RefusedMaterial, DeclarationNeeded, MachineLimit, BoardDoesNotFit when the board may not
    or can't be burnt, or doesn't fit the record sheet.
    """
    check_hazard(grid.sheet, grid.machine, grid.operation)
    name = grid.board_id
    record = grid_record_sheet(grid, paper=wish.paper, address=wish.address_of(name))
    files: dict[str, bytes] = {
        f"{name}.svg": grid_svg(grid).encode(),
        f"{name}-record.pdf": record,
        f"{name}-plan.csv": plan_csv(grid).encode(),
        f"{name}{RESULTS_SUFFIX}": blank_results_csv(grid).encode(),
    }
    if wish.one_file_per_setting:
        files |= _named(name, grid_svg_per_setting(grid), "svg")
    if grid.machine.power_word_full is not None:
        files[f"{name}.ngc"] = grid_program(grid).encode()
        files[f"{name}-frame.ngc"] = frame_program(grid).encode()
        if wish.one_file_per_setting:
            files |= _named(name, grid_program_per_setting(grid), "ngc")
    return dict(sorted(files.items()))


def _named(name: str, parts: Mapping[str, str], suffix: str) -> dict[str, bytes]:
    return {f"{name}-{key}.{suffix}": text.encode() for key, text in parts.items()}


def resume_files(grid: Grid, cell: str) -> Files:
    """Make the program that goes on with a stopped board.

    Raises MachineLimit, InvalidRecord when the machine can't have a program, or the board has no
    such cell.
    """
    label = cell.strip().upper()
    program = grid_program(grid, from_cell=label)
    return {f"{grid.board_id}-from-{label}.ngc": program.encode()}


def focus_files(board: FocusBoard) -> Files:
    """Make the drawing of a focus board, and its program when the machine can have one.

    Raises RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    files = {"focus.svg": grid_svg(board).encode()}
    if board.machine.power_word_full is not None:
        files["focus.ngc"] = grid_program(board).encode()
    return files


def given_file(file: Path, kind: GivenKind) -> bytes:
    """Read a file that was named, which may be a device without an end.

    Raises BadFile when it can't be read.
    """
    try:
        with file.open("rb") as source:
            return source.read(_MOST_BYTES[kind] + 1)
    except OSError as error:
        raise BadFile(
            f"{shown(str(file))} can't be read ({error.strerror}): give a file that can be opened."
        ) from None


def check_folder(folder: Path | None) -> None:
    """Check that a folder can be written or made, before anything is done for it.

    Raises CalibError when a file stands there, or in the way.
    """
    with contextlib.suppress(OSError):
        for place in (folder, *folder.parents) if folder else ():
            if place.is_dir():
                break
            if place.exists():
                raise CalibError(
                    f"{shown(str(place))} is a file: give another folder. Nothing was done."
                )


def write_folder(files: Files, folder: Path) -> tuple[Path, ...]:
    """Write files into a folder, which is made when it isn't there.

    A result file in which something was filled in is left as it is.

    Raises CalibError when the folder can't be written.
    """
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            path = folder / name
            if name.endswith(RESULTS_SUFFIX) and path.exists() and path.read_bytes() != content:
                continue
            path.write_bytes(content)
            written.append(path)
    except OSError as error:
        raise CalibError(
            f"{shown(str(error.filename or folder))} can't be written ({error.strerror}): give"
            " another folder, or make room."
        ) from None
    return tuple(written)
