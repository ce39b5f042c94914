"""The maker's own drawing at a setting: time, money, pushes, small features."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, BinaryIO

import numpy as np

from calib.advice.recommend import advised_settings
from calib.advice.recommendation import scope_words
from calib.advice.search import rows_inside
from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.jobs.costs import PricedJob, PricedSetting, expected_cost, price_settings
from calib.jobs.drawing import Drawing, make_job, read_drawing
from calib.jobs.features import SmallFeatures, small_features
from calib.jobs.job_time import CutTimes, JobTime, job_time_s
from calib.jobs.pushes import JobPushes, job_pushes
from calib.jobs.stopwatch import TimeRatio
from calib.logbook import Book
from calib.records import USUAL_RELIABILITY, ClassesBy, Costs, Operation, Setting
from calib.tasks.costing import costs_of, record_time, time_ratio
from calib.tasks.files import picture_format
from calib.tasks.joints import kerf_at
from calib.tasks.pairs import OpenPair
from calib.tasks.wishes import JobWish
from calib.texts.say import say
from calib.units import show_chance

# Why the cuts are at the setting that they are at.
GIVEN, KEPT = say("tasks.as_given"), say("tasks.as_kept")
CHEAPEST = say("tasks.at_cheapest_setting")
# Speeds of the picture of the cost.
_PICTURE_SPEEDS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassLine:
    """One class of a drawing."""

    # What is burnt how; None where that isn't said
    name: str
    operation: Operation | None
    setting: Setting | None
    # Path [mm], how many lines, how many of them closed
    length_mm: float
    strokes: int
    closed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class JobReport:
    """What a drawing means at a setting."""

    classes: tuple[ClassLine, ...]  # Its classes
    size_mm: tuple[float, float]  # Width and height of what is drawn [mm]
    # setting, chosen: Setting of the cuts and why that one; None without cuts or without one
    setting: Setting | None = None
    chosen: str = ""
    time: JobTime | None = None  # Time of the job; None while no class has an operation
    pushes: JobPushes | None = None  # Pushes of the whole job; None without a fitted cut
    # The setting next to the cheapest, the fastest and the cleanest
    prices: tuple[PricedSetting, ...] = ()
    costs: Costs | None = None  # What they were reckoned with
    features: SmallFeatures | None = None  # Small features; None without cuts
    # Speeds at the setting's power and passes [mm/s], and parts of the cost there [money]
    cost_curve: tuple[tuple[float, ...], Mapping[str, tuple[float, ...]]] | None = None
    notes: tuple[str, ...] = ()  # What the user must know


def take_drawing_in(content: bytes, classes_by: ClassesBy) -> Drawing:
    """Read a drawing that several questions are asked of; raises BadFile."""
    return read_drawing(content, classes_by)


def job_report(pair: OpenPair, drawing: Drawing | bytes | BinaryIO, wish: JobWish) -> JobReport:
    """Say what a drawing means for a pair: time, money, pushes, small features; raises BadFile
    when the drawing can't be read; InvalidRecord, MachineLimit when operations or settings don't
    fit the drawing or the machine."""
    if wish.operations or pair.named != (None, None):
        check_hazard(pair.sheet, pair.machine)
    read = drawing if isinstance(drawing, Drawing) else read_drawing(drawing, wish.classes_by)

    def report(settings: Mapping[str, Setting], **told: Any) -> JobReport:
        classes = tuple(
            ClassLine(
                name=name,
                operation=wish.operations.get(name),
                setting=settings.get(name),
                length_mm=strokes.length_mm,
                strokes=len(strokes),
                closed=int(strokes.closed.sum()),
            )
            for name, strokes in read.classes.items()
        )
        return JobReport(classes=classes, size_mm=read.size_mm, **told)

    if not wish.operations:  # the classes are the drawing's own: they need no pair
        return report({}, notes=read.notes)
    machine, name = pair.machine, pair.sheet.name
    job = make_job(read, wish.operations, name=name, parts=wish.parts, sheets=wish.sheets)
    names = [job_class.name for job_class in job.classes]
    if unknown := [name for name in wish.marks if name not in names]:
        raise InvalidRecord(
            say("tasks.setting_was_given_for_class", unknown=unknown, names=", ".join(names))
        )
    costs, ratio = costs_of(pair.book), time_ratio(pair.book, machine.name)
    start_up_s, marks = costs.start_up_s, dict(wish.marks)
    notes: tuple[str, ...] = ()
    for job_class in job.classes:
        if job_class.operation != "cut" and job_class.name not in marks:
            if kept := pair.to(job_class.operation).kept:
                marks[job_class.name] = kept.setting
                notes += kept.not_current
    if not job.cuts:  # marks have neither pushes nor a kerf: time alone
        counted = tuple(c for c in job.classes if c.name in marks)
        if left := [name for name in names if name not in marks]:
            notes += (say("tasks.not_counted_because_they_have_no", left=", ".join(left)),)
        if not counted:
            return report(marks, notes=(*notes, *job.notes))
        some = replace(job, classes=counted)
        time = job_time_s(some, machine, marks, start_up_s=start_up_s, ratio=ratio)
        return report(marks, time=time, notes=(*notes, *time.notes))
    pair = pair.to("cut")
    region, in_use = pair.region, pair.kept
    times = CutTimes(job=job, machine=machine, marks=marks, start_up_s=start_up_s, ratio=ratio)
    setting, why = wish.cut, GIVEN
    advice = in_use.advice if in_use else None
    if setting is None and in_use:
        setting, why = in_use.setting, KEPT
        said = in_use.not_current and (*in_use.not_current, say("tasks.try_it_before_job"))
        if advice is not None:
            chance, scope = show_chance(advice.chance), scope_words(advice)
            said += (say("tasks.setting_was_kept_with_chance", chance=chance, scope=scope),)
        notes = (*said, *notes)
    kept_chance = advice.reliability if advice else 0.0
    char = wish.char_at_most
    try:
        advised = advised_settings(
            region,
            times,
            costs,
            reliability=wish.reliability or kept_chance or USUAL_RELIABILITY,
            char_at_most=advice.char_at_most if char is None and advice else char,
        )
    except NotEnoughEvidence as refusal:
        advised = {}
        notes += (str(refusal),)
    if setting is None and "cheapest" in advised:
        setting, why = advised["cheapest"], CHEAPEST
    if setting is None:
        missing = say("tasks.give_setting_for_cuts_to_see")
        return report(marks, costs=costs, notes=(*notes, *job.notes, missing))
    time = times.at(setting)
    kerf = kerf_at(pair, setting)
    kerf_mm = None if kerf is None else kerf.value_mm
    cuts = {job_class.name: setting for job_class in job.cuts}
    features = small_features(job, machine, cuts, kerf_mm=kerf_mm, region=region)
    notes += (*times.notes, *time.notes)
    money: dict[str, Any] = {}
    if region.burns:
        compared = advised if why == CHEAPEST else {why: setting, **advised}
        at = (setting.power_pct, setting.speed_mm_s, setting.passes)
        if not region.tested(*at):
            notes += (say("tasks.this_setting_lies_outside_what_was"),)
        priced = PricedJob(costs=costs, times=times)
        notes += priced.one(region, setting).notes
        money = {
            "pushes": job_pushes(region, job, setting, times=times),
            "prices": price_settings(region, priced, compared, wish.price),
            "cost_curve": _cost_curve(region, priced, setting),
        }
    return report(
        {**cuts, **marks},
        setting=setting,
        chosen=why,
        time=time,
        features=features,
        costs=costs,
        notes=tuple(dict.fromkeys(notes)),
        **money,
    )


def _cost_curve(
    region: Region, priced: PricedJob, at: Setting
) -> tuple[tuple[float, ...], Mapping[str, tuple[float, ...]]] | None:
    """Parts of the cost against the speed, at the setting's power and passes, as far as burnt."""
    rows = [row for row in rows_inside(region) if row.passes == at.passes]
    row = next((row for row in rows if abs(row.power_pct - at.power_pct) < 1e-6), None)
    if row is None or len(row.speeds) < 2:
        return None
    speeds = np.linspace(row.speeds[0], row.speeds[-1], _PICTURE_SPEEDS)
    times = priced.times.on_curve(float(speeds[0]), float(speeds[-1]))
    job, costs = times.job, priced.costs
    cost = expected_cost(region, job, costs, at.power_pct, speeds, at.passes, times=times)
    return tuple(speeds.tolist()), {name: tuple(part.tolist()) for name, part in cost.parts.items()}


def time_this_job(
    book: Book, machine: str | None, report: JobReport, took_s: float, *, when: datetime, label: str
) -> TimeRatio:
    """Record what the stopwatch said of a job that was reported; raises InvalidRecord when the
    job has no calculated time, or the two are so far apart that a slip is likelier."""
    if report.time is None:
        raise InvalidRecord(say("tasks.job_has_no_calculated_time", label=label))
    times = (report.time.machine_s, took_s)
    return record_time(book, machine, times, when=when, label=label)


def job_picture(report: JobReport, name: str) -> bytes:
    """Draw what each part of the cost is against the speed; raises NotEnoughEvidence when the
    report has no costs to draw; InvalidRecord when the ending is another than .png or .svg."""
    from calib.pictures.charts import cost_picture  # loads matplotlib

    form = picture_format(name)
    if report.cost_curve is None or report.setting is None:
        raise NotEnoughEvidence(say("tasks.cost_cant_be_drawn"))
    speeds, parts = report.cost_curve
    currency = f" [{report.costs.currency}]" if report.costs and report.costs.currency else ""
    passes = "" if report.setting.passes == 1 else say("tasks.passes", report=report)
    return cost_picture(
        speeds,
        parts,
        chosen_mm_s=report.setting.speed_mm_s,
        title=say("tasks.what_job_costs_at_power", report=report, passes=passes),
        unit=say("tasks.expected_cost_of_job", currency=currency),
        format=form,
    )
