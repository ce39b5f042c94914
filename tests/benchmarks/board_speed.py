"""How long a board of forty cells takes to plan, draw and program; the bar is one second.

    python tests/benchmarks/board_speed.py

Each operation is done five times on one machine and sheet, from records to bytes, fit included;
the shortest run counts, for it is the one that other work on the computer disturbed least. CPU time
is measured. Nothing is random.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import calib
from calib.boards.board_time import board_time

BAR_S = 1.0
CELLS, RUNS = 40, 5
MACHINE = calib.Machine(
    name="bench",
    rated_w=60.0,
    bed_mm=(600.0, 400.0),
    max_speed_mm_s=400.0,
    acceleration_mm_s2=3000.0,
    power_word_full=1000.0,
)
SHEET = calib.Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)


def shortest_s(work: Callable[[], object], runs: int = RUNS) -> float:
    """CPU time of the shortest of some runs [s]."""
    times = []
    for _ in range(runs):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def row(operation: str, cells: int = CELLS, runs: int = RUNS) -> dict[str, float]:
    """Times of the parts of one board [s]."""
    grid = calib.plan_grid(MACHINE, SHEET, operation=operation, burns=cells)  # type: ignore[arg-type]
    assert len(grid.cells) == cells
    parts: dict[str, Callable[[], object]] = {
        "planned": lambda: calib.plan_grid(MACHINE, SHEET, operation=operation, burns=cells),  # type: ignore[arg-type]
        "drawn": lambda: calib.boards_svg(grid),
        "programmed": lambda: calib.boards_program(grid),
        "timed": lambda: board_time(grid),
        "record sheet": lambda: calib.boards_record_sheet(grid),
    }
    return {name: shortest_s(work, runs) for name, work in parts.items()}


def main() -> None:
    """Print the table."""
    sys.stdout.write(
        f"{CELLS} cells, shortest of {RUNS} runs, CPU seconds; the bar of {BAR_S:g} s is for"
        " planned + drawn + programmed.\n\n"
    )
    names = ("planned", "drawn", "programmed", "sum", "of the bar", "timed", "record sheet")
    sys.stdout.write(f"{'operation':<11}" + "".join(f"{name:>13}" for name in names) + "\n")
    for operation in ("cut", "line_mark", "area_mark"):
        times = row(operation)
        total = times["planned"] + times["drawn"] + times["programmed"]
        values = [*list(times.values())[:3], total]
        line = "".join(f"{value:>13.3f}" for value in values) + f"{total / BAR_S:>12.0%} "
        rest = "".join(f"{times[name]:>13.3f}" for name in names[5:])
        sys.stdout.write(f"{operation:<11}{line}{rest}\n")


if __name__ == "__main__":
    main()
