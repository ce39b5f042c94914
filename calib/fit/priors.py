"""What is believed before any burn, as records of plain numbers with their reasons."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from calib.records import Machine, Operation, Sheet

# Chance that a result is misread or mistyped (common practice, no source). It stands in the
# likelihood only, never in a promise.
MISREAD = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class CutPrior:
    """Prior of the cut model.

    Parameters
    ----------
    location, location_scale, location_df
        Student t of α, the ln power needed at ``speed0_mm_s`` [ln W], [-], [-].
    speed0_mm_s
        Reference speed [mm/s].
    floor_a, floor_b
        Beta of f, the share of the power at the reference speed that conduction loses.
    exponent_mean, exponent_sd
        Normal of the power exponent k, pivoted at full power.
    scatter_ln, scatter_ln_sd
        Normal of ln σ, the scatter from coupon to coupon [ln W].
    band_ln, band_ln_sd
        Normal of ln δ, the width of the "hanging" band [ln W].
    passes_mean, passes_sd
        Normal of κ, the exponent of the number of passes.
    shared_scale
        Scale of the half-normal of τ, what a whole sheet or session shares [ln W].
    lot_scale
        Scale of the Student t, 4 degrees, of what a lot has to itself, so that two lots differ by
        some 0.07 (common practice, no source) [ln W].
    defects_per_m
        Places where no power helps: knots, glue pockets [1/m].
    """

    location: float
    location_scale: float = 0.4
    location_df: float = 4.0
    speed0_mm_s: float = 10.0
    floor_a: float = 3.0
    floor_b: float = 12.0
    exponent_mean: float = 1.0
    exponent_sd: float = 0.1
    scatter_ln: float = math.log(0.05)
    scatter_ln_sd: float = 0.4
    band_ln: float = math.log(0.06)
    band_ln_sd: float = 0.6
    passes_mean: float = 0.8
    passes_sd: float = 0.15
    shared_scale: float = 0.05
    lot_scale: float = 0.05
    defects_per_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedPrior:
    """Prior of a graded response: char given cut, or a surface mark.

    Parameters
    ----------
    location, location_scale, location_df
        Student t of the ln power at which grade 1 turns into grade 2 at ``speed0_mm_s``
        (and ``pitch0_mm``) [ln W], [-], [-].
    speed0_mm_s, pitch0_mm
        Reference speed [mm/s] and line pitch [mm].
    speed_mean, speed_sd
        Normal of the exponent of speed (1 means line energy alone decides).
    pitch_mean, pitch_sd
        Normal of the exponent of the line pitch (1 means areal dose alone decides).
    passes_mean, passes_sd
        Normal of the exponent of the number of passes.
    exponent_mean, exponent_sd
        Normal of the power exponent, pivoted at full power.
    scatter_ln, scatter_ln_sd
        Normal of the ln scatter from cell to cell [ln W].
    width_ln, width_ln_sd
        Normal of the ln width of each inner grade [ln W].
    start_most, start_mean, start_sd
        The share of full power at which the beam starts is ``start_most`` Φ(z), z normal; 0 where
        the power exponent alone stands for it [-], [-], [-].
    pivot
        Share of full power at which delivered power counts as nominal, whatever the start [-].
    """

    location: float
    location_scale: float = 0.6
    location_df: float = 4.0
    speed0_mm_s: float = 10.0
    pitch0_mm: float = 0.1
    speed_mean: float = 1.0
    speed_sd: float = 0.25
    pitch_mean: float = 1.0
    pitch_sd: float = 0.25
    passes_mean: float = 0.6
    passes_sd: float = 0.2
    exponent_mean: float = 1.0
    exponent_sd: float = 0.1
    scatter_ln: float = math.log(0.15)
    scatter_ln_sd: float = 0.4
    width_ln: float = math.log(0.35)
    width_ln_sd: float = 0.5
    start_most: float = 0.0
    start_mean: float = 0.0
    start_sd: float = 1.0
    pivot: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is believed of a pair before its burns; None where the operation has no such model."""

    cut: CutPrior | None = None
    char: GradedPrior | None = None
    mark: GradedPrior | None = None
    notes: tuple[str, ...] = ()


class PriorSource(Protocol):
    """What the whole logbook teaches: it betters the family's expectation of a pair."""

    def priors(
        self, machine: Machine, sheet: Sheet, operation: Operation, expected: Priors
    ) -> Priors:
        """Priors of a pair, given what its family's table expects."""
        ...
