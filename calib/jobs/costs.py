"""Money: what a job costs on average at a setting, and what each part of that is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from calib.errors import InvalidRecord, shown
from calib.jobs.cut_region import CutRegion, KnowsGrades, KnowsHanging, as_floats
from calib.jobs.job import Job
from calib.jobs.job_time import START_UP_S, CutTimes
from calib.jobs.outlines import Floats
from calib.records import CHAR_WORDS, COUPON_CUT_MM, Setting

_HOUR_S = 3600.0
_MOST = 1e9
_LONGEST_CURRENCY = 20


class Guess(float):
    """A number that nobody gave: it stands until the user says better."""


class GuessedGrades(tuple[float, ...]):
    """Numbers for the char grades that nobody gave."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What time, parts and sheets cost a workshop; asked once.

    Every default is a guess, so that a first answer can be shown; ``guessed`` names the fields
    that still hold one. Money is in one currency throughout, whichever it is.
    """

    # An hour of the machine: tube, power, room, and whoever stays with it [money/h]
    machine_hour: float = Guess(15.0)
    labour_hour: float = Guess(25.0)  # An hour of handwork: pushing out, sanding [money/h]
    seconds_per_push: float = Guess(20.0)  # To push or cut out one hanging place [s]
    # A part that is lost and cut again: material, time, bother [money]
    recut_part: float = Guess(3.0)
    # Share of the parts with a failing place that are lost rather than pushed out; only used where
    # the region can't tell hanging from not cut [0 to 1]
    recut_share: float = Guess(0.1)
    # Handwork for a metre of cut at each char grade, 0 to 4 [s/m]
    cleaning_s_per_m: tuple[float, ...] = GuessedGrades((0.0, 0.0, 15.0, 40.0, 120.0))
    sheet_price: float = Guess(8.0)  # A sheet [money]
    # Laying down, focusing and framing for each load of the bed [s]
    start_up_s: float = Guess(START_UP_S)
    currency: str = ""  # Its name or sign, for the report

    def __post_init__(self) -> None:
        for name in (f.name for f in fields(self)):
            value = getattr(self, name)
            if name == "currency":
                if not isinstance(value, str) or len(value) > _LONGEST_CURRENCY:
                    raise InvalidRecord(
                        f"Costs.currency is {shown(value)}: give at most {_LONGEST_CURRENCY}"
                        " characters, such as € or EUR."
                    )
                continue
            if name == "cleaning_s_per_m":
                self._check_cleaning(value)
            elif not _is_amount(value, 1.0 if name == "recut_share" else _MOST):
                raise InvalidRecord(
                    f"Costs.{name} is {value!r}: give a number from 0 to"
                    f" {1.0 if name == 'recut_share' else _MOST:g}."
                )

    @staticmethod
    def _check_cleaning(value: object) -> None:
        good = isinstance(value, tuple) and len(value) == len(CHAR_WORDS)
        if not (good and all(_is_amount(v, _MOST) for v in value)):  # type: ignore[attr-defined]
            raise InvalidRecord(
                f"Costs.cleaning_s_per_m is {value!r}: give five numbers of at least 0, the"
                " seconds to clean a metre at char grades 0 to 4."
            )

    @property
    def guessed(self) -> tuple[str, ...]:
        """Names of the fields that hold a guess."""
        held = ((f.name, getattr(self, f.name)) for f in fields(self))
        return tuple(name for name, value in held if isinstance(value, (Guess, GuessedGrades)))


def _is_amount(value: object, most: float) -> bool:
    return (
        isinstance(value, (int, float))
        and not isinstance(value, bool)
        and math.isfinite(value)
        and 0.0 <= value <= most
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CostBreakdown:
    """Expected cost of a job at some settings; every field has the settings' shape."""

    # the parts: machine time, labour of pushes, parts cut again, cleaning, sheets [money]
    machine: Floats
    pushes: Floats
    recuts: Floats
    cleaning: Floats
    sheets: Floats
    total: Floats
    time_s: Floats  # machine time, start-up included [s]
    expected_pushes: Floats  # places that need a push or a knife, defects included
    notes: tuple[str, ...] = ()  # what the user must know: which costs are guesses

    @property
    def parts(self) -> dict[str, Floats]:
        """The parts by name, in the order in which a picture stacks them [money]."""
        return {
            "sheets": self.sheets,
            "machine time": self.machine,
            "cleaning": self.cleaning,
            "pushing out": self.pushes,
            "cutting again": self.recuts,
        }

    @property
    def cheapest(self) -> int:
        """Index of the cheapest setting, in the flattened order of the settings."""
        return int(np.nanargmin(self.total))


def expected_cost(
    region: CutRegion,
    job: Job,
    costs: Costs,
    power_pct: npt.ArrayLike,
    speed_mm_s: npt.ArrayLike,
    passes: npt.ArrayLike = 1,
    *,
    times: CutTimes | None = None,
) -> CostBreakdown:
    """Expected cost of a job when its cuts are burnt at each of some settings.

    Notes
    -----
    With p the chance of a coupon, L the length of cut, ℓ the coupon's and η defects per length:
    pushes L/ℓ (1 − p) + η L; parts in which a place fails, parts × (1 − P(L/parts) e^(−η L/parts)),
    P the region's own chance for that length, of which ``recut_share`` is lost; where the region
    tells hanging from not cut, h the chance to hang or drop, the parts lost are those with a place
    that isn't even hanging, at most parts × L/(parts ℓ) (1 − h). Means need no independence of
    places, so these are exact given the chances. Cleaning: Σ P(grade) × seconds × L.
    """
    power, speed, count = np.broadcast_arrays(
        np.asarray(power_pct, dtype=float),
        np.asarray(speed_mm_s, dtype=float),
        np.asarray(passes, dtype=float),
    )
    taken = times or CutTimes(job=job, machine=region.machine, start_up_s=costs.start_up_s)
    seconds = taken.seconds(speed, count)
    length = job.cut_length_mm
    failing = 1.0 - as_floats(region.chance_through(power, speed, count))
    pushes = failing * length / COUPON_CUT_MM + region.defects_per_m * length / 1000.0
    money_per_s = costs.labour_hour / _HOUR_S
    parts = (
        costs.machine_hour / _HOUR_S * seconds,
        money_per_s * costs.seconds_per_push * pushes,
        costs.recut_part * _expected_recuts(region, job, costs, (power, speed, count)),
        money_per_s * _cleaning_s(region, job, costs, (power, speed, count)),
        np.full(power.shape, costs.sheet_price * job.sheets),
    )
    notes: tuple[str, ...] = ()
    if costs.guessed:
        notes = (f"Guessed, not given: {', '.join(costs.guessed)}. The cost is as good as these.",)
    return CostBreakdown(
        machine=parts[0],
        pushes=parts[1],
        recuts=parts[2],
        cleaning=parts[3],
        sheets=parts[4],
        total=np.asarray(sum(parts)),
        time_s=seconds,
        expected_pushes=pushes,
        notes=taken.notes + notes,
    )


def _expected_recuts(
    region: CutRegion, job: Job, costs: Costs, at: tuple[Floats, Floats, Floats]
) -> Floats:
    length = job.cut_length_mm / job.parts
    if isinstance(region, KnowsHanging):
        lost = 1.0 - as_floats(region.chance_at_least_hanging(*at))
        return np.asarray(job.parts * np.minimum(lost * length / COUPON_CUT_MM, 1.0))
    sound = math.exp(-region.defects_per_m * length / 1000.0)
    whole = as_floats(region.chance_through(*at, cut_length_mm=length)) * sound
    return np.asarray(job.parts * costs.recut_share * (1.0 - whole))


def _cleaning_s(
    region: CutRegion, job: Job, costs: Costs, at: tuple[Floats, Floats, Floats]
) -> Floats:
    metres = job.cut_length_mm / 1000.0
    if isinstance(region, KnowsGrades):
        return metres * as_floats(region.mean_over_char(costs.cleaning_s_per_m, *at))
    below = np.zeros(at[0].shape)
    seconds = np.zeros(at[0].shape)
    for grade, per_m in enumerate(costs.cleaning_s_per_m):
        last = grade == len(costs.cleaning_s_per_m) - 1
        at_most = np.ones(below.shape)
        if not last:
            at_most = as_floats(region.chance_char_at_most(grade, *at))
        seconds = seconds + per_m * (at_most - below)
        below = at_most
    return np.asarray(seconds * metres)


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedSetting:
    """One setting with its cost, next to others."""

    name: str  # what it was chosen for: cheapest, fastest, cleanest
    setting: Setting
    parts: Mapping[str, float]  # parts of the cost by name [money]
    total: float
    minutes: float  # machine time, start-up included [min]
    expected_pushes: float  # places that need help
    # price less cost [money], and that of the price [%]; None without a price
    margin: float | None = None
    margin_pct: float | None = None


def price_settings(
    region: CutRegion,
    job: Job,
    costs: Costs,
    settings: Mapping[str, Setting],
    *,
    price: float | None = None,
    times: CutTimes | None = None,
) -> tuple[PricedSetting, ...]:
    """Put the costs of some settings of the cut side by side."""
    if price is not None and not (_is_amount(price, _MOST) and price > 0.0):
        raise InvalidRecord(f"the price is {price!r}: give a number above 0, or None.")
    priced = []
    for name, at in settings.items():
        cost = expected_cost(
            region, job, costs, at.power_pct, at.speed_mm_s, at.passes, times=times
        )
        total = float(cost.total)
        margin = None if price is None else price - total
        priced.append(
            PricedSetting(
                name=name,
                setting=at,
                parts={part: float(value) for part, value in cost.parts.items()},
                total=total,
                minutes=float(cost.time_s) / 60.0,
                expected_pushes=float(cost.expected_pushes),
                margin=margin,
                margin_pct=None if price is None or margin is None else 100.0 * margin / price,
            )
        )
    return tuple(priced)
