"""What is asked of a drawing, and what is said of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from calib.jobs.costs import Costs, PricedSetting
from calib.jobs.drawing import ClassesBy
from calib.jobs.features import SmallFeatures
from calib.jobs.job_promise import JobPromise
from calib.jobs.job_time import JobTime
from calib.records import Operation, Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class JobWish:
    """What is to be burnt, and what is asked of it."""

    # For each class of the drawing its operation, or None to leave it out. Empty: only the classes
    # are told.
    operations: Mapping[str, Operation | None] = field(default_factory=dict)
    classes_by: ClassesBy = "colour"  # ``colour`` or ``group``
    # Setting of the cuts; None: the one that was settled on, else the cheapest
    cut: Setting | None = None
    # Settings of classes that aren't cut, by name; one without takes what was settled on for its
    # operation
    marks: Mapping[str, Setting] = field(default_factory=dict)
    # parts, sheets: Parts that it yields (None: counted), and sheets that it uses up
    parts: int | None = None
    sheets: float = 1.0
    price: float | None = None  # What the customer pays [money]; None when not known
    # reliability, char_at_most: What cheapest, fastest and cleanest keep to; None: what was
    # promised of the settled setting, else 0.99 and any char
    reliability: float | None = None
    char_at_most: int | None = None


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
