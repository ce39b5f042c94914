"""The files of a board, made in memory, and written into a folder without spoiling anything."""

from __future__ import annotations

from collections.abc import Mapping

from calib.boards.dxf import grid_dxf
from calib.boards.focus import FocusBoard
from calib.boards.record_sheet import grid_record_sheet
from calib.boards.rs274 import grid_program, grid_program_per_setting, outline_program
from calib.boards.svg import grid_svg, grid_svg_by_eight, grid_svg_per_setting
from calib.boards.trial import trial_program
from calib.hazards import check_hazard
from calib.records import Grid, Machine
from calib.results import blank_results_csv, plan_csv
from calib.tasks.folders import RESULTS_SUFFIX, Files
from calib.tasks.wishes import FileWish

_USUAL = FileWish()


def board_files(grid: Grid, wish: FileWish = _USUAL) -> Files:
    """Make all files of a board; their names begin with its code; raises RefusedMaterial,
    DeclarationNeeded, MachineLimit, BoardDoesNotFit when the board may not or can't be burnt, or
    doesn't fit the record sheet."""
    check_hazard(grid.sheet, grid.machine, grid.operation)
    name = grid.board_id
    record = grid_record_sheet(grid, paper=wish.paper, address=wish.address_of(name))
    files: dict[str, bytes] = {
        f"{name}.svg": grid_svg(grid).encode(),
        f"{name}.dxf": grid_dxf(grid).encode(),
        f"{name}-record.pdf": record,
        f"{name}-plan.csv": plan_csv(grid).encode(),
        f"{name}{RESULTS_SUFFIX}": blank_results_csv(grid).encode(),
    }
    files |= _named(name, grid_svg_by_eight(grid), "svg")
    if wish.one_file_per_setting:
        files |= _named(name, grid_svg_per_setting(grid), "svg")
    if grid.machine.power_word_full is not None:
        files[f"{name}.nc"] = grid_program(grid).encode()
        files[f"{name}-outline.nc"] = outline_program(grid).encode()
        if wish.one_file_per_setting:
            files |= _named(name, grid_program_per_setting(grid), "nc")
    return dict(sorted(files.items()))


def _named(name: str, parts: Mapping[str, str], suffix: str) -> dict[str, bytes]:
    return {f"{name}-{key}.{suffix}": text.encode() for key, text in parts.items()}


def resume_files(grid: Grid, cell: str) -> Files:
    """Make the program that goes on with a stopped board; raises MachineLimit, InvalidRecord when
    the machine can't have a program, or the board has no such cell."""
    label = cell.strip().upper()
    program = grid_program(grid, from_cell=label)
    return {f"{grid.board_id}-from-{label}.nc": program.encode()}


def trial_files(machine: Machine) -> Files:
    """Make the program of a trial line; nothing for a machine that can't have one."""
    if machine.power_word_full is None:
        return {}
    return {"trial.nc": trial_program(machine).encode()}


def focus_files(board: FocusBoard) -> Files:
    """Make the drawing of a focus board, and its program when the machine can have one."""
    files = {"focus.svg": grid_svg(board).encode(), "focus.dxf": grid_dxf(board).encode()}
    if board.machine.power_word_full is not None:
        files["focus.nc"] = grid_program(board).encode()
    return files
