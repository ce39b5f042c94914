"""How long a board takes and how much sheet it uses, known before it is burnt."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from calib.boards.board import Board, board_of
from calib.boards.places import row_gap_mm
from calib.boards.strokes import Stroke
from calib.physics import mean_coupon_speed_mm_s, move_time_s
from calib.records import Grid, Machine
from calib.texts.say import say

# At a bend sharper than this the head is taken to stop; below it, it is taken to keep its speed
# (common practice of look-ahead controllers, no source) [degrees].
SHARP_BEND_DEG = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardTime:
    """Predicted time of a board."""

    # burning_s, travel_s: Moves of the strokes with their dark run-ups, and moves between them [s]
    burning_s: float
    travel_s: float
    labels_s: float  # Part of both that the codes and the head take [s]

    @property
    def total_s(self) -> float:
        """Sum of burning and travel [s]."""
        return self.burning_s + self.travel_s

    @property
    def words(self) -> str:
        """Say the whole time, rounded up to seconds."""
        seconds = math.ceil(self.total_s)
        spent = f"{seconds} s" if seconds < 60 else f"{seconds // 60} min {seconds % 60:02d} s"
        return say("boards.about", spent=spent)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetUse:
    """What a board takes of the sheet."""

    board_mm2: float  # Area of the board [mm²]
    # Area down to the lower margin of the last row, over the board's whole width [mm²]
    taken_mm2: float
    cells_mm2: float  # Area of all cells [mm²]

    @property
    def waste_share(self) -> float:
        """Share of the taken area that is no cell: gaps, margins, title [1]."""
        return 1.0 - self.cells_mm2 / self.taken_mm2

    @property
    def words(self) -> str:
        """Say how much of the board is taken, and how much of that is waste."""
        taken, board = round(self.taken_mm2 / 100.0), round(self.board_mm2 / 100.0)
        area = f"{board} cm²" if taken >= board else f"{taken} of {board} cm²"
        return say(
            "boards.taken_of_it_waste_gaps", area=area, waste_share_pct=100.0 * self.waste_share
        )


def board_time(planned: Grid | Board) -> BoardTime:
    """Predict how long a board burns, part by part.

    Notes
    -----
    A move goes from rest to rest with constant acceleration. A stroke is one move, or several
    where it bends by more than 30 degrees; a coupon's outline is one move at the mean speed that
    its corners allow. Travel goes straight at the top speed, from the program's zero on. What a
    controller needs to think, and the time to switch the beam or the air, are left out.
    """
    board = board_of(planned)
    machine = board.machine
    width, height = board.board_mm
    # Place of the program's corner of the board in the drawing.
    zero = (
        0.0 if machine.origin.endswith("left") else width,
        0.0 if machine.origin.startswith("upper") else height,
    )
    cells = [s for group in board.groups for s in group.strokes * group.setting.passes]
    burning, travel = _moves(machine, [*board.labels, *cells], zero)
    labels_s = sum(_moves(machine, board.labels, zero))
    return BoardTime(burning_s=burning, travel_s=travel, labels_s=labels_s)


def _moves(
    machine: Machine, strokes: Sequence[Stroke], start: tuple[float, float]
) -> tuple[float, float]:
    """Time of burning and of travel for strokes in order [s]."""
    acceleration = machine.working_acceleration_mm_s2
    lengths: list[float] = []
    speeds: list[float] = []
    travels: list[float] = []
    place = start
    for stroke in strokes:
        path = stroke.path
        travels.append(math.dist(place, path[0]))
        place = path[-1]
        pieces = list(_pieces(stroke))
        speed = stroke.setting.speed_mm_s
        if stroke.kind == "cut" and len(pieces) == 1:
            speed = float(mean_coupon_speed_mm_s(speed, acceleration))
        lengths += pieces
        speeds += [speed] * len(pieces)
    burning = move_time_s(lengths, speeds, acceleration).sum()
    return float(burning), float(move_time_s(travels, machine.max_speed_mm_s, acceleration).sum())


def _pieces(stroke: Stroke) -> Iterator[float]:
    """Lengths of a stroke between its sharp bends, dark run-ups included [mm]."""
    path = stroke.path
    length = 0.0
    for before, bend, after in zip(path, path[1:], path[2:], strict=False):
        length += math.dist(before, bend)
        into = math.atan2(bend[1] - before[1], bend[0] - before[0])
        out_of = math.atan2(after[1] - bend[1], after[0] - bend[0])
        if math.cos(out_of - into) < math.cos(math.radians(SHARP_BEND_DEG)):
            yield length
            length = 0.0
    yield length + math.dist(path[-2], path[-1])


def sheet_use(grid: Grid) -> SheetUse:
    """Count what a board takes of the sheet."""
    width, height = grid.board_mm
    # Below the last row as much as between rows, if the margins aren't narrower.
    margin = min(row_gap_mm(grid.sheet), *(cell.x_mm for cell in grid.cells))
    depth = min(height, max(cell.y_mm + cell.height_mm for cell in grid.cells) + margin)
    return SheetUse(
        board_mm2=width * height,
        taken_mm2=width * depth,
        cells_mm2=sum(cell.width_mm * cell.height_mm for cell in grid.cells),
    )
