"""Text of what was planned, whatever it is for, and of starting points elsewhere."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.advice.wattage_table import wattage_text as wattage_text
from calib.records import MARK_WORDS
from calib.texts.boards import (
    focus_data,
    focus_text,
    planned_data,
    planned_round_text,
    planned_text,
)
from calib.texts.joints import comb_data, comb_text
from calib.texts.say import say
from calib.texts.words import bullets, paragraphs, setting_words, table, wrapped
from calib.units import show_asked, show_chance, show_speed

if TYPE_CHECKING:
    from calib.advice.transfer import StartingPoint
    from calib.tasks.boards import Planned, PlannedFor
    from calib.tasks.wishes import Pair


def plan_data(planned: PlannedFor, written: Sequence[Path]) -> dict[str, Any]:
    """What was planned as data, with its files."""
    if planned.start is not None:
        return {**start_data(planned.start, next(iter(planned.boards), None)), "files": written}
    if planned.comb is not None:
        return comb_data(planned.comb, written)
    if planned.focus is not None:
        return {**focus_data(planned.focus), "files": written}
    boards = [
        planned_data(one, [path for path in written if path.name.startswith(one.grid.board_id)])
        for one in planned.boards
    ]
    return {"boards": boards} if planned.split else boards[0]


def plan_text(planned: PlannedFor) -> str:
    """Describe what was planned."""
    if planned.start is not None:
        return start_text(planned.start, next(iter(planned.boards), None))
    if planned.comb is not None:
        return comb_text(planned.comb)
    if planned.focus is not None:
        return focus_text(planned.focus)
    return planned_round_text(planned.boards)


def unburnt_lines(planned: PlannedFor) -> list[str]:
    """Say which boards were planned before and of which nothing is recorded yet."""
    again = [say("texts.planned_before", grid=one.grid) for one in planned.boards if one.again]
    unread = planned.boards[0].unread if planned.boards else ()
    return [*again, *(say("texts.earlier_board_unread", code=code) for code in unread)]


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
        confirm = f"{say('texts.burn_these_first')}\n{table(('', 'power', 'speed'), rows)}"
    # An interval so wide isn't told in hundredths.
    low, high = (show_speed(round(end, 1)) for end in (start.slowest_mm_s, start.fastest_mm_s))
    chance = show_chance(start.chance)
    if start.reliability is not None:
        asked = show_asked(start.reliability)
        interval = say(
            "texts.interval_of_cut", start=start, low=low, high=high, chance=chance, asked=asked
        )
    else:
        interval = say(
            "texts.interval_of_mark",
            start=start,
            low=low,
            high=high,
            chance=chance,
            words=MARK_WORDS,
        )
    return paragraphs(
        say("texts.begin_with", where=where, setting=setting_words(start.setting)),
        wrapped(interval),
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
