"""What time and parts cost a workshop, and what its stopwatch says; kept in the logbook."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from typing import Any

from calib.errors import LogbookError
from calib.jobs.stopwatch import TimeRatio, calibrate_time
from calib.logbook import Book
from calib.logbook.runs import understood
from calib.records import Costs
from calib.records.fields import from_json
from calib.tasks.pairs import find_machine


def costs_of(book: Book) -> Costs:
    """Look up what things cost; what was never said is a guess, and ``guessed`` names it; raises
    LogbookError when what was recorded can't be read, as it came with another logbook."""
    kept = book.stored("costs")
    if not kept:
        return Costs()
    known = {field.name for field in dataclasses.fields(Costs)}
    with understood(kept[0]):
        given = {name: value for name, value in kept[0].content.items() if name in known}
        return from_json(Costs, given)


def record_costs(book: Book, *, when: datetime, note: str = "", **changed: Any) -> Costs:
    """Record what things cost; what isn't given stays as it was; raises InvalidRecord when one
    can't be; nothing is stored then."""
    try:
        costs = costs_of(book)
    except LogbookError:
        if not changed:
            raise
        costs = Costs()  # else what can't be read could never be put right
    costs = dataclasses.replace(costs, **changed)
    said = {
        field.name: getattr(costs, field.name)
        for field in dataclasses.fields(costs)
        if field.name not in costs.guessed and getattr(costs, field.name) != ""
    }
    if changed:
        book.store("costs", said, when=when, note=note)
    return costs


def time_ratio(book: Book, machine: str | None) -> TimeRatio | None:
    """How much longer jobs take on a machine than calculated, by its stopwatch; raises LogbookError
    when the machine isn't there, or a timed job can't be read."""
    name = find_machine(book, machine).name
    # A job that was timed again counts once, with its newest time.
    newest = {entry.label: entry for entry in reversed(book.stored("timed_job", machine=name))}
    pairs = []
    for entry in newest.values():
        with understood(entry):
            times = (float(entry.content["calculated_s"]), float(entry.content["measured_s"]))
            calibrate_time([times])
            pairs.append(times)
    return calibrate_time(pairs) if pairs else None


def record_time(
    book: Book,
    machine: str | None,
    times_s: tuple[float, float],
    *,
    when: datetime,
    label: str = "",
) -> TimeRatio:
    """Record how long a job took on a machine; two jobs suffice to start; raises InvalidRecord
    when a time isn't above 0, or so far from the other that a slip is likelier."""
    calculated, measured = times_s
    calibrate_time([times_s])
    name = find_machine(book, machine).name
    content = {"calculated_s": calculated, "measured_s": measured}
    label = label or when.isoformat()
    book.store("timed_job", content, when=when, label=label, machine=name)
    ratio = time_ratio(book, name)
    assert ratio is not None  # it is of this job too
    return ratio
