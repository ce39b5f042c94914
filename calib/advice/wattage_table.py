"""Where to begin with one sheet on lasers of other wattages: a page to hand to other people."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from calib.advice.transfer import expected_start, transfer_region
from calib.errors import InvalidRecord
from calib.fit.pool import Pool
from calib.fit.region import Region
from calib.hazards import CAUTIONS, check_hazard
from calib.limits import SLOWEST_MM_S
from calib.records import LaserSource, Machine, Sheet
from calib.texts.say import say

# Rated powers of common desktop lasers [W].
WATTAGES = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 130.0, 150.0)
# Characters in a line of the text.
_WIDTH = 96
HOW_TO_CONFIRM = (
    say("advice.these_speeds_are_expected"),
    say("advice.before_any_job_burn_four_coupons"),
    say("advice.rated_watts_lens"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WattageRow:
    """Where to begin at one rated power."""

    rated_w: float  # Rated power [W]
    # power_pct, speed_mm_s: Where to begin [% of full], [mm/s]
    power_pct: float
    speed_mm_s: float
    # slowest_mm_s, fastest_mm_s: Central 90 % interval of the fastest speed that works reliably
    # [mm/s]
    slowest_mm_s: float
    fastest_mm_s: float
    note: str = ""  # What must be said of this row; empty when nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class WattageTable:
    """The rows for one sheet, and what they rest on."""

    # sheet, source, operation_words: Of what, for which kind of laser, doing what
    sheet: Sheet
    source: LaserSource
    operation_words: str
    basis: str  # What it rests on, in a sentence
    rows: tuple[WattageRow, ...]  # By rising rated power
    cautions: tuple[str, ...]  # Those of this sheet; the usual ones come on top


def wattage_table(
    region: Region, wattages: Sequence[float] = WATTAGES, pool: Pool | None = None
) -> WattageTable:
    """Starting points for one sheet on other people's machines.

    Raises InvalidRecord when nothing was burnt, or no wattage is given; RefusedMaterial,
    DeclarationNeeded when the sheet may not be burnt.
    """
    if not region.burns:
        raise InvalidRecord(say("advice.has_no_burns", region=region))
    if not len(wattages):
        raise InvalidRecord(say("advice.wattages_is_empty"))
    rows = tuple(_row(region, watts, pool) for watts in sorted(set(wattages)))
    here = region.machine
    return WattageTable(
        sheet=region.sheet,
        source=here.source,
        operation_words=region.operation.replace("_", " "),
        basis=say("advice.carried_over_from_burns_on_one", count=len(region.burns), here=here),
        rows=rows,
        cautions=check_hazard(region.sheet, here, region.operation).advice,
    )


def somebodys_machine(known: Machine, rated_w: float) -> Machine:
    """A machine of another wattage of which nothing else is known."""
    return Machine(
        name=say("advice.machine", rated_w=rated_w),
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
        note = say("advice.too_weak_for_one_pass", start=start)
    elif start.slowest_mm_s < SLOWEST_MM_S[other.machine.source]:
        note = say("advice.may_be_too_weak_for_one")
    elif start.fastest_mm_s >= region.machine.max_speed_mm_s:
        note = say("advice.as_fast_as_head_goes")
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
    return say(
        "advice.where_to_begin",
        sheet=sheet,
        table=table,
        which="CO2" if table.source == "co2" else "diode",
    )


def wattage_text(table: WattageTable) -> str:
    """Write the table as plain text."""
    lines = [headline(table), table.basis, ""]
    lines.append(f"{'rated W':>8} {'power %':>8} {'start mm/s':>11} {'9 of 10 within mm/s':>21}")
    for row in table.rows:
        span = f"{shown_speed(row.slowest_mm_s)} to {shown_speed(row.fastest_mm_s)}"
        lines.append(
            f"{row.rated_w:>8g} {row.power_pct:>8g} {shown_speed(row.speed_mm_s):>11}"
            f" {span:>21}  {row.note}".rstrip()
        )
    listed = textwrap.TextWrapper(_WIDTH, initial_indent="- ", subsequent_indent="  ")
    for texts in (HOW_TO_CONFIRM, all_cautions(table)):
        lines += ["", *(listed.fill(text) for text in texts)]
    return "\n".join(lines) + "\n"


def all_cautions(table: WattageTable) -> tuple[str, ...]:
    """The usual cautions, then those of the sheet."""
    return tuple(dict.fromkeys((*CAUTIONS, *table.cautions)))


CSV_HEADER = ("rated_w", "power_pct", "speed_mm_s", "slowest_mm_s", "fastest_mm_s", "note")


def wattage_csv(table: WattageTable) -> str:
    """Write the rows as CSV (RFC 4180)."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(CSV_HEADER)
    for row in table.rows:
        speeds = (row.speed_mm_s, row.slowest_mm_s, row.fastest_mm_s)
        shown = (f"{speed:.3f}" for speed in speeds)
        writer.writerow((f"{row.rated_w:g}", f"{row.power_pct:g}", *shown, row.note))
    return out.getvalue()
