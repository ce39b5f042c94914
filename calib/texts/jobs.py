"""Text of costs, and of what a drawing means at a setting."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from calib.jobs.features import SmallFeatures
from calib.jobs.job_time import JobTime
from calib.jobs.pushes import JobPushes
from calib.jobs.stopwatch import TimeRatio
from calib.records import Costs
from calib.records.fields import fields_of
from calib.texts.say import say
from calib.texts.words import (
    bullets,
    operation_words,
    paragraphs,
    setting_words,
    shown_field,
    speed_words,
    table,
    wrapped,
)
from calib.units import show_chance

if TYPE_CHECKING:
    from calib.tasks.jobs import JobReport


def costs_text(costs: Costs) -> str:
    """Show what things cost, and which numbers are guesses."""
    rows = [
        (
            field.help.rstrip("."),
            shown_field(field, getattr(costs, field.name)),
            "a guess" if field.name in costs.guessed else "",
        )
        for field in fields_of(Costs)
        if field.name != "currency"
    ]
    head = f"cost [{costs.currency}]" if costs.currency else "cost"
    return paragraphs(
        table(("what", head, ""), rows), say("texts.guesses_stand") if costs.guessed else ""
    )


def time_ratio_text(ratio: TimeRatio) -> str:
    """Say what the stopwatch tells of a machine."""
    low, high = ratio.next_job
    more = "" if ratio.jobs > 1 else say("texts.time_second_job")
    return say("texts.next_job_takes", said=ratio.describe(), low=low, high=high, more=more)


def job_text(report: JobReport) -> str:
    """Say what a drawing means at a setting."""
    time = "" if report.time is None else _time(report.time, report.chosen)
    if report.time is None and not any(line.operation for line in report.classes):
        time = wrapped(say("texts.give_classes_operations"))
    notes = (*report.notes, *(report.features.notes if report.features else ()))
    return paragraphs(
        _classes(report),
        time,
        _pushes(report.pushes) if report.pushes else "",
        _prices(report) if report.prices else "",
        _features(report.features) if report.features else "",
        bullets("Notes", dict.fromkeys(notes)),
    )


def _classes(report: JobReport) -> str:
    rows = [
        (
            line.name,
            operation_words(line.operation) if line.operation else "-",
            setting_words(line.setting) if line.setting else "-",
            f"{line.length_mm / 1000.0:.3f} m",
            str(line.strokes),
            str(line.closed),
        )
        for line in report.classes
    ]
    header = ("class", "operation", "setting", "path", "lines", "closed")
    return f"{say('texts.drawing_of', size=report.size_mm)}\n{table(header, rows)}"


def _few(number: float) -> str:
    """A number of pushes: hundredths where there are few."""
    return f"{number:.2f}" if number < 1.0 else f"{number:.1f}"


def _minutes(seconds: float) -> str:
    return f"{seconds / 60.0:.1f} min"


def _time(time: JobTime, chosen: str) -> str:
    parts = (
        ("cutting", time.cutting_s),
        ("marking", time.marking_s),
        ("travel", time.travel_s),
        ("start-up", time.start_up_s),
    )
    said = ", ".join(f"{name} {_minutes(seconds)}" for name, seconds in parts if seconds > 0.0)
    setting = say("texts.with_cuts", chosen=chosen) if chosen else ""
    interval = below = ""
    if time.ratio is not None and time.interval_s is not None:
        low, high = map(_minutes, time.interval_s)
        said += say("texts.by_stopwatch", ratio=time.ratio.ratio)
        interval = say("texts.next_such_job", low=low, high=high)
    slow, length = sum(c.slow_mm for c in time.classes), sum(c.length_mm for c in time.classes)
    if (share := 100.0 * slow / length if length else 0.0) >= 1.0:
        below = say("texts.path_below_speed", share=share)
    return wrapped(
        say(
            "texts.time_of_job",
            total=_minutes(time.total_s),
            setting=setting,
            said=said,
            interval=interval,
            below=below,
        )
    )


def _pushes(told: JobPushes) -> str:
    pushes, chance = _few(told.expected_pushes), show_chance(told.chance_no_push)
    lines = [say("texts.pushes_of_job", pushes=pushes, told=told, chance=chance)]
    if told.expected_defects > 0.0:
        defects, chance = _few(told.expected_defects), show_chance(told.chance_no_help)
        lines.append(say("texts.knots_of_job", defects=defects, told=told, chance=chance))
    rows = [
        (
            f"{change.change_pct:+.0f} %" if change.change_pct else say("texts.as_it_is"),
            speed_words(round(change.speed_mm_s, 2)),
            _few(change.expected_pushes),
            show_chance(change.chance_no_push),
            f"{change.minutes:.1f} min",
        )
        for change in told.changes
    ]
    header = ("speed", "", "pushes", "none needed", "time")
    return "\n".join([*(wrapped(line) for line in lines), table(header, rows)])


def _prices(report: JobReport) -> str:
    currency = f" [{report.costs.currency}]" if report.costs and report.costs.currency else ""
    names = tuple(report.prices[0].parts)
    header = ("", "setting", f"cost{currency}", *names, "pushes", "time")
    if report.prices[0].margin is not None:
        header += ("margin",)
    rows = []
    for priced in report.prices:
        parts = (f"{priced.parts[name]:.2f}" for name in names)
        pushes, minutes = _few(priced.expected_pushes), f"{priced.minutes:.1f} min"
        row = [priced.name, setting_words(priced.setting), f"{priced.total:.2f}", *parts]
        row += [pushes, minutes]
        if priced.margin is not None and priced.margin_pct is not None:
            row.append(f"{priced.margin:.2f} ({priced.margin_pct:.0f} %)")
        rows.append(row)
    return f"{say('texts.what_job_costs')}\n{table(header, rows)}"


def _features(features: SmallFeatures) -> str:
    counted = {kind: number for kind, number in features.counts.items() if number}
    if not counted:
        return ""
    told = [say("texts.feature_at", one=one) for one in features.features]
    total, more = sum(counted.values()), ""
    if total > len(told):
        more = say("texts.some_are_listed", told=len(told), total=total)
    return bullets(f"Small features{more}", told)


def costs_data(costs: Costs) -> dict[str, object]:
    """Costs with the names of those that are guesses."""
    return {**dataclasses.asdict(costs), "guessed": costs.guessed}


def job_data(report: JobReport) -> dict[str, object]:
    """The report as data, with the sums of its time."""
    data = {f.name: getattr(report, f.name) for f in dataclasses.fields(report)}
    time = report.time
    if time is not None:
        sums = ("total_s", "interval_s", "machine_s", "cutting_s", "marking_s", "travel_s")
        fields = {f.name: getattr(time, f.name) for f in dataclasses.fields(time)}
        data["time"] = {**{name: getattr(time, name) for name in sums}, **fields}
    return data
