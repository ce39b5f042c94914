"""Where to begin with one sheet on lasers of other wattages: a page to hand to other people."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from calib.advise.transfer import expected_start, transfer_region
from calib.errors import InvalidRecord
from calib.fit.pool import Pool
from calib.fit.region import Region
from calib.grid.limits import SLOWEST_MM_S
from calib.hazards import CAUTIONS, check_hazard
from calib.records import LaserSource, Machine, Sheet

# Rated powers of common desktop lasers [W].
WATTAGES = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 130.0, 150.0)
# Characters in a line of the text.
_WIDTH = 96
HOW_TO_CONFIRM = (
    "These speeds are expected, not tried: nothing was burnt on your machine.",
    "Before any job burn four coupons at the power given: at the slow end, at the start, at the"
    " fast end, and between the last that dropped and the first that hung. Then test properly.",
    "Rated watts, lens, focus, air and age differ between machines of one wattage; so does the"
    " next lot of the sheet. Of 10 machines about 9 lie between the two ends.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WattageRow:
    """Where to begin at one rated power.

    Parameters
    ----------
    rated_w
        Rated power [W].
    power_pct, speed_mm_s
        Where to begin [% of full], [mm/s].
    slowest_mm_s, fastest_mm_s
        Central 90 % interval of the fastest speed that works reliably [mm/s].
    note
        What must be said of this row; empty when nothing.
    """

    rated_w: float
    power_pct: float
    speed_mm_s: float
    slowest_mm_s: float
    fastest_mm_s: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WattageTable:
    """The rows for one sheet, and what they rest on.

    Parameters
    ----------
    sheet, source, operation_words
        Of what, for which kind of laser, doing what.
    basis
        What it rests on, in a sentence.
    rows
        By rising rated power.
    cautions
        Those of this sheet; the usual ones come on top.
    """

    sheet: Sheet
    source: LaserSource
    operation_words: str
    basis: str
    rows: tuple[WattageRow, ...]
    cautions: tuple[str, ...]


def wattage_table(
    region: Region, wattages: Sequence[float] = WATTAGES, pool: Pool | None = None
) -> WattageTable:
    """Starting points for one sheet on other people's machines.

    Parameters
    ----------
    region
        Fitted on the machine that is known, with burns.
    wattages
        Rated powers [W].
    pool
        What the logbook teaches; None: the region's own burns alone.

    Returns
    -------
    WattageTable
        One row for each wattage, rising.

    Raises
    ------
    InvalidRecord
        When nothing was burnt, or no wattage is given.
    RefusedMaterial, DeclarationNeeded
        When the sheet may not be burnt.
    """
    if not region.burns:
        raise InvalidRecord(
            f"{region.sheet.name} has no burns on {region.machine.name}: there is nothing to hand"
            " on. Burn a board first."
        )
    if not len(wattages):
        raise InvalidRecord("wattages is empty: give one or more rated powers in watts.")
    rows = tuple(_row(region, watts, pool) for watts in sorted(set(wattages)))
    here = region.machine
    return WattageTable(
        sheet=region.sheet,
        source=here.source,
        operation_words=region.operation.replace("_", " "),
        basis=f"Carried over from {len(region.burns)} burns on one {here.rated_w:g} W machine.",
        rows=rows,
        cautions=check_hazard(region.sheet, here, region.operation).advice,
    )


def somebodys_machine(known: Machine, rated_w: float) -> Machine:
    """A machine of another wattage of which nothing else is known.

    Parameters
    ----------
    known
        Its kind of laser, limits and steps are taken over.
    rated_w
        Rated power [W].

    Returns
    -------
    Machine
        Without power curve, lens or beam.
    """
    return Machine(
        name=f"a {rated_w:g} W machine",
        rated_w=rated_w,
        source=known.source,
        bed_mm=known.bed_mm,
        max_speed_mm_s=known.max_speed_mm_s,
        acceleration_mm_s2=known.acceleration_mm_s2,
        beam_starts_pct=known.beam_starts_pct,
        ceiling_pct=known.ceiling_pct,
        power_step_pct=known.power_step_pct,
        speed_step_mm_s=known.speed_step_mm_s,
    )


def _row(region: Region, rated_w: float, pool: Pool | None) -> WattageRow:
    other = transfer_region(region, somebodys_machine(region.machine, rated_w), pool)
    start = expected_start(other)
    note = ""
    if start.passes > 1:
        note = f"too weak for one pass: in {start.passes} passes"
    elif start.slowest_mm_s < SLOWEST_MM_S[other.machine.source]:
        note = "may be too weak for one pass"
    elif start.fastest_mm_s >= region.machine.max_speed_mm_s:
        note = "as fast as the head goes: less power may do"
    return WattageRow(
        rated_w=rated_w,
        power_pct=start.setting.power_pct,
        speed_mm_s=start.setting.speed_mm_s,
        slowest_mm_s=start.slowest_mm_s,
        fastest_mm_s=start.fastest_mm_s,
        note=note,
    )


def shown_speed(speed_mm_s: float) -> str:
    """A speed as it is printed: no more digits than anybody can believe.

    Parameters
    ----------
    speed_mm_s
        Speed [mm/s].

    Returns
    -------
    str
        Without its unit.

    Examples
    --------
    >>> shown_speed(12.34), shown_speed(3.21), shown_speed(0.004)
    ('12', '3.2', 'under 0.1')
    """
    if speed_mm_s < 0.1:
        return "under 0.1"
    return f"{speed_mm_s:.0f}" if speed_mm_s >= 10.0 else f"{speed_mm_s:.1f}"


def headline(table: WattageTable) -> str:
    """Headline of the table, in one line."""
    sheet = table.sheet
    return (
        f"Where to begin: {sheet.name} ({sheet.material}, {sheet.thickness_mm:g} mm),"
        f" {table.operation_words}, {'CO2' if table.source == 'co2' else 'diode'} laser"
    )


def wattage_text(table: WattageTable) -> str:
    """Write the table as plain text.

    Parameters
    ----------
    table
        From ``wattage_table``.

    Returns
    -------
    str
        Headline, basis, rows, how to confirm, cautions; ends with a line break.
    """
    lines = [headline(table), table.basis, ""]
    lines.append(f"{'rated W':>8} {'power %':>8} {'start mm/s':>11} {'9 of 10 within mm/s':>21}")
    for row in table.rows:
        span = f"{shown_speed(row.slowest_mm_s)} to {shown_speed(row.fastest_mm_s)}"
        lines.append(
            f"{row.rated_w:>8g} {row.power_pct:>8g} {shown_speed(row.speed_mm_s):>11}"
            f" {span:>21}  {row.note}".rstrip()
        )
    for texts in (HOW_TO_CONFIRM, all_cautions(table)):
        lines += ["", *(_listed(text) for text in texts)]
    return "\n".join(lines) + "\n"


def _listed(text: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent="- ", subsequent_indent="  ")


def all_cautions(table: WattageTable) -> tuple[str, ...]:
    """The usual cautions, then those of the sheet."""
    return tuple(dict.fromkeys((*CAUTIONS, *table.cautions)))


CSV_HEADER = ("rated_w", "power_pct", "speed_mm_s", "slowest_mm_s", "fastest_mm_s", "note")


def wattage_csv(table: WattageTable) -> str:
    """Write the rows as CSV (RFC 4180).

    Parameters
    ----------
    table
        From ``wattage_table``.

    Returns
    -------
    str
        Header and one line for each wattage; speeds with three decimals.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(CSV_HEADER)
    for row in table.rows:
        speeds = (row.speed_mm_s, row.slowest_mm_s, row.fastest_mm_s)
        shown = (f"{speed:.3f}" for speed in speeds)
        writer.writerow((f"{row.rated_w:g}", f"{row.power_pct:g}", *shown, row.note))
    return out.getvalue()
