"""Text of starting points elsewhere."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

from calib.advice.wattage_table import wattage_text as wattage_text
from calib.records import GRADES, MARK_WORDS
from calib.texts.boards import planned_text
from calib.texts.words import bullets, paragraphs, setting_words, table, wrapped
from calib.units import show_speed

if TYPE_CHECKING:
    from calib.advice.transfer import StartingPoint
    from calib.tasks.boards import Planned
    from calib.tasks.wishes import Pair


def start_data(start: StartingPoint, planned: Planned | None = None) -> dict[str, Any]:
    """A starting point as data, without the region it rests on."""
    names = ("setting", "slowest_mm_s", "fastest_mm_s", "reliability", "chance", "confirm")
    return {
        "machine": start.region.machine.name,
        "sheet": start.region.sheet.name,
        "operation": start.region.operation,
        **{name: getattr(start, name) for name in names},
        "board_id": planned.grid.board_id if planned else None,
        "notes": start.notes,
    }


def start_text(start: StartingPoint, planned: Planned | None = None) -> str:
    """Say where to begin, how far off that may be, and what confirms it."""
    where = f"{start.region.sheet.name} on {start.region.machine.name}"
    if planned is not None:
        confirm = planned_text(planned)
    else:
        rows = [
            (str(n), f"{s.power_pct:g} %", show_speed(s.speed_mm_s))
            for n, s in enumerate(start.confirm, 1)
        ]
        confirm = "Burn these first, best first:\n" + table(("", "power", "speed"), rows)
    return paragraphs(
        f"Begin with {where}: {setting_words(start.setting)}. Nothing has been burnt there yet.",
        wrapped(_interval(start)),
        bullets("Notes", start.notes),
        confirm,
    )


def after_start_text(start: StartingPoint, asked: Pair, to: str | None) -> str:
    """Say what plans the board that confirms a start; nothing for somebody else's machine."""
    if to is None:
        return ""
    typed = shlex.quote(asked.sheet or start.region.sheet.name)
    typed += "" if asked.machine is None else f" --machine {shlex.quote(asked.machine)}"
    typed += "" if asked.operation == "cut" else f" --operation {asked.operation}"
    return f"Next: calib plan {typed} --for transfer --to {shlex.quote(to)}"


def _interval(start: StartingPoint) -> str:
    # An interval so wide isn't told in hundredths.
    low, high = (show_speed(round(end, 1)) for end in (start.slowest_mm_s, start.fastest_mm_s))
    power = f"{start.power_pct:g} %"
    if start.reliability is not None:
        return (
            f"In 9 of 10 cases the fastest speed that meets a chance of {start.reliability:g} at"
            f" {power} lies between {low} and {high}. At the starting point itself a coupon falls"
            f" free with a chance of {start.chance:.2f}: it is as likely too fast as too slow."
        )
    return (
        f"In 9 of 10 cases the middle of the wanted grade at {power} lies between {low} and {high}."
        f" The starting point comes out as wanted with a chance of {start.chance:.2f}; mark grades"
        f" run from {MARK_WORDS[0]} (0) to {MARK_WORDS[-1]} ({GRADES[-1]})."
    )
