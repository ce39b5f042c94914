"""The record sheet: one printed page to burn a board by and to record what came out."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from typing import Any

from calib.boards.board import board_of
from calib.boards.board_time import board_time, sheet_use
from calib.boards.layers import (
    colour_words,
    colours_of,
    drawings_of,
    edge_colour_of,
    layers_of,
    palette_of,
    typed_by_hand,
)
from calib.boards.record_board import CAPTION_MM, board_drawing, code_pt
from calib.boards.record_marks import KEYS, SWATCH_MM, meanings, swatch
from calib.boards.record_table import cell_table, figure
from calib.errors import BoardDoesNotFit, InvalidRecord
from calib.hazards import board_cautions
from calib.limits import beyond_words
from calib.print_style import (
    TICK,
    TICKED,
    RuledRoom,
    framed,
    gap,
    height_mm,
    in_two_columns,
    one_page,
    page_head,
    room_mm,
    scale_for,
    table,
    words,
)
from calib.records import AIRS, KINDS, MARK_SHORT, Grid
from calib.texts.say import say

# Type of facts, notes and cautions [pt] and height of the table's rows [mm], best first: below the
# last a pencil tick can't be placed.
_SIZES = ((7.0, 5.2), (7.0, 4.4), (6.5, 4.0), (6.0, 3.6), (5.5, 3.2), (5.0, 2.8), (4.0, 2.8))
# Sizes to try, and least type of the codes on the board [pt]: easy to read, readable, any (own
# judgement, no source).
_TRIES = ((_SIZES[:5], 6.0), (_SIZES[:5], 4.5), (_SIZES, 0.0))
_SURE_CELLS = 60
_GRADES_MM = 58.0
_LONGEST_ADDRESS = 300  # keeps the squares of the QR code above 0.3 mm


def grid_record_sheet(
    grid: Grid,
    *,
    paper: str = "a4",
    address: str = "",
) -> bytes:
    """Set the record sheet of a board on one page.

    Raises InvalidRecord when the paper isn't known or the address is too long; BoardDoesNotFit when
    there are more cells than one page can hold; RefusedMaterial, DeclarationNeeded when the sheet
    may not be burnt.
    """
    room = room_mm(paper)
    if len(address) > _LONGEST_ADDRESS:
        raise InvalidRecord(
            say(
                "boards.address_has_characters",
                count=len(address),
                longest_address=_LONGEST_ADDRESS,
            )
        )
    cautions = board_cautions(grid.machine, grid.sheet, grid.operation, grid.air)
    page = one_page(
        paper,
        say("boards.record_sheet", grid=grid),
        _choices(grid, address or grid.board_id, cautions, room),
    )
    if page is None:
        raise BoardDoesNotFit(
            say(
                "boards.cells_dont_fit_one_record_sheet",
                count=len(grid.cells),
                paper=paper,
                sure_cells=_SURE_CELLS,
            ),
            cells_that_fit=_SURE_CELLS,
        )
    return page


def _choices(
    grid: Grid, address: str, cautions: Sequence[str], page_mm: tuple[float, float]
) -> Iterator[list[Any]]:
    """Pages from the easiest to read to the fullest; at worst with fewer notes, which is said."""
    width, height = page_mm
    board = board_of(grid)
    by_setting = {layer.setting: layer for layer in layers_of(board)}
    layers = {cell.label: by_setting[cell.setting] for cell in grid.cells}
    layers[""] = by_setting[grid.label_setting]
    grades = _grades(grid)
    notes = tuple(note for note in grid.notes if note not in cautions)
    for shown in _shortened(notes):
        for (type_pt, row_mm), least_pt in [(s, pt) for sizes, pt in _TRIES for s in sizes]:
            above = [
                page_head(
                    "RECORD SHEET OF A TEST BOARD",
                    grid.board_id,
                    _facts(grid),
                    address,
                    width,
                    type_pt,
                ),
                gap(),
                _fields(grid, width),
                gap(),
            ]
            below = [
                *in_two_columns(say("boards.to_know"), shown, width, type_pt),
                *in_two_columns(
                    say("boards.typing_it_in"),
                    _typing_words(grid),
                    width,
                    type_pt,
                    steps=True,
                ),
                cell_table(grid, layers, row_mm, width),
                gap(),
                framed(
                    in_two_columns(
                        say("boards.cautions_before_and_while_you_burn"),
                        cautions,
                        width - 5.0,
                        type_pt,
                    ),
                    width,
                ),
            ]
            left = height - height_mm([*above, *below], width) - 0.1
            if left <= CAPTION_MM:
                continue
            room = width - _GRADES_MM - 4.0, left - CAPTION_MM
            scale = scale_for(grid.board_mm, room)
            if code_pt(grid, scale) < least_pt:
                continue
            drawn = board_drawing(grid, board, layers, scale)
            zone = table([[drawn, grades]], [width - _GRADES_MM, _GRADES_MM])
            yield [*above, zone, *below, RuledRoom(say("boards.own_notes"), width)]


def _shortened(notes: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    yield notes
    for kept in (40, 20, 10, 0):
        if kept < len(notes):
            more = say("boards.more_notes_stand_in_plan", count=len(notes) - kept)
            yield (*notes[:kept], more)


def _facts(grid: Grid) -> list[tuple[str, str]]:
    """Name and value of all that is known of the board before it is burnt."""
    machine, sheet = grid.machine, grid.sheet
    named = grid.operation.replace("_", " ")
    source = {"co2": "CO2", "diode": "diode"}[machine.source]
    measured = "________" if sheet.measured_mm is None else figure(sheet.measured_mm)
    blocks = max(cell.block for cell in grid.cells)
    count = say("boards.cell_2", count=len(grid.cells), value="s" * (len(grid.cells) > 1))
    if grid.stair:
        count = say("texts.stair_of_steps", count=len(grid.cells))
    size = f"{figure(grid.board_mm[0])} × {figure(grid.board_mm[1])} mm"
    beyond = beyond_words(grid)
    return [
        *([("CAUTION", beyond)] if beyond else []),
        ("machine", f"{machine.name}, {figure(machine.rated_w)} W {source}"),
        ("sheet", sheet.name),
        ("material", sheet.material),
        ("lot", sheet.lot or "________________"),
        (
            "thickness",
            say("boards.nominal_measured", figure=figure(sheet.thickness_mm), measured=measured),
        ),
        (
            "operation",
            say("boards.round_2", named=named, means=KINDS[grid.operation].means, grid=grid),
        ),
        (
            "board",
            f"{size}, {count}" + (say("boards.in_blocks", blocks=blocks) if blocks > 1 else ""),
        ),
        ("drawing", _drawing_words(grid)),
        ("time", f"{board_time(grid).words} (predicted)"),
        (say("boards.sheet_use"), sheet_use(grid).words),
    ]


def _drawing_words(grid: Grid) -> str:
    """Which drawing is opened, and what of it is typed."""
    settings, parts = len(colours_of(grid)), drawings_of(grid)
    said = say("boards.settings_colour_for_each", settings=settings)
    if parts > 1:
        said = say(
            "boards.settings_typed_by_hand",
            settings=settings,
            parts=parts,
            count=len(palette_of(grid.machine)),
            grid=grid,
        )
    if typed_by_hand(grid.machine):
        return said
    return say("boards.program_or_typed", grid=grid, said=said)


def _typing_words(grid: Grid) -> tuple[str, ...]:
    """How a drawing program is told the table's settings; nothing where a program is burnt."""
    if not typed_by_hand(grid.machine):
        return ()
    parts, settings = drawings_of(grid), colours_of(grid)
    odd = next((s.speed_mm_s for s in settings if s.speed_mm_s % 1.0), None)
    name, edge = shlex.quote(grid.machine.name), edge_colour_of(grid.machine)
    edge = f"{edge} {colour_words(edge)}"
    once = all(setting.passes == 1 for setting in settings)
    again = len(settings) <= len(grid.cells)
    return (
        say("boards.lay_drawing_on_piece", grid=grid, lines=_where_lines_begin(grid))
        if parts == 1
        else say(
            "boards.lay_parts_on_piece", grid=grid, parts=parts, lines=_where_lines_begin(grid)
        ),
        say("boards.give_each_colour_its_row", edge=edge),
        say("boards.type_power_and_speed") if once else say("boards.type_power_speed_and_passes"),
        *([say("boards.speed_that_isnt_taken", speed=odd, machine=name)] if odd else []),
        *(
            [say("boards.pitch_is_drawn", grid=grid)]
            if KINDS[grid.operation].shape == "area"
            else []
        ),
        say("boards.put_colours_in_order"),
        *([say("boards.row_without_box")] if again else []),
        say("boards.what_codes_are"),
    )


def _where_lines_begin(grid: Grid) -> str:
    """How far from the piece's upper left corner the lines of each drawing begin."""
    starts: dict[int, list[tuple[float, float]]] = {}
    for layer in layers_of(grid):
        starts.setdefault(layer.part, []).extend(
            point for one in layer.strokes for point in one.path
        )
    corners = {
        part: (round(min(x for x, _ in points), 2), round(min(y for _, y in points), 2))
        for part, points in starts.items()
    }
    if len(corners) == 1:
        ((right, below),) = corners.values()
        return say("boards.where_lines_begin", right=right, below=below)
    each = [
        say("boards.where_lines_of_part_begin", part=part, right=right, below=below)
        for part, (right, below) in corners.items()
    ]
    return say("boards.where_lines_of_parts_begin", each=", ".join(each))


def _fields(grid: Grid, width: float) -> Any:
    """What is filled in by hand."""
    room, blank = "_" * 14, "\N{NO-BREAK SPACE}" * 4
    on, low, off = (TICKED if grid.air == air else TICK for air in AIRS)
    rows = (
        say(
            "boards.date_session_air_assist",
            room=room,
            blank=blank,
            tick=TICK,
            on=on,
            low=low,
            off=off,
        ),
        say("boards.in_focus_assumed", tick=TICK, room=room[:8], blank=blank),
    )
    if grid.machine.source == "co2":
        rows = (rows[0] + blank + say("boards.tube_warmed", tick=TICK), rows[1])
    return framed([part for row in rows for part in (gap(2.0), words(row, 8.5))], width)


def _grades(grid: Grid) -> list[Any]:
    """What each grade looks like; of a stair, the one answer to tick."""
    parts: list[Any] = []
    if grid.stair:
        steps = "  ".join(f"{TICK}\N{NO-BREAK SPACE}{n}" for n in range(len(grid.cells) + 1))
        asked = [say("boards.cut_right_through")]
        if grid.operation != "cut":
            asked = [say("boards.marked_up_to_step", grade=grade) for grade in MARK_SHORT[1:]]
        for one in asked:
            parts += [words(one, 7.5, bold=True), gap(0.5), words(steps, 9.0), gap(1.0)]
        return parts
    for name in grid.read:
        said = zip(KEYS[name], meanings(name, grid.sheet.material), strict=True)
        rows = [
            [swatch(name, grade), words(f"{key}: {meaning}")]
            for grade, (key, meaning) in enumerate(said)
        ]
        heights = [SWATCH_MM[1] + 0.7] * len(rows)
        parts += [
            words(name, 7.5, bold=True),
            *([words(say("boards.char_read_at", tick=TICK), 7.0)] if name == "char" else []),
            gap(0.5),
            table(
                rows,
                [11.0, _GRADES_MM - 11.0],
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                heights_mm=heights,
            ),
            gap(1.0),
        ]
    return parts
