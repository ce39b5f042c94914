"""From the drawing's frame (top left, y down) to the program's, and what the bed holds of it."""

from __future__ import annotations

from dataclasses import dataclass

from calib.records import Machine

Point = tuple[float, float]
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The program's frame on one machine for one board."""

    shift_mm: Point  # Program coordinates of the drawing's origin, the board's top left [mm]
    y_way: float  # 1 when the program's y grows downwards like the drawing's, else -1
    bed: Box  # Least x, least y, greatest x, greatest y that the head reaches [mm]

    def point(self, point: Point) -> Point:
        """Turn a point of the drawing into one of the program, to a thousandth [mm]."""
        # + 0.0 turns -0.0 into 0.0, which would print as -0.000.
        return (
            round(self.shift_mm[0] + point[0], 3) + 0.0,
            round(self.shift_mm[1] + self.y_way * point[1], 3) + 0.0,
        )

    def holds(self, point: Point) -> bool:
        """Say whether the head reaches a point of the program."""
        (x, y), (low_x, low_y, high_x, high_y) = point, self.bed
        # Coordinates have three decimals: half the last one is no overrun.
        return low_x - 5.1e-4 <= x <= high_x + 5.1e-4 and low_y - 5.1e-4 <= y <= high_y + 5.1e-4


def _ways(machine: Machine) -> tuple[float, float]:
    """Which way the board lies from the corner where the program's zero is."""
    x = 1.0 if machine.origin.endswith("left") else -1.0
    y = 1.0 if machine.origin.startswith("lower") == machine.y_up else -1.0
    return x, y


def frame_of(machine: Machine, board_mm: Point) -> Frame:
    """Work out the program's frame for a board.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> frame_of(m, (100.0, 80.0)).point((10.0, 20.0))
    (10.0, 60.0)
    """
    y_way = -1.0 if machine.y_up else 1.0
    left = 0.0 if machine.origin.endswith("left") else -board_mm[0]
    top = 0.0 if machine.origin.startswith("upper") else -y_way * board_mm[1]
    far_x, far_y = (w * side for w, side in zip(_ways(machine), machine.bed_mm, strict=True))
    return Frame(
        shift_mm=(left + machine.offset_mm[0], top + machine.offset_mm[1]),
        y_way=y_way,
        bed=(min(0.0, far_x), min(0.0, far_y), max(0.0, far_x), max(0.0, far_y)),
    )


def reach_mm(machine: Machine) -> tuple[float, float]:
    """Largest board that the head reaches when the board lies at its offset."""
    shifts = [way * off for way, off in zip(_ways(machine), machine.offset_mm, strict=True)]
    width, height = (
        max(0.0, bed - max(0.0, shift)) for bed, shift in zip(machine.bed_mm, shifts, strict=True)
    )
    return width, height
