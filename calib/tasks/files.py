"""Files that were named, read and written without spoiling anything; those of a board.

What draws is loaded where it is used: everyday commands only read and write.
"""

from __future__ import annotations

import contextlib
import io
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from calib.errors import BadFile, CalibError, InvalidRecord, LogbookError, shown
from calib.hazards import check_hazard
from calib.records import KINDS, Grid, Machine
from calib.results import blank_results_csv, plan_csv
from calib.tasks.wishes import FileWish
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.boards.board import Board

Files = Mapping[str, bytes]
PictureFormat = Literal["png", "svg"]

RESULTS_SUFFIX = "-results.csv"

# No results, drawing or photograph that calib takes is larger, nor any logbook than the second; the
# file that was named may be a device without an end [bytes].
MOST_BYTES = 2**25
MOST_OF_A_LOGBOOK = 2**30


def given_file(file: Path, most_bytes: int = MOST_BYTES) -> bytes:
    """Read a file that was named, one byte beyond the most at most; BadFile if it can't be."""
    try:
        with file.open("rb") as source:
            return source.read(most_bytes + 1)
    except OSError as error:
        raise BadFile(say("tasks.cant_be_read", file=shown(str(file)), error=error)) from None


def check_folder(folder: Path | None) -> None:
    """Check that a folder can be written or made, before anything is done for it; raises CalibError
    when a file stands there, or in the way."""
    with contextlib.suppress(OSError):
        for place in (folder, *folder.parents) if folder else ():
            if place.is_dir():
                break
            if place.exists():
                raise CalibError(say("tasks.is_file_give_another_folder", place=shown(str(place))))


def slug(name: str) -> str:
    """A user's name as a part of a file's name."""
    return re.sub(r"\W+", "-", name.strip().casefold())[:60].strip("-") or "unnamed"


def picture_format(name: str) -> PictureFormat:
    """Tell a picture's format by the end of its name; raises InvalidRecord for another one."""
    if name.lower().endswith(".png"):
        return "png"
    if name.lower().endswith(".svg"):
        return "svg"
    raise InvalidRecord(say("tasks.picture_is_give_name_that_ends", name=shown(name)))


def pictures_named(names: Sequence[str], draw: Callable[[PictureFormat], bytes]) -> Files:
    """Draw a picture into files that were named, each in the format that its name says."""
    kinds = {name: picture_format(name) for name in names}
    return {name: draw(kind) for name, kind in kinds.items()}


def zipped(files: Files) -> bytes:
    """Put files into one archive, the same for the same files."""
    into = io.BytesIO()
    with zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return into.getvalue()


def write_folder(files: Files, folder: Path | None) -> tuple[Path, ...]:
    """Write files into a folder, which is made when it isn't there; nothing without one.

    A result file in which something was filled in is left as it is. Raises CalibError when the
    folder can't be written.
    """
    if folder is None:
        return ()
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
            say("tasks.cant_be_written", filename=shown(str(error.filename or folder)), error=error)
        ) from None
    return tuple(written)


_USUAL = FileWish()


def board_files(grid: Grid, wish: FileWish = _USUAL) -> Files:
    """Make all files of a board; their names begin with its code. Raises BoardDoesNotFit too when
    it doesn't fit the record sheet."""
    from calib.boards.record_sheet import grid_record_sheet
    from calib.boards.rs274 import grid_program_per_setting
    from calib.boards.svg import grid_svg_in_parts, grid_svg_per_setting

    check_hazard(grid.sheet, grid.machine, grid.operation)
    name, has_program = grid.board_id, grid.machine.power_word_full is not None
    edge = wish.piece_edge
    record = grid_record_sheet(grid, paper=wish.paper, address=wish.address_of(name))
    texts = {
        "-plan.csv": plan_csv(grid),
        RESULTS_SUFFIX: blank_results_csv(grid),
        **{f"-{key}.svg": text for key, text in grid_svg_in_parts(grid, piece_edge=edge).items()},
    }
    if wish.one_file_per_setting:
        drawn = grid_svg_per_setting(grid, piece_edge=edge)
        texts |= {f"-{key}.svg": text for key, text in drawn.items()}
    if wish.one_file_per_setting and has_program:
        texts |= {f"-{key}.nc": text for key, text in grid_program_per_setting(grid).items()}
    files = {f"{name}{end}": text.encode() for end, text in texts.items()}
    made = {f"{name}-record.pdf": record, **files, **drawn_files(grid, name, piece_edge=edge)}
    return dict(sorted(made.items()))


def drawn_files(
    board: Grid | Board, name: str, *, outline: bool = True, piece_edge: bool = False
) -> Files:
    """Draw any board; with its programs when the machine can have one."""
    from calib.boards.dxf import grid_dxf
    from calib.boards.rs274 import grid_program, outline_program
    from calib.boards.svg import grid_svg

    files = {
        f"{name}.svg": grid_svg(board, piece_edge=piece_edge),
        f"{name}.dxf": grid_dxf(board, piece_edge=piece_edge),
    }
    if KINDS[board.operation].shape == "area":
        files[f"{name}-filled.svg"] = grid_svg(board, piece_edge=piece_edge, filled=True)
    if board.machine.power_word_full is not None:
        files[f"{name}.nc"] = grid_program(board)
        files |= {f"{name}-outline.nc": outline_program(board)} if outline else {}
    return {name: text.encode() for name, text in files.items()}


def resume_files(grid: Grid, cell: str) -> Files:
    """Make the program that goes on with a stopped board; raises MachineLimit, InvalidRecord when
    the machine can't have a program, or the board has no such cell."""
    from calib.boards.rs274 import grid_program

    label = cell.strip().upper()
    program = grid_program(grid, from_cell=label)
    return {f"{grid.board_id}-from-{label}.nc": program.encode()}


def trial_files(machine: Machine) -> Files:
    """Make the program of a trial line, if the machine can have one, and of moves to be timed."""
    from calib.boards.trial import moves_program, trial_program

    moves = {"moves.nc": moves_program(machine).encode()}
    if machine.power_word_full is None:
        return moves
    return {"trial.nc": trial_program(machine).encode(), **moves}


def board_file(grid: Grid, name: str, address: str = "") -> bytes:
    """Make one file of a board; raises LogbookError when the board has no such file."""
    files = board_files(grid, FileWish(address=address))
    if name not in files:
        raise LogbookError(
            say("tasks.board_has_no_file", grid=grid, name=name, files=", ".join(files))
        )
    return files[name]


def file_names(grid: Grid) -> tuple[str, ...]:
    """Name the files of a board without making them."""
    from calib.boards.layers import drawings_of

    ends = [".svg", ".dxf", "-record.pdf", "-plan.csv", "-results.csv"]
    if grid.machine.power_word_full is not None:
        ends[2:2] = [".nc", "-outline.nc"]
    if KINDS[grid.operation].shape == "area":
        ends.insert(1, "-filled.svg")
    parts = drawings_of(grid)
    ends[1:1] = [f"-{n}of{parts}.svg" for n in range(1, parts + 1) if parts > 1]
    return tuple(f"{grid.board_id}{end}" for end in ends)
