"""What is asked of a drawing, and what is said of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from calib.advise.costs import Costs, PricedSetting
from calib.advise.drawing import ClassesBy
from calib.advise.features import SmallFeatures
from calib.advise.job_promise import JobPromise
from calib.advise.job_time import JobTime
from calib.records import Operation, Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class JobWish:
    """What is to be burnt, and what is asked of it.

    Parameters
    ----------
    operations
        For each class of the drawing its operation, or None to leave it out. Empty: only the
        classes are told.
    classes_by
        ``colour`` or ``group``.
    cut
        Setting of the cuts; None: the one that was settled on, else the cheapest.
    marks
        Settings of classes that aren't cut, by name; one without takes what was settled on for its
        operation.
    parts, sheets
        Parts that it yields (None: counted), and sheets that it uses up.
    price
        What the customer pays [money]; None when not known.
    reliability, char_at_most
        What cheapest, fastest and cleanest keep to; None: what was promised of the settled setting,
        else 0.99 and any char.
    """

    operations: Mapping[str, Operation | None] = field(default_factory=dict)
    classes_by: ClassesBy = "colour"
    cut: Setting | None = None
    marks: Mapping[str, Setting] = field(default_factory=dict)
    parts: int | None = None
    sheets: float = 1.0
    price: float | None = None
    reliability: float | None = None
    char_at_most: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassLine:
    """One class of a drawing.

    Parameters
    ----------
    name, operation, setting
        What is burnt how; None where that isn't said.
    length_mm, strokes, closed
        Path [mm], how many lines, how many of them closed.
    """

    name: str
    operation: Operation | None
    setting: Setting | None
    length_mm: float
    strokes: int
    closed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class JobReport:
    """What a drawing means at a setting.

    Parameters
    ----------
    classes
        Its classes.
    size_mm
        Width and height of what is drawn [mm].
    setting, chosen
        Setting of the cuts and why that one; None without cuts or without one.
    time
        Time of the job; None while no class has an operation.
    promise
        Pushes of the whole job; None without a fitted cut.
    prices
        The setting next to the cheapest, the fastest and the cleanest.
    costs
        What they were reckoned with.
    features
        Small features; None without cuts.
    cost_curve
        Speeds at the setting's power and passes [mm/s], and parts of the cost there [money].
    notes
        What the user must know.
    """

    classes: tuple[ClassLine, ...]
    size_mm: tuple[float, float]
    setting: Setting | None = None
    chosen: str = ""
    time: JobTime | None = None
    promise: JobPromise | None = None
    prices: tuple[PricedSetting, ...] = ()
    costs: Costs | None = None
    features: SmallFeatures | None = None
    cost_curve: tuple[tuple[float, ...], Mapping[str, tuple[float, ...]]] | None = None
    notes: tuple[str, ...] = ()
