"""Text of machines, sheets and hazards."""

from __future__ import annotations

import shlex
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from calib.hazards import CAUTIONS
from calib.records import Machine, Sheet
from calib.records.fields import fields_of
from calib.texts.say import say
from calib.texts.words import (
    bullets,
    chance_words,
    date_words,
    fields_table,
    operation_words,
    pair_typed,
    paragraphs,
    setting_words,
    shown_field,
    table,
    wrapped,
)
from calib.units import show_speed

if TYPE_CHECKING:
    from calib.hazards import Hazard
    from calib.logbook.entries import SetupEntry, SheetEntry
    from calib.tasks.pairs import KeptSetting

_VERDICTS = {
    "ok": say("texts.may_go"),
    "caution": say("texts.may_go_with_care"),
    "declared": say("texts.rests_on_your_statement"),
}


def machine_text(machine: Machine, assumed: Sequence[str] = ()) -> str:
    """Describe a machine, and what is assumed of it."""
    title = say("texts.assumed_until", name=shlex.quote(machine.name))
    return paragraphs(machine_head(machine), bullets(title, assumed))


def trial_text(written: Sequence[Path]) -> str:
    """Say what the trial files are for, or why there is no trial line."""
    named = {path.name: path for path in written}
    trial = say("texts.no_trial_line")
    if "trial.nc" in named:
        trial = say("texts.trial_line", file=named["trial.nc"])
    return f"{wrapped(trial)}\n{wrapped(say('texts.time_the_moves', file=named['moves.nc']))}"


def acceleration_text(machine: Machine, acceleration: float) -> str:
    """Say what timed moves tell, and the command that records it."""
    name = shlex.quote(machine.name)
    return say("texts.acceleration_is_about", name=name, acceleration=acceleration)


def machine_head(machine: Machine) -> str:
    """Name a machine in one line."""
    return say("texts.machine_head", machine=machine, speed=show_speed(machine.max_speed_mm_s))


def shown_machine_text(
    machine: Machine, assumed: Sequence[str], setups: Sequence[SetupEntry]
) -> str:
    """Describe a machine with all that is known, its past, and the cautions in full."""
    rows = [(date_words(entry.since), entry.what, entry.note) for entry in setups]
    return paragraphs(
        machine_text(machine, assumed),
        bullets("Known", _known(machine)),
        table(("since", "what changed", "note"), rows),
        bullets("Always", CAUTIONS),
    )


def changed_text(machine: Machine, names: Collection[str]) -> str:
    """Say which fields of a machine were given anew, and what they hold now."""
    fields = [field for field in fields_of(Machine) if field.name in names]
    held = {field.words: shown_field(field, getattr(machine, field.name)) for field in fields}
    said = (f"{words} {value or '(as if not given)'}" for words, value in held.items())
    return wrapped(say("texts.changed_of_machine", said=", ".join(said))) if fields else ""


def _known(machine: Machine) -> list[str]:
    """What was given beyond the first four fields."""
    usual = {field.name: field.default for field in fields_of(Machine)} | machine.usual
    return [
        f"{field.help.rstrip('.')}: {shown_field(field, getattr(machine, field.name))}"
        for field in fields_of(Machine)
        if not field.needed
        and field.name != "source"
        and getattr(machine, field.name) not in (usual[field.name], "", None)
    ]


def machines_text(machines: Sequence[Machine]) -> str:
    """List machines."""
    if not machines:
        return say("texts.no_machine_yet")
    names = ("name", "rated_w", "source", "bed_mm", "max_speed_mm_s", "ceiling_pct")
    return fields_table(machines, names)


def hazard_text(hazard: Hazard) -> str:
    """Say what is known of a material."""
    matched = f" ({', '.join(hazard.matched)})" if hazard.matched else ""
    verdict = say("texts.material_verdict", matched=matched, verdict=_VERDICTS[hazard.verdict])
    return paragraphs(verdict, bullets("To know", hazard.advice))


def material_text(hazard: Hazard) -> str:
    """Say what is known of a material before a sheet of it is there, with the cautions in full."""
    return paragraphs(hazard_text(hazard), bullets("Always", CAUTIONS))


def added_sheet_text(sheet: Sheet, hazard: Hazard) -> str:
    """Describe a new sheet; what holds of every material stands where it is burnt, and is shown."""
    name = shlex.quote(sheet.name)
    return paragraphs(
        sheet_head(sheet), hazard_text(hazard), say("texts.cautions_in_full", name=name)
    )


def shown_sheet_text(
    sheet: Sheet, hazard: Hazard, lots: Sequence[SheetEntry], kept: Sequence[KeptSetting]
) -> str:
    """Describe a sheet with its lots, its kept settings and the cautions in full."""
    rows = [
        (
            date_words(entry.since),
            entry.sheet.lot or "not named",
            "" if entry.sheet.measured_mm is None else f"{entry.sheet.measured_mm:g} mm",
            entry.note,
        )
        for entry in lots
    ]
    return paragraphs(
        sheet_head(sheet),
        hazard_text(hazard),
        bullets("Always", CAUTIONS),
        table(("since", "lot", "measured", "note"), rows),
        kept_text(kept),
    )


def sheet_head(sheet: Sheet) -> str:
    """Name a sheet in one line."""
    measured = "" if sheet.measured_mm is None else say("texts.measured", sheet=sheet)
    lot = f", lot {sheet.lot}" if sheet.lot else ""
    return say("texts.sheet_head", sheet=sheet, measured=measured, lot=lot)


def sheets_text(sheets: Sequence[Sheet]) -> str:
    """List sheets."""
    if not sheets:
        return say("texts.no_sheet_described")
    return fields_table(sheets, ("name", "material", "thickness_mm", "measured_mm", "lot"))


def new_lot_text(sheet: str, machines: Sequence[str]) -> str:
    """Say what to type after a new lot, for each machine that the sheet was cut on."""
    return "\n".join(
        say("texts.next_lot_board", pair=pair_typed(sheet, machine)) for machine in machines
    )


def kept_text(kept: Sequence[KeptSetting]) -> str:
    """List kept settings, with what was stated of each and what has changed."""
    if not kept:
        return say("texts.no_setting_kept_yet")
    rows = [
        (
            entry.sheet,
            entry.machine,
            operation_words(entry.operation),
            setting_words(entry.setting),
            "nothing" if entry.advice is None else chance_words(entry.advice),
            date_words(entry.at),
            "no" if entry.not_current else "yes",
        )
        for entry in kept
    ]
    header = ("sheet", "machine", "operation", "kept setting", "stated", "since", "current")
    changed = [
        f"{entry.sheet} on {entry.machine}, {operation_words(entry.operation)}: {why}"
        for entry in kept
        for why in entry.not_current
    ]
    return paragraphs(table(header, rows), bullets(say("texts.not_current"), changed))
