"""The files of a board, made in memory, and written into a folder without spoiling anything."""

from __future__ import annotations

from calib.boards.board import Board
from calib.boards.rs274 import grid_program, grid_program_per_setting, outline_program
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
    from calib.boards.record_sheet import grid_record_sheet  # loads reportlab
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
    from calib.boards.svg import grid_svg

    files = {
        f"{name}.svg": grid_svg(board, piece_edge=piece_edge),
        f"{name}.dxf": grid_dxf(board, piece_edge=piece_edge),
    }
    if board.machine.power_word_full is not None:
        files[f"{name}.nc"] = grid_program(board)
        files |= {f"{name}-outline.nc": outline_program(board)} if outline else {}
    return {name: text.encode() for name, text in files.items()}


def resume_files(grid: Grid, cell: str) -> Files:
    """Make the program that goes on with a stopped board; raises MachineLimit, InvalidRecord when
    the machine can't have a program, or the board has no such cell."""
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
