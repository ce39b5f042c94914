"""What the advice on jobs asks of a fitted region of cuts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from calib.jobs.outlines import Floats
from calib.records import Machine


class CutRegion(Protocol):
    """Chances over settings; a region fitted from burns is one."""

    @property
    def machine(self) -> Machine:
        """The machine it holds for."""

    @property
    def defects_per_m(self) -> float:
        """Places where no power helps [1/m]."""

    def chance_through(
        self,
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike = 1,
        cut_length_mm: float | None = None,
    ) -> float | Floats:
        """Chance that a coupon, or a job of that length [mm], drops, defects not counted."""

    def chance_char_at_most(
        self,
        grade: int,
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike = 1,
    ) -> float | Floats:
        """Chance that a cut coupon is charred no worse than ``grade``."""


@runtime_checkable
class KnowsHanging(Protocol):
    """A region that also tells hanging from not cut."""

    def chance_at_least_hanging(
        self, power_pct: npt.ArrayLike, speed_mm_s: npt.ArrayLike, passes: npt.ArrayLike = 1
    ) -> float | Floats:
        """Chance that a coupon drops or hangs by a few fibres."""


@runtime_checkable
class KnowsGrades(Protocol):
    """A region that gives the mean over all char grades at once."""

    def mean_over_char(
        self,
        of_grade: Sequence[float],
        power_pct: npt.ArrayLike,
        speed_mm_s: npt.ArrayLike,
        passes: npt.ArrayLike = 1,
    ) -> float | Floats:
        """Mean of what each char grade of a coupon that was cut stands for."""


def as_floats(value: float | Floats) -> Floats:
    """A chance as an array, whatever its shape."""
    return np.asarray(value, dtype=float)
