"""The maker's own drawing at a setting: time, money, whole-job promise, small features."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import BinaryIO

import numpy as np

from calib.advise import candidates
from calib.advise.cheapest import advised_settings
from calib.advise.recommendation import scope_words
from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.jobs.costs import expected_cost, price_settings
from calib.jobs.drawing import Drawing, read_drawing
from calib.jobs.features import small_features
from calib.jobs.job import Job, make_job
from calib.jobs.job_promise import job_promise
from calib.jobs.job_time import CutTimes, JobTime, job_time_s
from calib.jobs.stopwatch import TimeRatio
from calib.logbook import Book
from calib.pictures.charts import cost_picture
from calib.records import USUAL_RELIABILITY, Costs, Machine, Setting
from calib.tasks.advice import region_of_pair
from calib.tasks.costing import costs_of, take_down_time, time_ratio
from calib.tasks.current import KeptSetting, kept_settings
from calib.tasks.finding import find_pair
from calib.tasks.job_records import ClassLine, JobReport
from calib.tasks.kerfs import kerf_law_of_pair
from calib.tasks.pictures import picture_format
from calib.tasks.wishes import JobWish

# Why the cuts are at the setting that they are at.
GIVEN, SETTLED, CHEAPEST = "as given", "as settled on", "at the cheapest setting"
# Speeds of the picture of the cost.
_PICTURE_SPEEDS = 60


def job_report(
    book: Book, machine: str | None, sheet: str | None, drawing: bytes | BinaryIO, wish: JobWish
) -> JobReport:
    """Say what a drawing means for a pair: time, money, promise, small features.

    Raises BadFile when the drawing can't be read; InvalidRecord, MachineLimit when operations or
    settings don't fit the drawing or the machine; LogbookError when the pair isn't there;
    RefusedMaterial, DeclarationNeeded when the sheet may not be burnt.
    """
    if not wish.operations and machine is None and sheet is None:
        # The classes are the drawing's own: they need neither machine nor sheet.
        return _classes_only(read_drawing(drawing, wish.classes_by), wish)
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine)
    read = read_drawing(drawing, wish.classes_by)
    if not wish.operations:
        return _classes_only(read, wish)
    job = make_job(read, wish.operations, name=of_sheet.name, parts=wish.parts, sheets=wish.sheets)
    costs = costs_of(book)
    marks, mark_notes = _marks(book, (of_machine.name, of_sheet.name), job, wish)
    times = _Times(
        machine=of_machine,
        ratio=time_ratio(book, of_machine.name),
        start_up_s=costs.start_up_s,
        marks=marks,
    )
    if not job.cuts:
        only = _marks_only(read, job, wish, times)
        return replace(only, notes=(*mark_notes, *only.notes))
    pair = (of_machine.name, of_sheet.name)
    region = region_of_pair(book, *pair, "cut")
    law = kerf_law_of_pair(book, *pair)
    chosen = _chosen(book, pair, wish)
    report = _with_cuts(region, job, costs, times, chosen, wish)
    features = None
    if report.setting is not None:
        kerf = None if law is None else law.at_setting(of_machine, report.setting).value_mm
        settings = {c.name: report.setting for c in job.cuts}
        features = small_features(job, of_machine, settings, kerf_mm=kerf, region=region)
    lines = _lines(read, wish, _all_settings(job, times.marks, report.setting))
    notes = (*chosen.notes, *mark_notes, *report.notes)
    return replace(report, classes=lines, size_mm=read.size_mm, features=features, notes=notes)


def _classes_only(read: Drawing, wish: JobWish) -> JobReport:
    return JobReport(classes=_lines(read, wish, {}), size_mm=read.size_mm, notes=read.notes)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Times:
    """What the time of any job of a pair rests on."""

    machine: Machine
    ratio: TimeRatio | None
    start_up_s: float
    marks: Mapping[str, Setting]

    def of(self, job: Job) -> CutTimes:
        return CutTimes(
            job=job,
            machine=self.machine,
            marks=self.marks,
            start_up_s=self.start_up_s,
            ratio=self.ratio,
        )

    def at(self, job: Job, settings: Mapping[str, Setting]) -> JobTime:
        return job_time_s(job, self.machine, settings, start_up_s=self.start_up_s, ratio=self.ratio)


def _marks(
    book: Book, pair: tuple[str, str], job: Job, wish: JobWish
) -> tuple[dict[str, Setting], tuple[str, ...]]:
    """Settings of the marks: as given, else as settled on; and why these aren't current."""
    notes: tuple[str, ...] = ()
    unknown = [name for name in wish.marks if name not in {c.name for c in job.classes}]
    if unknown:
        raise InvalidRecord(
            f"a setting was given for class {unknown[0]!r}: the job's classes are"
            f" {', '.join(c.name for c in job.classes)}."
        )
    found = dict(wish.marks)
    for job_class in job.classes:
        if job_class.operation != "cut" and job_class.name not in found:
            for kept in kept_settings(book, *pair, job_class.operation):
                found[job_class.name] = kept.setting
                notes += kept.not_current
    return found, notes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chosen:
    """Where the cuts stand and why, and what the settings beside it have to keep to."""

    setting: Setting | None
    why: str
    reliability: float
    char_at_most: int | None
    notes: tuple[str, ...]


def _chosen(book: Book, pair: tuple[str, str], wish: JobWish) -> _Chosen:
    settled = next(iter(kept_settings(book, *pair, "cut")), None)
    promise = settled.promise if settled else None
    setting, why = (settled.setting, SETTLED) if settled else (None, "")
    if wish.cut is not None:
        setting, why = wish.cut, GIVEN
    notes = _kept_notes(settled) if settled and why == SETTLED else ()
    char = wish.char_at_most
    return _Chosen(
        setting=setting,
        why=why,
        reliability=wish.reliability or (promise.reliability if promise else USUAL_RELIABILITY),
        char_at_most=promise.char_at_most if char is None and promise else char,
        notes=notes,
    )


def _kept_notes(kept: KeptSetting) -> tuple[str, ...]:
    """Why a kept setting isn't current, and for what its chance was stated."""
    notes = kept.not_current
    if notes:
        notes += ("Try it before the job: four burns do.",)
    if kept.promise is not None:
        notes += (
            f"The setting was kept with a chance of {kept.promise.chance:.3f} for"
            f" {scope_words(kept.promise)}; the chances here are of this job.",
        )
    return notes


def _all_settings(
    job: Job, marks: Mapping[str, Setting], cut: Setting | None
) -> dict[str, Setting]:
    cuts = {} if cut is None else {c.name: cut for c in job.cuts}
    return {**cuts, **marks}


def _lines(
    drawing: Drawing, wish: JobWish, settings: Mapping[str, Setting]
) -> tuple[ClassLine, ...]:
    return tuple(
        ClassLine(
            name=c.name,
            operation=wish.operations.get(c.name),
            setting=settings.get(c.name),
            length_mm=c.length_mm,
            strokes=len(c.strokes),
            closed=c.closed_count,
        )
        for c in drawing.classes
    )


def _marks_only(drawing: Drawing, job: Job, wish: JobWish, times: _Times) -> JobReport:
    """A job without cuts: time alone; marks have neither pushes nor a kerf."""
    kept = tuple(c for c in job.classes if c.name in times.marks)
    left = [c.name for c in job.classes if c.name not in times.marks]
    notes = [f"Not counted, because they have no setting: {', '.join(left)}."] if left else []
    time = times.at(replace(job, classes=kept), times.marks) if kept else None
    return JobReport(
        classes=_lines(drawing, wish, times.marks),
        size_mm=drawing.size_mm,
        time=time,
        notes=(*notes, *(time.notes if time else job.notes)),
    )


def _with_cuts(
    region: Region,
    job: Job,
    costs: Costs,
    times: _Times,
    chosen: _Chosen,
    wish: JobWish,
) -> JobReport:
    cut_times = times.of(job)
    settings, notes = _advised(region, cut_times, costs, chosen)
    setting, why = chosen.setting, chosen.why
    if setting is None and "cheapest" in settings:
        setting, why = settings["cheapest"], CHEAPEST
    report = JobReport(classes=(), size_mm=(0.0, 0.0), costs=costs)
    if setting is None:
        missing = "Give a setting for the cuts to see what the job takes."
        return replace(report, notes=(*notes, *job.notes, missing))
    time = times.at(cut_times.counted, cut_times.settings(setting))
    notes += (*cut_times.notes, *time.notes)
    report = replace(report, setting=setting, chosen=why, time=time)
    if not region.burns:
        return replace(report, notes=tuple(dict.fromkeys(notes)))
    if why != CHEAPEST:
        settings = {why: setting, **settings}
    prices = price_settings(region, job, costs, settings, price=wish.price, times=cut_times)
    promise = job_promise(region, job, setting, times=cut_times)
    if not region.tested(setting.power_pct, setting.speed_mm_s, setting.passes):
        notes += ("This setting lies outside what was burnt: its chances are not tested.",)
    guessed = expected_cost(
        region, job, costs, setting.power_pct, setting.speed_mm_s, setting.passes, times=cut_times
    ).notes
    return replace(
        report,
        promise=promise,
        prices=prices,
        cost_curve=_cost_curve(region, job, costs, setting, cut_times),
        notes=tuple(dict.fromkeys((*notes, *guessed))),
    )


def _advised(
    region: Region, times: CutTimes, costs: Costs, chosen: _Chosen
) -> tuple[dict[str, Setting], tuple[str, ...]]:
    """Cheapest, fastest and cleanest, or why there are none."""
    try:
        found = advised_settings(
            region,
            times,
            costs,
            reliability=chosen.reliability,
            char_at_most=chosen.char_at_most,
        )
    except NotEnoughEvidence as refusal:
        return {}, (str(refusal),)
    return found, ()


def _cost_curve(
    region: Region, job: Job, costs: Costs, at: Setting, times: CutTimes
) -> tuple[tuple[float, ...], Mapping[str, tuple[float, ...]]] | None:
    """Parts of the cost against the speed, at the setting's power and passes, as far as burnt."""
    row = next(
        (
            row
            for row in candidates.rows(region)
            if row.passes == at.passes and abs(row.power_pct - at.power_pct) < 1e-6
        ),
        None,
    )
    if row is None or len(row.speeds) < 2:
        return None
    speeds = np.linspace(row.speeds[0], row.speeds[-1], _PICTURE_SPEEDS)
    curve = times.on_curve(float(speeds[0]), float(speeds[-1]))
    cost = expected_cost(region, job, costs, at.power_pct, speeds, at.passes, times=curve)
    return tuple(speeds.tolist()), {name: tuple(part.tolist()) for name, part in cost.parts.items()}


def time_this_job(
    book: Book,
    machine: str | None,
    report: JobReport,
    measured_s: float,
    *,
    when: datetime,
    label: str,
) -> TimeRatio:
    """Take down what the stopwatch said of a job that was reported.

    Raises InvalidRecord when the job has no calculated time, or the two are so far apart that a
    slip is likelier.
    """
    if report.time is None:
        raise InvalidRecord(
            f"the job {label!r} has no calculated time: give its classes operations and settings."
        )
    times = (report.time.machine_s, measured_s)
    return take_down_time(book, machine, times, when=when, label=label)


def job_picture(report: JobReport, name: str) -> bytes:
    """Draw what each part of the cost is against the speed.

    Raises NotEnoughEvidence when the report has no costs to draw; InvalidRecord when the ending is
    another than .png or .svg.
    """
    form = picture_format(name)
    if report.cost_curve is None or report.setting is None:
        raise NotEnoughEvidence(
            "The cost can't be drawn: nothing was burnt at the power and passes of the cuts."
        )
    speeds, parts = report.cost_curve
    currency = f" [{report.costs.currency}]" if report.costs and report.costs.currency else ""
    passes = "" if report.setting.passes == 1 else f", {report.setting.passes} passes"
    return cost_picture(
        speeds,
        parts,
        chosen_mm_s=report.setting.speed_mm_s,
        title=f"What the job costs at {report.setting.power_pct:g} % power{passes}",
        unit=f"expected cost of the job{currency}",
        format=form,
    )
