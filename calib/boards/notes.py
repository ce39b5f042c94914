"""What the user must know of a planned board, in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

from calib.boards.gentle import codes_may_cut
from calib.boards.lettering import transliterate
from calib.boards.places import LONGEST_SHEET_NAME
from calib.records import COUPON_CORNER_MM, COUPON_MM, Machine, Operation, Setting, Sheet


def board_notes(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    settings: Sequence[Setting],
    codes: Setting,
) -> tuple[str, ...]:
    """Collect the notes that machine, sheet and settings call for."""
    fastest = max(s.speed_mm_s for s in settings)
    if operation == "cut":
        notes = [slat_note(machine), _corner_note(machine, fastest)]
    else:
        notes = []
    if machine.acceleration_mm_s2 is None:
        notes.append(
            "The acceleration isn't known: dark run-ups, corners and the predicted time are counted"
            f" with {machine.working_acceleration_mm_s2:g} mm/s². A slower head burns corners and"
            " the ends of marks darker."
        )
    notes += [_code_note(machine, sheet, codes), _name_note(sheet)]
    return tuple(note for note in notes if note)


def slat_note(machine: Machine, coupon_mm: float = COUPON_MM) -> str:
    """Warn when a coupon may fall through the bed's bars or tip into the head's way."""
    gap = machine.slat_gap_mm
    if gap is None:
        return (
            f"The opening between the bars of the bed isn't known: coupons of {coupon_mm:g} mm lie"
            f" safely on openings up to {coupon_mm / 2:g} mm."
        )
    if gap > coupon_mm:
        return (
            f"Coupons of {coupon_mm:g} mm fall through the bed's openings of {gap:g} mm: lay a"
            " finer grid under the board, or they can't be read."
        )
    if gap > coupon_mm / 2:
        return (
            f"Coupons of {coupon_mm:g} mm may tip between bars {gap:g} mm apart and stand in the"
            " head's way: lay a finer grid under the board, or watch and pause."
        )
    return ""


def _corner_note(machine: Machine, fastest: float) -> str:
    corner = math.sqrt(machine.working_acceleration_mm_s2 * COUPON_CORNER_MM)
    if fastest <= corner:
        return ""
    return (
        f"Above {corner:.0f} mm/s the head slows down in the coupon's corners; the fastest cell is"
        f" set to {fastest:g} mm/s."
    )


def _code_note(machine: Machine, sheet: Sheet, codes: Setting) -> str:
    if not codes_may_cut(machine, sheet, codes):
        return ""
    return (
        f"Codes are marked at {codes.power_pct:g} % and {codes.speed_mm_s:g} mm/s, and may cut so"
        " thin a sheet: try one letter on a scrap, and number the coupons by hand if it does."
    )


def _name_note(sheet: Sheet) -> str:
    name = transliterate(sheet.name)
    if name == sheet.name and len(name) <= LONGEST_SHEET_NAME:
        return ""
    return f"The sheet's name {sheet.name!r} is written on the board in plain letters or shortened."
