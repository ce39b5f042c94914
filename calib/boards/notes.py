"""What the user must know of a planned board, in sentences; empty where nothing is to be said."""

from __future__ import annotations

import math
from collections.abc import Sequence

from calib.boards.gentle import codes_may_cut
from calib.boards.lettering import transliterate
from calib.boards.order import ONE_REPEATED
from calib.boards.places import LONGEST_SHEET_NAME
from calib.hazards import air_caution
from calib.records import (
    COUPON_CORNER_MM,
    COUPON_MM,
    KINDS,
    Air,
    Machine,
    Operation,
    Setting,
    Sheet,
    unusual,
)
from calib.texts.say import say


def board_notes(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    settings: Sequence[Setting],
    codes: Setting,
) -> list[str]:
    """Collect the notes that machine, sheet and settings call for."""
    notes = []
    if 1 < len(settings) < ONE_REPEATED:
        notes.append(say("boards.heat_looks_like_energy"))
    elif len(settings) >= ONE_REPEATED and len(set(settings)) < len(settings):
        notes.append(say("boards.one_setting_is_repeated"))
    fastest = max(s.speed_mm_s for s in settings)
    corner = math.sqrt(machine.working_acceleration_mm_s2 * COUPON_CORNER_MM)
    if operation == "cut":
        notes.append(slat_note(machine))
    if operation == "cut" and fastest > corner:
        notes.append(say("boards.above_head_slows_down_in_coupons", corner=corner, fastest=fastest))
    if machine.acceleration_mm_s2 is None:
        notes.append(say("boards.acceleration_isnt_known", machine=machine))
    notes.append(code_note(machine, sheet, codes, "coupons"))
    name = transliterate(sheet.name)
    if name != sheet.name or len(name) > LONGEST_SHEET_NAME:
        notes.append(say("boards.sheets_name_is_written_on_board", sheet=sheet))
    return [note for note in notes if note]


def slat_note(machine: Machine, coupon_mm: float = COUPON_MM) -> str:
    """Warn when a coupon may fall through the bed's bars or tip into the head's way."""
    gap = machine.slat_gap_mm
    if gap is None:
        return say(
            "boards.opening_between_bars_of_bed_isnt",
            coupon_mm=coupon_mm,
            coupon_mm_2=coupon_mm / 2,
        )
    if gap > coupon_mm:
        return say("boards.coupons_of_fall_through_beds_openings", coupon_mm=coupon_mm, gap=gap)
    if gap > coupon_mm / 2:
        return say("boards.coupons_of_may_tip_between_bars", coupon_mm=coupon_mm, gap=gap)
    return ""


def code_note(machine: Machine, sheet: Sheet, codes: Setting, what: str) -> str:
    """Warn when codes may cut through; ``what`` they stand on."""
    if not codes_may_cut(machine, sheet, codes):
        return ""
    return say("boards.codes_are_marked", codes=codes, what=what)


def own_air_notes(air: Air | None, operation: Operation) -> tuple[str, ...]:
    """Say with which air a board is burnt and what for, where it isn't the usual one."""
    if (own := unusual(air, operation)) is None:
        return ()
    usual = KINDS[operation].air
    return air_caution(own, operation), say("boards.what_own_air_is_for", air=own, usual=usual)


def corner_note(board_mm: tuple[float, float], offcut_mm: tuple[float, float] | None) -> str:
    """Say that only a part of the offcut can be used."""
    if offcut_mm is None or board_mm == offcut_mm:
        return ""
    return say("boards.offcut_is_larger_than_head_reaches", board_mm=board_mm)
