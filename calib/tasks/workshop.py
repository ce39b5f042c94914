"""Machines and sheets: looked at first, then taken into the logbook."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from calib.errors import CalibError
from calib.hazards import Hazard, check_hazard
from calib.logbook import Book
from calib.materials import known_terms
from calib.records import LaserSource, Machine, Sheet
from calib.tasks.pairs import find_sheet
from calib.tasks.wishes import MaterialWish, TimedMoves
from calib.texts.say import say
from calib.units import show_speed


def add_machine(book: Book, machine: Machine, *, when: datetime, why: str = "") -> tuple[str, ...]:
    """Take a machine into the logbook; LogbookError when another one of that name is there."""
    book.add_machine(machine, when=when, why=why)
    return assumptions(machine)


def timed_acceleration(machine: Machine, timed: TimedMoves) -> float:
    """Acceleration that timed moves tell, to two figures [mm/s²]; raises InvalidRecord when none
    fits them."""
    from calib.boards.trial import acceleration_of

    return float(f"{acceleration_of(machine, timed.short_s, timed.long_s):.2g}")


def assumptions(machine: Machine) -> tuple[str, ...]:
    """Say what was left at what calib assumes, and what follows from it.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> assumptions(m)[0]
    'It is a CO2 laser.'
    """
    usual = {field.name: field.default for field in dataclasses.fields(Machine)} | machine.usual
    speed_step = show_speed(machine.speed_step_mm_s)
    return tuple(
        words.format(value=getattr(machine, name), machine=machine, speed_step=speed_step)
        for name, words in (_ASSUMED | _ASSUMED_OF[machine.source]).items()
        if getattr(machine, name) == usual[name]
    )


# What each field means as long as nobody said otherwise. The numbers come from the record.
_ASSUMED = {
    "source": say("tasks.it_is_co2_laser"),
    "beam_starts_pct": say("tasks.no_beam_comes_out_below"),
    "power_curve": say("tasks.watts_at_work_grow_in_proportion"),
    "power_step_pct": say("tasks.power_can_be_set_in_steps"),
    "speed_step_mm_s": say("tasks.speed_can_be_set_in_steps"),
    "acceleration_mm_s2": say("tasks.acceleration_isnt_known"),
    "power_word_full": say("tasks.word_at_full_power_isnt_known"),
    "slat_gap_mm": say("tasks.opening_between_bars_of_bed_isnt"),
    "air_on_word": say("tasks.air_assist_is_switched_by_hand"),
}
_ASSUMED_OF: dict[LaserSource, dict[str, str]] = {
    "co2": {"ceiling_pct": say("tasks.plans_and_advice_use_at_most")},
    "diode": {
        "ceiling_pct": say("tasks.plans_and_advice_use_up"),
        "power_follows_speed": say("tasks.beam_goes"),
        "wavelength_nm": say("tasks.wavelength_isnt_known"),
    },
}


def check_material(wish: MaterialWish) -> Hazard:
    """Say whether a material may go under a laser, before a sheet of it is bought; else raise.

    Examples
    --------
    >>> check_material(MaterialWish(material="MDF")).verdict
    'caution'
    """
    # The hazards depend on neither the numbers of the machine nor the thickness.
    machine = Machine(
        name="any", rated_w=1.0, bed_mm=(100.0, 100.0), max_speed_mm_s=1.0, source=wish.source
    )
    sheet = Sheet(
        name="any", material=wish.material, thickness_mm=1.0, declaration=wish.declaration
    )
    return check_hazard(sheet, machine, wish.operation)


def add_sheet(book: Book, sheet: Sheet, *, when: datetime, why: str = "") -> Hazard:
    """Look at the hazards of a sheet, then take it into the logbook; raises LogbookError when a
    sheet of that name is of another material or thickness."""
    known = next((one for one in book.sheets() if one.name == sheet.name), None)
    if known is not None:
        # Typed again in short: what is known of it stays.
        sheet = dataclasses.replace(
            sheet,
            lot=sheet.lot or known.lot,
            measured_mm=sheet.measured_mm or known.measured_mm,
            declaration=sheet.declaration or known.declaration,
        )
    hazard = check_hazard(sheet)
    book.add_sheet(sheet, when=when, why=why)
    return hazard


def change_sheet(
    book: Book, name: str, /, *, when: datetime, why: str = "", **changed: Any
) -> Sheet:
    """Record a new lot, a measured thickness or a declaration of a sheet; nothing is stored where
    the new declaration doesn't do."""
    sheet = dataclasses.replace(find_sheet(book, name), **changed)
    check_hazard(sheet)
    book.add_sheet(sheet, when=when, why=why)
    return sheet


def begin(book: Book, machine: Machine, sheet: Sheet, *, when: datetime) -> None:
    """Take a machine and its first sheet in, or neither; raises as `add_machine` and `add_sheet`
    do."""
    check_hazard(sheet, machine)
    # Only a name that is known can be refused: it is said first.
    known = any(one.name == machine.name for one in book.machines())
    if known:
        add_machine(book, machine, when=when)
    add_sheet(book, sheet, when=when)
    if not known:
        add_machine(book, machine, when=when)


def proposed_name(words: str, taken: Iterable[Machine | Sheet]) -> str:
    """A name for what wasn't given one: what it is, with a number where that is taken."""
    names = {one.name for one in taken}
    tries = (words if number == 1 else f"{words} ({number})" for number in range(1, len(names) + 2))
    return next(one for one in tries if one not in names)


@functools.cache
def usual_materials() -> tuple[str, ...]:
    """Names of materials that may go under a laser, to be offered as one types."""

    def may(material: str) -> bool:
        try:
            check_material(MaterialWish(material=material))
        except CalibError:
            return False
        return True

    return tuple(sorted(filter(may, known_terms())))
