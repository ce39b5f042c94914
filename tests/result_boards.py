"""Boards of four cells whose results are read, and what stands in a good file."""

from __future__ import annotations

from calib.records import Cell, Grid, Machine, Operation, Reading, Setting, Sheet

HEADER = "cell,through,char,mark,note"
MACHINE = Machine(name="bench", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
SHEET = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)


def grid(operation: Operation = "cut", width_mm: float = 16.0, board_id: str = "K7QF") -> Grid:
    cells = tuple(
        Cell(
            label=label,
            power_pct=40.0 + 2.5 * place,
            speed_mm_s=10.0 + place / 3.0,
            passes=1 + place % 2,
            line_pitch_mm=0.1 if operation == "area_mark" else None,
            x_mm=5.0 + 20.0 * place,
            y_mm=7.5,
            width_mm=width_mm,
            height_mm=16.0,
            burn_order=4 - place,
        )
        for place, label in enumerate(("A1", "A2", "B1", "B2"))
    )
    return Grid(
        board_id=board_id,
        machine=MACHINE,
        sheet=SHEET,
        operation=operation,
        board_mm=(90.0, 40.0),
        cells=cells,
        label_setting=Setting(power_pct=12.0, speed_mm_s=100.0),
    )


CUT, MARK = grid(), grid("line_mark")
GOOD = f"{HEADER}\r\nA1,through,1,,\r\nA2,hanging,2,,edge lifts\r\nB1,no,,,\r\nB2,,,,\r\n"
READ = (
    Reading(cell="A1", through="through", char=1),
    Reading(cell="A2", through="hanging", char=2, note="edge lifts"),
    Reading(cell="B1", through="no"),
    Reading(cell="B2"),
)
