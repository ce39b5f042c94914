"""Money: what a job costs on average at a setting, and what each part of that is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.errors import InvalidRecord
from calib.jobs.cut_region import CutRegion, KnowsGrades, KnowsHanging, as_floats
from calib.jobs.job import Job
from calib.jobs.job_time import CutTimes
from calib.jobs.outlines import Floats
from calib.records import COUPON_CUT_MM, Costs, Setting
from calib.records.fields import fields_of

_HOUR_S = 3600.0
_MOST = 1e9


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
        words = [field.words for field in fields_of(Costs) if field.name in costs.guessed]
        notes = (f"Guessed, not given: {', '.join(words)}. The cost is as good as these.",)
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
    if price is not None and not (math.isfinite(price) and 0.0 < price <= _MOST):
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
