"""Where cells may lie on a board: sizes, gaps, margins, the lines at its head."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from calib.boards.lettering import text_width_mm, transliterate, wrap_text
from calib.errors import BoardDoesNotFit, MachineLimit
from calib.physics import run_up_mm
from calib.records import COUPON_MM, KINDS, Machine, Operation, Setting, Sheet
from calib.texts.say import say

Size = tuple[float, float]
Title = tuple[str, str]

# Least distance of two cells [mm]; the sheet's thickness when that is more.
LEAST_GAP_MM = 3.0
# Codes beside the cells, the code on a coupon and the lines at the head: height of capitals [mm].
CODE_CAP_MM, COUPON_CODE_CAP_MM, HEAD_CAP_MM = 3.0, 4.0, 3.0
# Bare sheet below a code, so that the cut's char doesn't reach it, and above it [mm]: the code
# stands nearer to its own cell than to the one above.
CODE_CLEAR_MM, CODE_ABOVE_MM = 1.5, 2.5
# Distance of the head's lines, and of the last from the codes of the first row [mm].
HEAD_LINE_MM, HEAD_BELOW_MM = 5.0, 1.5
# Brackets stand a fifth above the capitals, commas hang a third below them (the face's extent).
ABOVE_CAPS, BELOW_CAPS = 1.2, 1.0 / 3.0
# Room for the corner sign left of the head's lines [mm].
SIGN_MM = 5.5
# A board of its own is at least so wide that the head's lines are readable [mm].
LEAST_HEAD_MM = 40.0
LONGEST_SHEET_NAME, ID_LENGTH = 40, 6
# Bare rim of a mark's cell, so that a halo is seen against clean sheet [mm].
MARK_INSET_MM = 1.0
LINE_CELL_HEIGHT_MM, LINE_DOWN_MM = 8.0, 2.5
AREA_HEIGHT_MM = 8.0
# Lit length of lines [mm] and least time for which they are lit [s]: a gas tube needs some
# milliseconds to come to its power (from memory), which must stay a small part of the line.
LINE_LIT_MM, AREA_LIT_MM, LEAST_LIT_S = 20.0, 14.0, 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Measures that all cells of one board share [mm]."""

    cell_mm: Size  # Width and height of a cell
    # gap_mm, row_gap_mm: Between cells side by side, and between rows, where the codes stand
    gap_mm: float
    row_gap_mm: float
    # edge_mm, left_mm: Margin above and below, and left and right
    edge_mm: float
    left_mm: float
    title: Title  # What the head says

    def first_row_mm(self, board_width_mm: float) -> float:
        """Top of the first row of cells on a board of this width [mm]."""
        lines = head_lines(self.title, board_width_mm - 2.0 * self.left_mm)
        return tenth_up(self.edge_mm + head_height_mm(lines) + HEAD_BELOW_MM + self.row_gap_mm)

    def columns_and_rows(self, board_mm: Size) -> tuple[int, int]:
        """Count the columns and rows that fit a board; (0, 0) when none does."""
        (width, height), noise = board_mm, 1e-6
        columns = math.floor(
            (width - 2.0 * self.left_mm + self.gap_mm) / (self.cell_mm[0] + self.gap_mm) + noise
        )
        if columns < 1:
            return 0, 0
        below = height - self.edge_mm - self.first_row_mm(width) + self.row_gap_mm
        rows = math.floor(below / (self.cell_mm[1] + self.row_gap_mm) + noise)
        return (columns, rows) if rows > 0 else (0, 0)

    def board_mm(self, columns: int, rows: int) -> Size:
        """Size of the smallest board for so many columns and rows, in whole mm."""
        cells = columns * (self.cell_mm[0] + self.gap_mm) - self.gap_mm
        width = math.ceil(2.0 * self.left_mm + max(cells, LEAST_HEAD_MM) - 1e-6)
        rows_mm = rows * (self.cell_mm[1] + self.row_gap_mm) - self.row_gap_mm
        height = math.ceil(self.first_row_mm(width) + rows_mm + self.edge_mm - 1e-6)
        return float(width), float(height)

    def corner_mm(self, column: int, row: int, board_width_mm: float) -> tuple[float, float]:
        """Top left of the cell in a column and row [mm]."""
        return (
            round(self.left_mm + column * (self.cell_mm[0] + self.gap_mm), 3),
            round(self.first_row_mm(board_width_mm) + row * (self.cell_mm[1] + self.row_gap_mm), 3),
        )


def tenth_up(length_mm: float) -> float:
    """Round a length up to the next tenth of a millimetre."""
    return math.ceil(length_mm * 10.0 - 1e-6) / 10.0


def gap_mm(sheet: Sheet) -> float:
    """Least distance of two cells: 3 mm or the sheet's thickness, whichever is more."""
    return tenth_up(max(LEAST_GAP_MM, sheet.thickness_mm, sheet.measured_mm or 0.0))


def row_gap_mm(sheet: Sheet) -> float:
    """Distance of two rows, in which the codes stand [mm]."""
    return max(gap_mm(sheet), CODE_ABOVE_MM + CODE_CAP_MM + CODE_CLEAR_MM)


def title_of(board_id: str, round_: int, operation: Operation, sheet: Sheet) -> Title:
    """Write what the head of a board says, in ASCII."""
    return f"{board_id} R{round_} {operation.replace('_', ' ')}", board_name(sheet)


def board_name(sheet: Sheet) -> str:
    """Write a sheet's name as it stands on a board: in ASCII, not too long."""
    name = transliterate(sheet.name)
    short = name[: LONGEST_SHEET_NAME - 2].rstrip() + ".."
    return name if len(name) <= LONGEST_SHEET_NAME else short


def head_lines(title: Title, width_mm: float) -> tuple[str, ...]:
    """Break a title into the lines of a board's head."""
    width = width_mm - SIGN_MM
    whole = " ".join(title)
    if text_width_mm(whole, HEAD_CAP_MM) <= width:
        return (whole,)
    return tuple(line for part in title for line in wrap_text(part, HEAD_CAP_MM, width) if line)


def head_height_mm(lines: Sequence[str]) -> float:
    """Height of the lines of a board's head [mm]."""
    return (len(lines) - 1) * HEAD_LINE_MM + (ABOVE_CAPS + BELOW_CAPS) * HEAD_CAP_MM


def lit_mm(operation: Operation, speed_mm_s: float) -> float:
    """Length of a mark's lines: longer for fast settings, so that they are lit for 50 ms."""
    least = LINE_LIT_MM if KINDS[operation].shape == "line" else AREA_LIT_MM
    return float(max(least, math.ceil(LEAST_LIT_S * speed_mm_s - 1e-6)))


def room_for(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    settings: Sequence[Setting],
    clamp_mm: float,
    round_: int,
) -> Room:
    """Collect the measures that all cells of a board share."""
    gap = gap_mm(sheet)
    left = edge = max(tenth_up(clamp_mm), gap)
    cell_mm = COUPON_MM, COUPON_MM
    if operation != "cut":
        fastest = max(s.speed_mm_s for s in settings)
        run_up = run_up_mm(fastest, machine.working_acceleration_mm_s2)
        left = max(edge, tenth_up(clamp_mm + run_up - MARK_INSET_MM))
        height = LINE_CELL_HEIGHT_MM
        if KINDS[operation].shape == "area":
            # At least five lines, so that the surface is one.
            pitch = max(s.line_pitch_mm or 0.0 for s in settings)
            height = 2.0 * MARK_INSET_MM + math.ceil(max(AREA_HEIGHT_MM, 4.0 * pitch) - 1e-6)
        cell_mm = 2.0 * MARK_INSET_MM + lit_mm(operation, fastest), height
    return Room(
        cell_mm=cell_mm,
        gap_mm=gap,
        row_gap_mm=row_gap_mm(sheet),
        edge_mm=edge,
        left_mm=left,
        # The board's code is made of the finished board; W is as wide as any of its signs.
        title=title_of("W" * ID_LENGTH, round_, operation, sheet),
    )


def _mark_width_mm(
    machine: Machine, operation: Operation, clamp_mm: float, speed_mm_s: float
) -> float:
    """Width of board that a mark needs with its run-ups and the margins [mm]."""
    run_up = run_up_mm(speed_mm_s, machine.working_acceleration_mm_s2)
    return lit_mm(operation, speed_mm_s) + 2.0 * tenth_up(clamp_mm + run_up)


def fastest_that_fits_mm_s(
    machine: Machine, operation: Operation, clamp_mm: float, width_mm: float
) -> float:
    """Fastest mark whose dark run-ups and lit line fit a board's width; inf if none would."""

    def needed(steps: int) -> float:
        return _mark_width_mm(machine, operation, clamp_mm, steps * machine.speed_step_mm_s)

    if operation == "cut" or needed(0) > width_mm:
        return math.inf
    most = math.ceil(machine.max_speed_mm_s / machine.speed_step_mm_s)
    steps = bisect_right(range(most + 1), width_mm + 1e-6, key=needed) - 1
    return round(steps * machine.speed_step_mm_s, 6)


def check_run_ups(
    machine: Machine,
    operation: Operation,
    settings: Sequence[Setting],
    clamp_mm: float,
    width_mm: float,
) -> None:
    """Raise MachineLimit for a mark whose dark run-up and lit line don't fit the board's width."""
    fastest = max(s.speed_mm_s for s in settings)
    limit = fastest_that_fits_mm_s(machine, operation, clamp_mm, width_mm)
    needed = _mark_width_mm(machine, operation, clamp_mm, fastest)
    if math.isinf(limit) or needed <= width_mm + 1e-6:
        return
    run_up = run_up_mm(fastest, machine.working_acceleration_mm_s2)
    raise MachineLimit(
        say(
            "boards.mark_at_needs_of_board_width",
            fastest=fastest,
            needed=math.ceil(needed),
            run_up=run_up,
            width_mm=width_mm,
            limit=limit,
        )
    )


def board_for(room: Room, count: int, limit_mm: Size, *, fixed: bool) -> tuple[Size, int]:
    """Choose the board and its number of columns.

    Raises BoardDoesNotFit, which says how many cells would fit.
    """
    most_columns, most_rows = room.columns_and_rows(limit_mm)
    if count > most_columns * most_rows:
        fits = most_columns * most_rows
        least = room.board_mm(1, 1)
        way = say("boards.plan_fewer_cells") if fits else say("boards.one_alone_takes", least=least)
        raise BoardDoesNotFit(
            say(
                "boards.cells_of_dont_fit",
                count=count,
                room=room,
                limit_mm=limit_mm,
                fits=fits,
                way=way,
            ),
            cells_that_fit=fits,
        )
    if fixed:
        rows = math.ceil(count / most_columns)
        return limit_mm, _without_crowding(count, math.ceil(count / rows), most_columns)
    choices: list[tuple[float, int, Size]] = []
    for columns in range(1, min(count, most_columns) + 1):
        board = room.board_mm(columns, math.ceil(count / columns))
        board = (min(board[0], limit_mm[0]), min(board[1], limit_mm[1]))
        if room.columns_and_rows(board)[1] * columns >= count:
            lean = abs(math.log(board[0] / board[1] / (4.0 / 3.0)))
            crowded = 1.0 * (_without_crowding(count, columns, most_columns) != columns)
            choices.append((board[0] * board[1] * (1.0 + 0.25 * lean + crowded), columns, board))
    if not choices:  # only the full width keeps the head's lines few enough
        return limit_mm, most_columns
    _, columns, board = min(choices)
    return board, columns


def _without_crowding(count: int, columns: int, most_columns: int) -> int:
    """Avoid two by two: there two burns in a row must share an edge."""
    return 3 if count == 4 and columns == 2 and most_columns >= 3 else columns
