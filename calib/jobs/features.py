"""Small features of a drawing: what is too narrow to survive, and where the head stays slow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from scipy.spatial import cKDTree

from calib.fit.region import Region
from calib.jobs.job import Job, JobClass
from calib.jobs.job_time import SLOW_SHARE
from calib.jobs.motion import stroke_times_s
from calib.jobs.outlines import SAME_PLACE_MM, Floats, Ints, Strokes, joined_strokes
from calib.records import Machine, Setting
from calib.texts.say import say

# Kerf when it isn't measured [mm]: a guess.
KERF_MM = 0.2
# Narrower than this many kerfs is a warning: a guess; heat reaches about a kerf into each side.
FEW_KERFS = 4.0
# How many of each kind are listed one by one; the others are counted.
LISTED = 20
# More places than this along the cuts aren't compared with one another.
_MAX_SAMPLES = 400_000
_NEIGHBOURS = 16
# The least width is looked for in so many directions, then closer about the best of them.
_DIRECTIONS, _CLOSER = 16, 14
# A point of less than 14 degrees counts as a narrow strip; a wider one is a corner.
_NEEDLE = 8.0

Kind = Literal["narrow outline", "narrow strip", "slow outline"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One place to look at before burning."""

    # narrow outline: a part or hole narrower than a few kerfs; narrow strip: a bridge between two
    # cuts; slow outline: one whose set speed isn't reached
    kind: Kind
    place_mm: tuple[float, float]  # where it is, from the drawing's top left [mm]
    size_mm: float  # its width before the kerf is taken off [mm]
    words: str
    # how many times the intended energy per length it gets; 1 where it isn't slow
    energy_ratio: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallFeatures:
    """Small features of a job."""

    features: tuple[Feature, ...]  # the worst of each kind, at most 20
    counts: Mapping[Kind, int]  # how many there are of each kind
    notes: tuple[str, ...] = ()


def small_features(
    job: Job,
    machine: Machine,
    settings: Mapping[str, Setting],
    *,
    kerf_mm: float | None = None,
    region: Region | None = None,
) -> SmallFeatures:
    """Find what is narrower than a few kerfs, and outlines where the speed can't be reached."""
    kerf = KERF_MM if kerf_mm is None else kerf_mm
    limit = FEW_KERFS * kerf
    found: list[Feature] = []
    notes = []
    if kerf_mm is None:
        notes.append(say("jobs.kerf_isnt_measured", kerf_mm=KERF_MM))
    cuts = [c.strokes for c in job.cuts if len(c.strokes)]
    if sum(s.length_mm for s in cuts) * 3.0 / limit > _MAX_SAMPLES:
        notes.append(say("jobs.cuts_are_too_long_to_look"))
    elif cuts:
        found += _strips(joined_strokes(cuts), limit, kerf)
    for strokes in cuts:
        widths = least_widths_mm(strokes)
        for index in np.flatnonzero(strokes.closed & (widths < limit)):
            said = say("jobs.part_or_hole_wide", widths=widths[index], kerf=kerf)
            place, width = _place(strokes.starts_mm[index]), float(widths[index])
            found.append(Feature(kind="narrow outline", place_mm=place, size_mm=width, words=said))
    for job_class in job.cuts:
        if job_class.name in settings:
            found += _slow_outlines(job_class, machine, settings[job_class.name], region)
    if machine.power_follows_speed and any(f.kind == "slow outline" for f in found):
        notes.append(say("jobs.controller_lowers_power_with_speed"))
    by_kind: dict[Kind, list[Feature]] = {kind: [] for kind in get_args(Kind)}
    for feature in sorted(found, key=_worst_first):
        by_kind[feature.kind].append(feature)
    return SmallFeatures(
        features=tuple(f for these in by_kind.values() for f in these[:LISTED]),
        counts={kind: len(these) for kind, these in by_kind.items()},
        notes=tuple(notes),
    )


def _worst_first(feature: Feature) -> tuple[float, float, tuple[float, float]]:
    # Those that differ by rounding alone go by their place.
    return -round(feature.energy_ratio, 6), round(feature.size_mm, 6), feature.place_mm


def least_widths_mm(strokes: Strokes) -> Floats:
    """Width of each stroke across its narrowest direction."""
    stroke = np.repeat(np.arange(len(strokes)), np.diff(strokes.first))

    def widths(angle: Floats) -> Floats:
        cos, sin = np.cos(angle)[stroke], np.sin(angle)[stroke]
        across = strokes.points_mm[:, 0] * cos + strokes.points_mm[:, 1] * sin
        high = np.maximum.reduceat(across, strokes.first[:-1])
        return np.asarray(high - np.minimum.reduceat(across, strokes.first[:-1]))

    spacing = np.pi / _DIRECTIONS
    tried = np.array([widths(np.full(len(strokes), i * spacing)) for i in range(_DIRECTIONS)])
    best, least = tried.argmin(axis=0) * spacing, tried.min(axis=0)
    for halving in range(1, _CLOSER):
        for side in (-1.0, 1.0):
            angle = best + side * spacing / 2.0**halving
            width = widths(angle)
            best, least = np.where(width < least, angle, best), np.minimum(width, least)
    return np.asarray(least)


def _sampled(strokes: Strokes, spacing: float) -> tuple[Floats, Floats, Ints, Floats]:
    """Places along strokes: point, direction, stroke, and the path to it."""
    points, lengths = strokes.points_mm, strokes.lengths_mm
    sums = np.append(0.0, np.cumsum(strokes.step_mm))[:-1]
    counts = np.ceil(lengths / spacing).astype(np.int64)
    stroke = np.repeat(np.arange(len(lengths)), counts)
    nth = np.arange(len(stroke)) - np.repeat(np.cumsum(counts) - counts, counts)
    along = (nth + 0.5) * (lengths / counts)[stroke]
    before = np.cumsum(lengths) - lengths
    at = before[stroke] + along
    step = np.clip(np.searchsorted(sums, at, side="right") - 1, 0, len(points) - 2)
    chord = points[step + 1] - points[step]
    share = (at - sums[step]) / np.maximum(sums[step + 1] - sums[step], 1e-12)
    size = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-12)
    return points[step] + share[:, None] * chord, chord / size[:, None], stroke, along


def _strips(cuts: Strokes, limit: float, kerf: float) -> list[Feature]:
    """Places where two cuts run side by side: parallel, and square to what joins them."""
    point, direction, stroke, path = _sampled(cuts, limit / 3.0)
    nearest = np.arange(1, min(_NEIGHBOURS, len(point)) + 1)
    answer = cKDTree(point).query(point, k=nearest, distance_upper_bound=limit)
    distance, other = np.asarray(answer[0]), np.asarray(answer[1])
    one, column = np.nonzero(np.isfinite(distance) & (distance > SAME_PLACE_MM))
    gap, two = distance[one, column], other[one, column]
    joining = (point[two] - point[one]) / gap[:, None]
    along = np.abs((joining * direction[one]).sum(axis=1))
    beside = along < 0.5
    # Samples needn't lie straight across: what counts is the gap square to the cuts.
    skew = np.minimum(along, np.abs((joining * direction[two]).sum(axis=1)))
    gap = gap * np.sqrt(1.0 - np.minimum(skew, 1.0) ** 2)
    beside &= np.abs((direction[one] * direction[two]).sum(axis=1)) > 0.7
    apart = np.abs(path[one] - path[two])
    apart = np.where(
        cuts.closed[stroke[one]], np.minimum(apart, cuts.lengths_mm[stroke[one]] - apart), apart
    )
    other_side = apart > np.maximum(_NEEDLE * gap, 2.0 * limit)
    # The two sides of an outline that is narrow as a whole aren't said twice.
    wide = least_widths_mm(cuts) >= limit
    beside &= (stroke[one] != stroke[two]) | (other_side & wide[stroke[one]])
    one, two, gap = one[beside], two[beside], gap[beside]
    pair = np.sort(np.stack([stroke[one], stroke[two]], axis=1), axis=1)
    # Along a strip of even width gaps differ by rounding alone: then its beginning is meant.
    order = np.lexsort((one, np.round(gap, 6)))
    _, first = np.unique(pair[order], axis=0, return_index=True)
    return [
        Feature(
            kind="narrow strip",
            place_mm=_place((point[one[i]] + point[two[i]]) / 2.0),
            size_mm=float(gap[i]),
            words=say("jobs.two_cuts_apart", gap=gap[i], gap_2=max(gap[i] - kerf, 0.0)),
        )
        for i in order[first]
    ]


def _slow_outlines(
    job_class: JobClass, machine: Machine, setting: Setting, region: Region | None
) -> list[Feature]:
    strokes, set_speed = job_class.strokes, setting.speed_mm_s
    times = stroke_times_s(job_class.course, set_speed, machine.working_acceleration_mm_s2)
    means = strokes.lengths_mm / np.maximum(times, 1e-12)
    slow = np.flatnonzero(strokes.closed & (means < SLOW_SHARE * set_speed))
    widths = least_widths_mm(strokes) if len(slow) else np.zeros(0)
    found = [
        Feature(
            kind="slow outline",
            place_mm=_place(strokes.starts_mm[index]),
            size_mm=float(widths[index]),
            words=say("jobs.burnt_slower", mean=mean, set_speed=set_speed, times=set_speed / mean),
            energy_ratio=set_speed / mean,
        )
        for index, mean in zip(slow, means[slow].tolist(), strict=True)
    ]
    found.sort(key=_worst_first)
    power, passes = setting.power_pct, setting.passes
    for i, feature in enumerate(found[:LISTED] if region is not None else ()):
        assert region is not None
        there, elsewhere = (
            float(region.chance_char_at_most(1, power, set_speed / ratio, passes))
            for ratio in (feature.energy_ratio, 1.0)
        )
        chances = say("jobs.chance_of_tan_or_cleaner", there=there, elsewhere=elsewhere)
        found[i] = replace(feature, words=f"{feature.words} {chances}")
    return found


def _place(point: Floats) -> tuple[float, float]:
    return round(float(point[0]), 2), round(float(point[1]), 2)
