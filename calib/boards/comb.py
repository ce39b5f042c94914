"""A comb board: slots and tongues in small steps, cut at a kept setting to find what fits.

The slots are tried with the maker's real stock, the tongues in the board's own gauge. All widths
are drawn true to size: what the beam takes away is what the board is to show.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from calib.boards.board import Board, Group
from calib.boards.comb_places import CombStep, Measures, Part, measures_for, parts_of, shelves
from calib.boards.gentle import NO_MARKS, KnownMarks, label_setting
from calib.boards.layout import board_code, limit_mm
from calib.boards.lettering import text_strokes, text_width_mm
from calib.boards.notes import code_note, corner_note, slat_note
from calib.boards.places import (
    CODE_CAP_MM,
    LEAST_HEAD_MM,
    board_name,
    gap_mm,
    head_height_mm,
    head_lines,
)
from calib.boards.strokes import Stroke, head_strokes, label_strokes
from calib.errors import BoardDoesNotFit, InvalidRecord, unfit
from calib.limits import check_settings
from calib.records import Machine, Setting, Sheet
from calib.texts.say import say

Feel = Literal["tight", "snug", "loose"]
FEELS: tuple[Feel, ...] = get_args(Feel)
FEEL_WORDS: dict[Feel, str] = {
    "tight": say("boards.doesnt_go_in_by_hand"),
    "snug": say("boards.goes_in_by_hand"),
    "loose": say("boards.falls_out_or_wobbles"),
}

# Kerf that the ladders are centred on when none was measured [mm]: a guess, as in the warning of
# small features.
EXPECTED_KERF_MM = 0.2
# Drawn width of the gauge's slot [mm]: wide enough for the inside jaws of a caliper.
GAUGE_MM = 8.0
CLAMP_MM = 5.0
FEWEST_STEPS, MOST_STEPS = 3, 15
_LEAST_SLOT_MM = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class CombBoard(Board):
    """A planned comb board: head and codes first, then one outline per part."""

    setting: Setting  # Of the cuts
    stock_mm: float  # Thickness of the stock that is tried in the slots [mm]
    kerf_mm: float  # Kerf that the ladders are centred on [mm]
    step_mm: float  # From one width to the next [mm]
    # Slots, then tongues, each from narrow to wide, then the gauge if there are tongues
    steps: tuple[CombStep, ...]

    @property
    def slots(self) -> tuple[CombStep, ...]:
        """The slots for the stock, from narrow to wide."""
        return tuple(step for step in self.steps if step.kind == "slot")

    @property
    def tongues(self) -> tuple[CombStep, ...]:
        """The tongues, from narrow to wide."""
        return tuple(step for step in self.steps if step.kind == "tongue")

    @property
    def gauge(self) -> CombStep | None:
        """The slot into which the tongues are tried; None when there are none."""
        return next((step for step in self.steps if step.kind == "gauge"), None)


def plan_comb(
    machine: Machine,
    sheet: Sheet,
    setting: Setting,
    *,
    stock_mm: float,
    step_mm: float = 0.05,
    slots: int = 9,
    tongues: int = 9,
    kerf_mm: float | None = None,
    offcut_mm: tuple[float, float] | None = None,
    marks: KnownMarks = NO_MARKS,
) -> CombBoard:
    """Plan a comb board.

    Raises InvalidRecord when a number is out of range; MachineLimit when the machine can't be set
    to the setting; BoardDoesNotFit when it doesn't fit the offcut or the bed.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> s = Sheet(name="birch 3", material="birch plywood", thickness_mm=3.0)
    >>> comb = plan_comb(m, s, Setting(power_pct=60.0, speed_mm_s=12.0), stock_mm=3.0, slots=3)
    >>> [(slot.label, slot.width_mm) for slot in comb.slots]
    [('S1', 2.75), ('S2', 2.8), ('S3', 2.85)]
    """
    kerf = EXPECTED_KERF_MM if kerf_mm is None else kerf_mm
    _check_numbers(stock_mm, step_mm, slots, tongues, kerf)
    if setting.line_pitch_mm is not None:
        raise InvalidRecord(say("boards.line_pitch_of_setting", setting=setting))
    check_settings(machine, (setting,))
    slot_steps = _ladder("S", stock_mm - kerf, step_mm, slots)
    tongue_steps = _ladder("T", GAUGE_MM + 2.0 * kerf, step_mm, tongues)
    if slot_steps[0][1] < _LEAST_SLOT_MM:
        raise unfit(
            "stock_mm",
            stock_mm,
            say(
                "boards.slots_in_steps_of_would_begin",
                slots=slots,
                step_mm=step_mm,
                slot_steps=slot_steps,
                least_slot_mm=_LEAST_SLOT_MM,
            ),
        )
    limit, measures = limit_mm(machine, offcut_mm), measures_for(sheet, stock_mm)
    edge = max(CLAMP_MM, gap_mm(sheet))
    row = limit[0] - 2.0 * edge
    # The longest kinds first.
    kinds = [parts_of("slot", slot_steps, measures, row)]
    if tongues:
        kinds += [
            parts_of("tongue", tongue_steps, measures, row),
            parts_of("gauge", [("G", GAUGE_MM)], measures, row),
        ]
    parts = [part for kind in kinds for part in kind] if all(kinds) else []
    codes = label_setting(machine, sheet, (setting,), marks)
    code = board_code(
        machine,
        sheet,
        "comb",
        round=1,
        burnt={
            "ladders": {"S": slot_steps, "T": tongue_steps},
            "stock_mm": stock_mm,
            "kerf_mm": kerf,
        },
        setting=setting,
        codes=codes,
        limit_mm=limit,
    )
    if offcut_mm is None:
        widest = max((part.width_mm for part in parts), default=0.0)
        row = max(min(row, widest), LEAST_HEAD_MM)
    lines = head_lines((say("boards.comb", code=code), board_name(sheet)), row)
    bottom = edge + head_height_mm(lines)
    placed = [
        (part, (round(edge + x, 3), round(bottom + measures.gap_mm + y, 3)))
        for part, x, y in shelves(parts, row)
    ]
    low = max((at[1] for _, at in placed), default=0.0) + measures.height_mm + edge
    needed = (math.ceil(row + 2.0 * edge - 1e-6), math.ceil(low - 1e-6))
    if not parts or needed[1] > limit[1] or needed[0] > math.ceil(limit[0]):
        raise BoardDoesNotFit(say("boards.comb_doesnt_fit", limit=limit))
    size = (float(needed[0]), float(needed[1])) if offcut_mm is None else limit
    steps = [part.placed(at) for part, at in placed]
    notes = (corner_note(size, offcut_mm), *_notes(machine, sheet, setting, codes, measures))
    return CombBoard(
        board_id=code,
        purpose="comb",
        operation="cut",
        machine=machine,
        sheet=sheet,
        setting=setting,
        label_setting=codes,
        stock_mm=float(stock_mm),
        kerf_mm=float(kerf),
        step_mm=float(step_mm),
        board_mm=size,
        steps=tuple(step for own in steps for step in own),
        labels=(
            *head_strokes(codes, lines, edge, bottom),
            *(letter for own in steps for letter in _codes(code, codes, own, measures)),
        ),
        groups=tuple(_cut(part, at, setting) for part, at in placed),
        how=(
            say("boards.slots_are_tried_with_stock", stock_mm=stock_mm)
            + (say("boards.tongues_t_across_in_slot") if tongues else "."),
        ),
        notes=tuple(note for note in notes if note),
    )


def _check_numbers(
    stock_mm: float, step_mm: float, slots: int, tongues: int, kerf_mm: float
) -> None:
    ranges = (
        ("stock_mm", stock_mm, 0.2, 50.0),
        ("step_mm", step_mm, 0.01, 0.5),
        ("kerf_mm", kerf_mm, 0.02, 1.5),
    )
    for name, value, low, high in ranges:
        if isinstance(value, bool) or not low <= value <= high:
            raise unfit(name, value, say("boards.give_number", low=low, high=high))
    for name, count in (("slots", slots), ("tongues", tongues)):
        good = isinstance(count, int) and FEWEST_STEPS <= count <= MOST_STEPS
        if not good and not (name == "tongues" and count == 0):
            none = say("boards.or_for_none") if name == "tongues" else ""
            allowed = say(
                "boards.give_whole_number",
                fewest_steps=FEWEST_STEPS,
                most_steps=MOST_STEPS,
                none=none,
            )
            raise unfit(name, count, allowed)


def _ladder(letter: str, middle_mm: float, step_mm: float, count: int) -> list[tuple[str, float]]:
    """Codes and widths round a middle, all of them multiples of the step [mm]."""
    middle = round(middle_mm / step_mm)
    return [
        (f"{letter}{number + 1}", round((middle + number - count // 2) * step_mm, 3))
        for number in range(count)
    ]


def _cut(part: Part, at: tuple[float, float], setting: Setting) -> Group:
    cut = Stroke(kind="cut", setting=setting, points=part.outline(at), cell=part.name, closed=True)
    return Group(label=part.name, name=part.name, setting=setting, strokes=(cut,))


def _codes(
    board_id: str, codes: Setting, steps: Sequence[CombStep], measures: Measures
) -> Iterator[Stroke]:
    """Codes behind the steps and, below them, that of the board: the parts come loose."""
    for step in steps:
        middle = step.x_mm + step.width_mm / 2.0
        left = middle - text_width_mm(step.label, CODE_CAP_MM) / 2.0
        letters = text_strokes(step.label, CODE_CAP_MM, left, step.code_baseline_mm)
        yield from label_strokes(codes, letters, step.label)
    first = steps[0]
    left = first.x_mm - measures.ends_and_between_mm(first.kind)[0] + 3.0
    name = text_strokes(board_id, CODE_CAP_MM, left, first.name_baseline_mm)
    yield from label_strokes(codes, name, first.part)


def _notes(
    machine: Machine, sheet: Sheet, setting: Setting, codes: Setting, measures: Measures
) -> Iterator[str]:
    yield say("boards.all_widths_lie_along")
    yield slat_note(machine, 2.0 * measures.wall_mm + GAUGE_MM)
    yield code_note(machine, sheet, codes, "parts")
    ramp = setting.speed_mm_s**2 / (2.0 * machine.working_acceleration_mm_s2)
    if ramp > measures.depth_mm / 4.0:
        yield say(
            "boards.at_head_needs_to_slow_down", setting=setting, ramp=ramp, measures=measures
        )
