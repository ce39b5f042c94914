"""How the demo's recorded burns were made: they are invented, and this is the whole invention.

    python3 demo/invent_results.py

plans the demo's boards and writes ``demo/birch-1.csv`` … ``demo/mdf-3.csv`` anew. It is only needed
when the planner chooses other burns than before; the demo says so.

The truth below is not the model that calib fits. The watts at the work bend with the power typed
in and have a dead zone; the power that a cut needs has a part that grows with the square root of
the speed; the scatter has heavier tails than a normal; char and marks follow laws of their own.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path
from typing import Any

DEMO = Path(__file__).resolve().parent
sys.path.insert(0, str(DEMO.parent / "tools"))

SEED = 20_260_301
# Of the machine: dead zone [%], exponent and yield of an older tube of 60 W.
DEAD_PCT, BEND, TUBE_W = 4.0, 0.95, 55.0
# Of the birch: watts that a cut needs at v mm/s are NEED[0] + NEED[1] v + NEED[2] sqrt(v).
NEED = (6.0, 1.45, 1.8)
SCATTER, TAIL_DF, HANGING = 0.05, 8.0, 0.06
# Char and mark: ln(watts) - exponent ln(speed), threshold of grade 2, width of a grade, scatter.
CHAR = (0.90, 1.50, 0.35, 0.10)
MARK = (0.95, math.log(0.030), 0.45, 0.12)


def main() -> None:
    """Plan each round, burn it in the imagination, write it down, and record it."""
    from invented_workshop import BIRCH, BIRCH_ROUNDS, MACHINE, MDF, MDF_ROUNDS, asked, logbook_in

    with tempfile.TemporaryDirectory() as folder, logbook_in(Path(folder)):
        for words in (MACHINE, BIRCH, MDF):
            asked(*words)
        for number, board in enumerate((*BIRCH_ROUNDS, *MDF_ROUNDS)):
            grid = asked(*board.plan)["grid"]
            board.results.write_text(results(grid, number), encoding="utf-8", newline="")
            asked("record", grid["board_id"], str(board.results))
            print(f"{board.results.name}: board {grid['board_id']}")


def results(grid: dict[str, Any], number: int) -> str:
    """Result file of one board."""
    import numpy as np

    rng = np.random.default_rng([SEED, number])
    burn = burn_cut if grid["operation"] == "cut" else burn_mark
    outcomes = {
        cell["label"]: burn(cell["power_pct"], cell["speed_mm_s"], rng)
        for cell in sorted(grid["cells"], key=lambda cell: cell["burn_order"])
    }
    lines = ["cell,through,char,mark,note,board"]
    lines += [
        f"{label},{','.join(outcomes[label])},,{grid['board_id']}" for label in sorted(outcomes)
    ]
    return "".join(f"{line}\r\n" for line in lines)


def watts(power_pct: float) -> float:
    """Watts at the work."""
    return TUBE_W * (max(power_pct - DEAD_PCT, 0.0) / (100.0 - DEAD_PCT)) ** BEND


def burn_cut(power_pct: float, speed_mm_s: float, rng: Any) -> tuple[str, str, str]:
    """What comes out of a coupon: through, char, no mark."""
    need = NEED[0] + NEED[1] * speed_mm_s + NEED[2] * math.sqrt(speed_mm_s)
    excess = math.log(watts(power_pct) / need) + SCATTER * rng.standard_t(TAIL_DF)
    char = str(grade(CHAR, power_pct, speed_mm_s, rng))
    if excess > 0:
        return "through", char, ""
    return ("hanging", char, "") if excess > -HANGING else ("no", "", "")


def burn_mark(power_pct: float, speed_mm_s: float, rng: Any) -> tuple[str, str, str]:
    """What comes out of a line: its mark grade."""
    return "", "", str(grade(MARK, power_pct, speed_mm_s, rng))


def grade(law: tuple[float, float, float, float], power: float, speed: float, rng: Any) -> int:
    """Grade 0 to 4 by a law of its own."""
    exponent, threshold, width, scatter = law
    index = math.log(watts(power)) - exponent * math.log(speed) + scatter * rng.standard_t(TAIL_DF)
    return min(max(math.floor((index - threshold) / width) + 2, 0), 4)


if __name__ == "__main__":
    from environment import RUN_PINS, run_in_environment

    run_in_environment(RUN_PINS, __file__, main)
