"""Lay a board out: codes, places and order of the cells for one machine, sheet and operation."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import random
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from calib.boards.frame import reach_mm
from calib.boards.gentle import NO_MARKS, KnownMarks, label_setting
from calib.boards.notes import board_notes, corner_note, own_air_notes
from calib.boards.order import MOST_CODES, burn_blocks, codes_of, share_an_edge, shuffle_places
from calib.boards.places import ID_LENGTH, Room, Size, board_for, check_run_ups, room_for
from calib.errors import BoardDoesNotFit, InvalidRecord, unfit
from calib.limits import check_settings, total_energies_j_mm
from calib.records import KINDS, OPERATIONS, Air, Cell, Grid, Machine, Operation, Setting, Sheet
from calib.texts.say import say

# Letters and digits of a board's code: none that reads as another (0 O, 1 I).
_ID_SIGNS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
# What a spreadsheet takes for a number or a date and writes back as another text.
_READS_AS_NUMBER = re.compile(
    r"\d+(E\d+)?|\d{1,2}(JAN|FEB|MAR|APR|MAY|JUN|JUL|AUG|SEP|OCT|NOV|DEC)\d*"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutOptions:
    """What the layout is to heed besides machine, sheet and settings."""

    # Width and height of the board at hand [mm]; None: a board as large as needed, within the bed
    offcut_mm: Size | None = None
    # Further boards at hand when the cells are split [mm]; empty: as many as the first as it takes
    more_offcuts_mm: tuple[Size, ...] = ()
    # Margin kept free of burns, letters and run-ups on all edges [mm]; the default is what a pin or
    # a magnet covers (common practice, no source)
    clamp_mm: float = 5.0
    round: int = 1  # Which grid of this pair it is, from 1
    seed: int = 0  # Shuffles the places
    air: Air | None = None  # Air assist that it is burnt with; None: the usual one
    # What is known of line marks on the sheet: the codes are marked so
    marks: KnownMarks = NO_MARKS

    def __post_init__(self) -> None:
        offcuts = (() if self.offcut_mm is None else (self.offcut_mm,)) + self.more_offcuts_mm
        for size in offcuts:
            if not (len(size) == 2 and all(math.isfinite(v) and 0 < v <= 10000 for v in size)):
                raise unfit("offcut_mm", size, say("boards.give_two_numbers_above"))
        if not (math.isfinite(self.clamp_mm) and 0 <= self.clamp_mm <= 1000):
            raise unfit("clamp_mm", self.clamp_mm, say("boards.give_number_from_to"))


@dataclass(frozen=True, slots=True)
class _Rung:
    """A setting with its code and its line energy × passes [J/mm]."""

    setting: Setting
    code: str
    energy: float


def lay_out(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    settings: Sequence[Setting],
    *,
    options: LayoutOptions | None = None,
    reach: Sequence[float] | None = None,
) -> Grid:
    """Lay out one board for the given settings.

    Raises InvalidRecord when there are no settings, or an area mark lacks its line pitch;
    MachineLimit when a setting is outside what the machine may do, or a mark's run-up doesn't fit;
    BoardDoesNotFit when the cells don't fit the board; it says how many would.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> s = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
    >>> burns = [Setting(power_pct=60.0, speed_mm_s=v) for v in (8.0, 12.0, 18.0)]
    >>> [(c.label, c.speed_mm_s, c.burn_order) for c in lay_out(m, s, "cut", burns).cells]
    [('A1', 18.0, 1), ('B1', 12.0, 2), ('C1', 8.0, 3)]
    """
    options = options or LayoutOptions()
    ladder = _ladder(machine, operation, settings, reach)
    return _board(machine, sheet, operation, ladder, options)


def split_over_offcuts(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    settings: Sequence[Setting],
    *,
    options: LayoutOptions | None = None,
    reach: Sequence[float] | None = None,
) -> tuple[Grid, ...]:
    """Lay out as many boards as the cells need; each gets gentle and strong cells alike.

    Raises InvalidRecord, MachineLimit as for ``lay_out``; BoardDoesNotFit when the boards at hand
    are too small together, or no cell fits one of them.
    """
    options = options or LayoutOptions()
    ladder = _ladder(machine, operation, settings, reach)
    wanted = [options.offcut_mm, *options.more_offcuts_mm]
    room = room_for(machine, sheet, operation, settings, options.clamp_mm, options.round)
    fits = [math.prod(room.columns_and_rows(limit_mm(machine, size))) for size in wanted]
    if not options.more_offcuts_mm and fits[0]:
        boards = math.ceil(len(ladder) / fits[0])
        wanted, fits = wanted * boards, fits * boards
    if sum(fits) < len(ladder):
        raise BoardDoesNotFit(
            say(
                "boards.cells_dont_fit_boards_at_hand",
                count=len(ladder),
                count_2=len(wanted),
                fits=sum(fits),
            ),
            cells_that_fit=sum(fits),
        )
    # Shared out rung by rung: the board that lags most behind its share is next.
    hands: list[list[_Rung]] = [[] for _ in fits]
    for rung in ladder:
        free = [n for n, most in enumerate(fits) if len(hands[n]) < most]
        hands[max(free, key=lambda n: (fits[n] - len(hands[n])) / fits[n])].append(rung)
    return tuple(
        _board(machine, sheet, operation, hand, replace(options, offcut_mm=size, seed=seed))
        for seed, (size, hand) in enumerate(zip(wanted, hands, strict=True), options.seed)
        if hand
    )


def _ladder(
    machine: Machine,
    operation: Operation,
    settings: Sequence[Setting],
    reach: Sequence[float] | None,
) -> tuple[_Rung, ...]:
    """Check the settings, sort them from gentle to strong and give each its code."""
    if operation not in OPERATIONS:
        raise InvalidRecord(
            say(
                "boards.operation_is_give_one",
                operation=operation,
                operations=", ".join(OPERATIONS),
            )
        )
    if not settings:
        raise InvalidRecord(say("boards.settings_is_board_needs_at_least"))
    check_settings(machine, settings)
    if KINDS[operation].shape == "area" and any(s.line_pitch_mm is None for s in settings):
        raise unfit("line_pitch_mm", None, say("boards.area_mark_needs_distance"))
    if len(settings) > MOST_CODES:
        raise BoardDoesNotFit(
            say("boards.cells_need_more_codes_of_two", count=len(settings), most_codes=MOST_CODES),
            cells_that_fit=MOST_CODES,
        )
    energies = total_energies_j_mm(machine, settings)
    if reach is None:
        doses = [e / (s.line_pitch_mm or 1.0) for e, s in zip(energies, settings, strict=True)]
        reach = [math.log(dose) for dose in doses]
    elif len(reach) != len(settings) or not all(math.isfinite(value) for value in reach):
        raise InvalidRecord(
            say("boards.reach_is_give_one_finite_number", reach=tuple(reach), count=len(settings))
        )
    ranked = sorted(
        zip(reach, energies, settings, strict=True),
        key=lambda row: (row[0], row[1], row[2].power_pct, row[2].passes),
    )
    codes = codes_of([row[0] for row in ranked])
    return tuple(
        _Rung(setting, code, energy)
        for code, (_, energy, setting) in zip(codes, ranked, strict=True)
    )


def limit_mm(machine: Machine, offcut_mm: Size | None) -> Size:
    """Width and height that a board may have on a machine, on an offcut if there is one [mm]."""
    reach = reach_mm(machine)
    wished = offcut_mm or reach
    return min(wished[0], reach[0]), min(wished[1], reach[1])


def _board(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    ladder: Sequence[_Rung],
    options: LayoutOptions,
) -> Grid:
    """Place the cells and put the board together."""
    limit = limit_mm(machine, options.offcut_mm)
    settings = [rung.setting for rung in ladder]
    check_run_ups(machine, operation, settings, options.clamp_mm, limit[0])
    room = room_for(machine, sheet, operation, settings, options.clamp_mm, options.round)
    board_mm, columns = board_for(room, len(ladder), limit, fixed=options.offcut_mm is not None)
    cells, in_a_row = _cells(ladder, room, columns, board_mm[0], options.seed)
    codes = label_setting(machine, sheet, settings, options.marks)
    notes = board_notes(machine, sheet, operation, settings, codes)
    if in_a_row and len(cells) > 1:
        burns = (
            say("boards.one_burn_lies")
            if in_a_row == 1
            else say("boards.burns_lie", in_a_row=in_a_row)
        )
        notes.append(say("boards.board_has_too_few_places", burns=burns))
    notes.append(corner_note(board_mm, options.offcut_mm))
    notes += own_air_notes(options.air, operation)
    grid = Grid(
        board_id="-",
        machine=machine,
        sheet=sheet,
        operation=operation,
        round=options.round,
        air=options.air,
        board_mm=board_mm,
        cells=cells,
        label_setting=codes,
        notes=tuple(note for note in notes if note),
    )
    return replace(grid, board_id=board_id_of(grid))


def _cells(
    ladder: Sequence[_Rung], room: Room, columns: int, board_width_mm: float, seed: int
) -> tuple[tuple[Cell, ...], int]:
    """Make the cells in the order of their codes; and count burns beside the one before."""
    shuffle = random.Random(seed)
    burns = burn_blocks([r.energy for r in ladder], [r.setting for r in ladder], shuffle)
    free = [(number % columns, number // columns) for number in range(len(ladder))]
    places = shuffle_places(free, [ladder[rung].energy for rung, _ in burns], shuffle)
    in_a_row = sum(share_an_edge(a, b) for a, b in zip(places, places[1:], strict=False))
    cells: dict[int, Cell] = {}
    for order, ((rung, block), place) in enumerate(zip(burns, places, strict=True), 1):
        setting = ladder[rung].setting
        x_mm, y_mm = room.corner_mm(*place, board_width_mm)
        cells[rung] = Cell(
            label=ladder[rung].code,
            power_pct=setting.power_pct,
            speed_mm_s=setting.speed_mm_s,
            passes=setting.passes,
            line_pitch_mm=setting.line_pitch_mm,
            x_mm=x_mm,
            y_mm=y_mm,
            width_mm=room.cell_mm[0],
            height_mm=room.cell_mm[1],
            burn_order=order,
            block=block,
        )
    return tuple(cells[rung] for rung in range(len(ladder))), in_a_row


def board_id_of(grid: Grid) -> str:
    """Make the short code of a test grid."""
    return board_code(
        grid.machine,
        grid.sheet,
        grid.operation,
        burnt=grid.cells,
        codes=grid.label_setting,
        board_mm=grid.board_mm,
        round=grid.round,
        **({"air": grid.air} if grid.air else {}),
    )


def board_code(machine: Machine, sheet: Sheet, purpose: str, *, round: int, **burnt: Any) -> str:
    """Make a board's short code of names, purpose, round and what is burnt, defaults left out.

    So a board keeps its code when a record learns a new field.
    """
    content = {"machine": machine.name, "sheet": sheet.name, "purpose": purpose, **burnt}
    return short_code({**content, **({"round": round} if round != 1 else {})})


def short_code(content: object) -> str:
    """Make a short code out of any content: the same content has the same code."""
    text = json.dumps(_told(content), sort_keys=True)
    while True:
        number = int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")
        code = "".join(_ID_SIGNS[number // 32**place % 32] for place in range(ID_LENGTH))
        if not _READS_AS_NUMBER.fullmatch(code):
            return code
        text += "+"


def _told(value: Any) -> Any:
    """Records as dicts without fields that are at their default; 60 and 60.0 are the same."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = ((f.name, getattr(value, f.name), f.default) for f in dataclasses.fields(value))
        return {name: _told(part) for name, part, default in fields if part != default}
    if isinstance(value, Mapping):
        return {name: _told(part) for name, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_told(part) for part in value]
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value
