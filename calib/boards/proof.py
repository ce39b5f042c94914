"""A proof: one small piece that is like the work, cut at the setting that the work is cut at.

Coupons have round corners and nothing thin. This piece has a small hole, a slot beside a thin
bridge, a finger and sharp corners; each is a cell of its own, and what hung is told of each.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from calib.boards.gentle import label_setting
from calib.boards.layout import LayoutOptions, board_id_of, limit_mm
from calib.boards.notes import code_note, corner_note
from calib.boards.places import board_for, room_for
from calib.limits import check_limits, check_settings
from calib.records import Cell, Grid, Machine, Setting, Sheet
from calib.texts.say import say

# The piece [mm]: common sizes of small work (judgement).
WIDTH_MM, HEIGHT_MM = 60.0, 30.0
HOLE_MM, SLOT_MM, NOTCH_MM = 3.0, (26.0, 3.0), 8.0
# A finger is as wide and as long as the sheet is thick, a bridge half as wide; at least so much.
_LEAST_FINGER_MM, _LEAST_BRIDGE_MM = 3.0, 2.0
# The code of a hole stands above so high a box, that of the slot nearer to it.
_BOX_MM, _SLOT_BOX_MM = 10.0, 6.0
_CHORDS = 24

Path = Sequence[tuple[float, float]]


def lay_out_proof(
    machine: Machine, sheet: Sheet, setting: Setting, options: LayoutOptions | None = None
) -> Grid:
    """Lay the piece out, what is inside before its two sides.

    Raises MachineLimit when the setting crosses a limit; BoardDoesNotFit when the piece doesn't
    fit.
    """
    options = options or LayoutOptions()
    check_settings(machine, (setting,))
    check_limits(machine, sheet, "cut", (setting,))
    finger = max(_LEAST_FINGER_MM, round(sheet.working_thickness_mm, 1))
    bridge = max(_LEAST_BRIDGE_MM, round(finger / 2.0, 1))
    room = room_for(machine, sheet, "cut", (setting,), options.clamp_mm, options.round)
    room = replace(room, cell_mm=(WIDTH_MM + finger, HEIGHT_MM))
    limit = limit_mm(machine, options.offcut_mm)
    size, _ = board_for(room, 1, limit, fixed=options.offcut_mm is not None)
    left, top = room.corner_mm(0, 0, size[0])
    middle, low = WIDTH_MM / 2.0, HEIGHT_MM - bridge
    high = (HEIGHT_MM - finger) / 2.0
    slot = ((28.0, low - SLOT_MM[1]), (28.0 + SLOT_MM[0], low))
    hole = [
        (18.0 + HOLE_MM / 2.0 * math.sin(angle), 13.0 - HOLE_MM / 2.0 * math.cos(angle))
        for angle in (2.0 * math.pi * chord / _CHORDS for chord in range(_CHORDS + 1))
    ]
    around: list[tuple[str, str, Path]] = [
        ("H1", say("boards.hole_of", hole_mm=HOLE_MM), hole),
        ("B1", say("boards.slot_beside_bridge", bridge=bridge), _box(*slot)),
        ("F1", say("boards.side_with_finger", finger=finger), (
            (middle, 0.0), (WIDTH_MM, 0.0), (WIDTH_MM, high), (WIDTH_MM + finger, high),
            (WIDTH_MM + finger, high + finger), (WIDTH_MM, high + finger),
            (WIDTH_MM, HEIGHT_MM), (middle, HEIGHT_MM),
        )),
        ("C1", say("boards.side_with_sharp_corners"), (
            (middle, HEIGHT_MM), (0.0, HEIGHT_MM), (NOTCH_MM, HEIGHT_MM / 2.0), (0.0, 0.0),
            (middle, 0.0),
        )),
    ]  # fmt: skip
    cells = []
    for order, (label, part, path) in enumerate(around, 1):
        points = tuple((round(left + x, 3), round(top + y, 3)) for x, y in path)
        xs, ys = zip(*points, strict=True)
        width, height = max(xs) - min(xs), max(ys) - min(ys)
        least = _SLOT_BOX_MM if label == "B1" else _BOX_MM
        more_x, more_y = max(0.0, _BOX_MM - width), max(0.0, least - height)
        # A slot's box grows upwards, away from the edge.
        above = more_y if label == "B1" else more_y / 2.0
        cells.append(
            Cell(
                label=label,
                part=part,
                path_mm=points,
                power_pct=setting.power_pct,
                speed_mm_s=setting.speed_mm_s,
                passes=setting.passes,
                x_mm=round(min(xs) - more_x / 2.0, 3),
                y_mm=round(min(ys) - above, 3),
                width_mm=round(width + more_x, 3),
                height_mm=round(height + more_y, 3),
                burn_order=order,
            )
        )
    codes = label_setting(machine, sheet, (setting,), options.marks)
    notes = (
        say("boards.proof_is_piece_like_work", parts="; ".join(cell.named for cell in cells)),
        code_note(machine, sheet, codes, say("boards.piece")),
        corner_note(size, options.offcut_mm),
    )
    grid = Grid(
        board_id="-",
        machine=machine,
        sheet=sheet,
        operation="cut",
        round=options.round,
        board_mm=size,
        cells=tuple(cells),
        label_setting=codes,
        notes=tuple(note for note in notes if note),
    )
    return replace(grid, board_id=board_id_of(grid))


def _box(corner: tuple[float, float], other: tuple[float, float]) -> Path:
    (left, top), (right, bottom) = corner, other
    return ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
