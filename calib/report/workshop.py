"""Text of machines, sheets and hazards."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING

from calib.hazards import CAUTIONS
from calib.records import Machine, Sheet
from calib.report.words import (
    bullets,
    chance_words,
    date_words,
    operation_words,
    paragraphs,
    setting_words,
    table,
)
from calib.units import show_speed

if TYPE_CHECKING:
    from calib.hazards import Hazard
    from calib.logbook.entries import SetupEntry, SheetEntry
    from calib.tasks.current import KeptSetting

_VERDICTS = {
    "ok": "may go under a laser",
    "caution": "may go under a laser with care",
    "declared": "isn't in calib's table; it rests on your own statement",
}


def machine_text(machine: Machine, assumed: Sequence[str] = ()) -> str:
    """Describe a machine, and what is assumed of it."""
    head = (
        f"{machine.name}: {_laser(machine)}, bed {machine.bed_mm[0]:g} x"
        f" {machine.bed_mm[1]:g} mm, up to {show_speed(machine.max_speed_mm_s)}"
    )
    title = f"Assumed until you say otherwise (change-machine {machine.name!r})"
    return paragraphs(head, bullets("Known", _known(machine)), bullets(title, assumed))


def _laser(machine: Machine) -> str:
    source = "CO2" if machine.source == "co2" else machine.source
    return f"{machine.rated_w:g} W {source}"


# How each field is said when it isn't the usual one.
_KNOWN = {
    "acceleration_mm_s2": "acceleration {:g} mm/s²",
    "beam_starts_pct": "no beam below {:g} %",
    "ceiling_pct": "power ceiling {:g} %",
    "power_step_pct": "steps of power {:g} %",
    "speed_step_mm_s": "steps of speed {:g} mm/s",
    "power_word_full": "S word at full power {:g}",
    "beam_on_word": "beam on with {}",
    "lens_mm": "lens of {:g} mm",
    "beam_mm": "beam {:g} mm wide at the lens",
    "origin": "program's zero at the board's corner {}",
    "offset_mm": "offset {0[0]:g}, {0[1]:g} mm",
    "wavelength_nm": "wavelength {:g} nm",
    "air_on_word": "air on with {}",
    "air_low_word": "air low, for marks, with {}",
    "air_off_word": "air off with {}",
    "slat_gap_mm": "bars of the bed {:g} mm apart",
}
_KNOWN_FLAGS = {
    ("y_up", False): "y grows towards you",
    ("power_follows_speed", True): "the controller lowers the power with the speed",
    ("power_follows_speed", False): "the controller keeps the power at any speed",
    ("area_both_ways", False): "area marks are burnt one way only",
}


def _known(machine: Machine) -> list[str]:
    """What was given beyond the first four fields."""
    usual = {field.name: field.default for field in dataclasses.fields(Machine)} | machine.usual
    given = {name for name in usual if getattr(machine, name) != usual[name]}
    words = [said.format(getattr(machine, n)) for n, said in _KNOWN.items() if n in given]
    flags = {(name, getattr(machine, name)) for name in given}
    words += [said for flag, said in _KNOWN_FLAGS.items() if flag in flags]
    if machine.power_curve:
        points = ", ".join(f"{watts:g} W at {pct:g} %" for pct, watts in machine.power_curve)
        words.append(f"measured: {points}")
    return words


def machines_text(machines: Sequence[Machine]) -> str:
    """List machines."""
    if not machines:
        return "No machine yet: describe one with add-machine."
    rows = [
        (
            m.name,
            _laser(m),
            f"{m.bed_mm[0]:g} x {m.bed_mm[1]:g} mm",
            show_speed(m.max_speed_mm_s),
            f"{m.ceiling_pct:g} %",
        )
        for m in machines
    ]
    return table(("machine", "laser", "bed", "top speed", "power ceiling"), rows)


def setups_text(setups: Sequence[SetupEntry]) -> str:
    """List the set-ups that a machine has had."""
    rows = [(date_words(entry.since), entry.what, entry.note) for entry in setups]
    return table(("since", "what changed", "note"), rows)


def hazard_text(hazard: Hazard) -> str:
    """Say what is known of a material."""
    matched = f" ({', '.join(hazard.matched)})" if hazard.matched else ""
    return paragraphs(
        f"This material{matched} {_VERDICTS[hazard.verdict]}.",
        bullets("To know", hazard.advice),
        bullets("Always", CAUTIONS),
    )


def sheet_text(sheet: Sheet, hazard: Hazard) -> str:
    """Describe a sheet and its hazards."""
    measured = "" if sheet.measured_mm is None else f" (measured {sheet.measured_mm:g} mm)"
    lot = f", lot {sheet.lot}" if sheet.lot else ""
    head = f"{sheet.name}: {sheet.material}, {sheet.thickness_mm:g} mm{measured}{lot}"
    return paragraphs(head, hazard_text(hazard))


def sheets_text(sheets: Sequence[Sheet]) -> str:
    """List sheets."""
    if not sheets:
        return "No sheet yet: describe one with add-sheet."
    rows = [
        (
            s.name,
            s.material,
            f"{s.thickness_mm:g} mm",
            "" if s.measured_mm is None else f"{s.measured_mm:g} mm",
            s.lot,
        )
        for s in sheets
    ]
    return table(("sheet", "material", "thickness", "measured", "lot"), rows)


def lots_text(lots: Sequence[SheetEntry]) -> str:
    """List the lots and measurements of a sheet."""
    rows = [
        (
            date_words(entry.since),
            entry.sheet.lot or "not named",
            "" if entry.sheet.measured_mm is None else f"{entry.sheet.measured_mm:g} mm",
            entry.note,
        )
        for entry in lots
    ]
    return table(("since", "lot", "measured", "note"), rows)


def settled_text(settled: Sequence[KeptSetting]) -> str:
    """List settings that were settled on, with for what each was promised and what has changed."""
    if not settled:
        return "No setting was settled on yet."
    rows = [
        (
            entry.sheet,
            entry.machine,
            operation_words(entry.operation),
            setting_words(entry.setting),
            "nothing" if entry.promise is None else chance_words(entry.promise),
            date_words(entry.at),
            "no" if entry.not_current else "yes",
        )
        for entry in settled
    ]
    header = ("sheet", "machine", "operation", "settled setting", "promised", "since", "current")
    changed = [
        f"{entry.sheet} on {entry.machine}, {operation_words(entry.operation)}: {why}"
        for entry in settled
        for why in entry.not_current
    ]
    return paragraphs(table(header, rows), bullets("Not current, try it first", changed))
