"""What is asked of a drawing, and what is said of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from calib.jobs.costs import PricedSetting
from calib.jobs.features import SmallFeatures
from calib.jobs.job_promise import JobPromise
from calib.jobs.job_time import JobTime
from calib.records import Costs, Operation, Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassLine:
    """One class of a drawing."""

    # name, operation, setting: What is burnt how; None where that isn't said
    name: str
    operation: Operation | None
    setting: Setting | None
    # length_mm, strokes, closed: Path [mm], how many lines, how many of them closed
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
    promise: JobPromise | None = None  # Pushes of the whole job; None without a fitted cut
    # The setting next to the cheapest, the fastest and the cleanest
    prices: tuple[PricedSetting, ...] = ()
    costs: Costs | None = None  # What they were reckoned with
    features: SmallFeatures | None = None  # Small features; None without cuts
    # Speeds at the setting's power and passes [mm/s], and parts of the cost there [money]
    cost_curve: tuple[tuple[float, ...], Mapping[str, tuple[float, ...]]] | None = None
    notes: tuple[str, ...] = ()  # What the user must know
