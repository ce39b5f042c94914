"""What the user must know of a planned board, in sentences; empty where nothing is to be said."""

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
) -> list[str]:
    """Collect the notes that machine, sheet and settings call for."""
    notes = []
    fastest = max(s.speed_mm_s for s in settings)
    corner = math.sqrt(machine.working_acceleration_mm_s2 * COUPON_CORNER_MM)
    if operation == "cut":
        notes.append(slat_note(machine))
    if operation == "cut" and fastest > corner:
        notes.append(
            f"Above {corner:.0f} mm/s the head slows down in the coupon's corners; the fastest cell"
            f" is set to {fastest:g} mm/s."
        )
    if machine.acceleration_mm_s2 is None:
        notes.append(
            "The acceleration isn't known: dark run-ups, corners and the predicted time are counted"
            f" with {machine.working_acceleration_mm_s2:g} mm/s². A slower head burns corners and"
            " the ends of marks darker."
        )
    notes.append(code_note(machine, sheet, codes, "coupons"))
    name = transliterate(sheet.name)
    if name != sheet.name or len(name) > LONGEST_SHEET_NAME:
        notes.append(
            f"The sheet's name {sheet.name!r} is written on the board in plain letters or"
            " shortened."
        )
    return [note for note in notes if note]


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


def code_note(machine: Machine, sheet: Sheet, codes: Setting, what: str) -> str:
    """Warn when codes may cut through; ``what`` they stand on."""
    if not codes_may_cut(machine, sheet, codes):
        return ""
    return (
        f"Codes are marked at {codes.power_pct:g} % and {codes.speed_mm_s:g} mm/s, and may cut so"
        f" thin a sheet: try one letter on a scrap, and number the {what} by hand if it does."
    )


def corner_note(board_mm: tuple[float, float], offcut_mm: tuple[float, float] | None) -> str:
    """Say that only a part of the offcut can be used."""
    if offcut_mm is None or board_mm == offcut_mm:
        return ""
    return (
        f"The offcut is larger than the head reaches: the board is the corner of {board_mm[0]:g} x"
        f" {board_mm[1]:g} mm at the program's zero."
    )
