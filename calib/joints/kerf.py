"""Kerf from the measured size of ordinary coupons, and how it grows with the line energy.

A coupon is one kerf smaller than drawn, in width and in height. A caliper laid over its whole
thickness touches the wider face, so this is the kerf where it is narrowest: the one that counts
for fits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.joints.caliper import Caliper, Estimate, Scatter, scatter_of
from calib.physics import delivered_power_w, line_energy_j_mm
from calib.records import Cell, Machine, Reading, Setting
from calib.texts.say import say

Array = npt.NDArray[np.float64]

# What is believed of the growth before anything is measured: so much kerf for each e-fold of the
# line energy, and its standard deviation [mm]. A guess; the sign is as Hata (1999) found for MDF.
GROWTH_MM, GROWTH_SD_MM = 0.06, 0.06
# A kerf outside this range is a slip in reading or in the cell's name [mm].
PLAUSIBLE_MM = (-0.2, 2.0)
_NOISE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class KerfPoint:
    """Kerf of one setting."""

    setting: Setting  # at which the coupons were cut
    line_energy_j_mm: float  # delivered power / speed × passes [J/mm]
    kerf: Estimate  # from all its coupons
    # readings of each measured side, as drawn minus measured [mm]
    places: tuple[tuple[float, ...], ...]


def kerf_from_coupons(
    machine: Machine,
    readings: Iterable[Reading],
    cells: Sequence[Cell],
    *,
    caliper: Caliper | None = None,
) -> tuple[KerfPoint, ...]:
    """Work out the kerf of each setting from coupons of a test board."""
    by_label = {cell.label: cell for cell in cells}
    # Kerfs of each measured side; repeats of a side together.
    sides: dict[tuple[str, str], list[float]] = {}
    for reading in readings:
        cell = by_label.get(reading.cell)
        if cell is None:
            cells_are = ", ".join(by_label)
            raise InvalidRecord(say("joints.no_such_cell", reading=reading, cells=cells_are))
        for side in ("width_mm", "height_mm"):
            measured = getattr(reading, side)
            if measured is not None:
                where = f"Reading.{side} of {reading.cell}"
                kerf = kerf_of(measured, getattr(cell, side), where, part=True)
                sides.setdefault((reading.cell, side), []).append(kerf)
    by_setting: dict[Setting, list[tuple[float, ...]]] = {}
    for (label, _), kerfs in sides.items():
        by_setting.setdefault(by_label[label].setting, []).append(tuple(kerfs))
    scatter = scatter_of(by_setting.values(), caliper)
    points = [
        KerfPoint(
            setting=setting,
            line_energy_j_mm=total_line_energy_j_mm(machine, setting),
            kerf=scatter.mean(places, outside=-1.0),
            places=tuple(places),
        )
        for setting, places in by_setting.items()
    ]
    return tuple(sorted(points, key=lambda p: (p.line_energy_j_mm, p.setting.power_pct)))


def kerf_of(measured_mm: float, drawn_mm: float, where: str, *, part: bool) -> float:
    """Difference of drawn and measured width, checked for slips."""
    kerf = drawn_mm - measured_mm if part else measured_mm - drawn_mm
    if not PLAUSIBLE_MM[0] <= kerf <= PLAUSIBLE_MM[1]:
        ends = sorted(drawn_mm - k if part else drawn_mm + k for k in PLAUSIBLE_MM)
        raise InvalidRecord(
            say("joints.is_drawn", where=where, measured=measured_mm, drawn=drawn_mm, ends=ends)
        )
    return kerf


def total_line_energy_j_mm(machine: Machine, setting: Setting) -> float:
    """Line energy of all passes of a setting."""
    watts = delivered_power_w(machine, setting.power_pct)
    return float(line_energy_j_mm(watts, setting.speed_mm_s)) * setting.passes


@dataclass(frozen=True, slots=True, kw_only=True)
class KerfLaw:
    """Kerf against line energy; plain numbers, so that it can be kept with a region."""

    middle_j_mm: float  # line energy at which kerf holds [J/mm]
    kerf: Estimate  # there
    growth_mm: float  # more kerf for each e-fold of line energy, and its standard uncertainty [mm]
    growth_sd_mm: float
    growth_covariance_mm2: float  # of kerf and growth [mm²]
    low_j_mm: float  # least and most line energy that was measured [J/mm]
    high_j_mm: float
    learned: float  # growth_sd_mm over what it was before anything was measured [1]
    notes: tuple[str, ...] = ()

    def at(self, line_energy_j_mm: float) -> Estimate:
        """Kerf at a line energy, all passes together."""
        if not (math.isfinite(line_energy_j_mm) and line_energy_j_mm > 0.0):
            raise InvalidRecord(say("joints.line_energy", line_energy_j_mm=line_energy_j_mm))
        steps = math.log(line_energy_j_mm / self.middle_j_mm)
        variance = self.kerf.random_mm**2 + (steps * self.growth_sd_mm) ** 2
        variance += 2.0 * steps * self.growth_covariance_mm2
        value = self.kerf.value_mm + steps * self.growth_mm
        return replace(self.kerf, value_mm=value, random_mm=math.sqrt(variance))

    def at_setting(self, machine: Machine, setting: Setting) -> Estimate:
        """Kerf at a setting of a machine; see ``at``."""
        return self.at(total_line_energy_j_mm(machine, setting))

    def tested(self, line_energy_j_mm: float) -> bool:
        """Say whether a line energy lies within what was measured."""
        return self.low_j_mm * (1 - _NOISE) <= line_energy_j_mm <= self.high_j_mm * (1 + _NOISE)


def kerf_by_energy(points: Sequence[KerfPoint], *, caliper: Caliper | None = None) -> KerfLaw:
    """Fit the kerf against the logarithm of the line energy.

    Notes
    -----
    kerf = a + b ln(E / E₀), by least squares with every measured side counted once, and
    b ~ N(0.06 mm, 0.06 mm) before (a guess), so that coupons of one energy are enough to start.
    A beam of Gaussian profile that removes what gets more than a threshold widens with the
    logarithm of the energy [1]_. Passes are counted together.

    References
    ----------
    .. [1] Liu J.M. (1982) Simple technique for measurements of pulsed Gaussian-beam spot sizes.
       Optics Letters 7(5):196-198 (from memory; there the square of the width).
    """
    if not points:
        raise NotEnoughEvidence(say("joints.no_coupon_was_measured"))
    rows = sorted((math.log(p.line_energy_j_mm), place) for p in points for place in p.places)
    places = [place for _, place in rows]
    x = np.array([energy for energy, _ in rows])
    # Twice: the first line serves to see how far the places scatter about it.
    guess = scatter_of([[place] for place in places], caliper)
    _, slope, _ = _line(x, places, guess)
    left = [[k - along for k in place] for place, along in zip(places, slope * x, strict=True)]
    scatter = scatter_of([left], caliper, fitted=2)
    value, slope, covariance = _line(x, places, scatter)
    growth_sd = math.sqrt(covariance[1, 1])
    learned = growth_sd / GROWTH_SD_MM
    notes = [say("joints.measured_over_whole_thickness")]
    if learned > 0.8:
        notes.append(say("joints.how_kerf_grows_with_energy", growth_mm=GROWTH_MM))
    if len(places) < 4:
        notes.append(say("joints.few_sides_were_measured"))
    kerf = Estimate(
        value_mm=value,
        random_mm=math.sqrt(covariance[0, 0]),
        degrees=scatter.of_mean(places)[1],
        outside=-1.0,
        limit_mm=scatter.caliper.limit_mm,
    )
    return KerfLaw(
        middle_j_mm=math.exp(float(x.mean())),
        kerf=kerf,
        growth_mm=slope,
        growth_sd_mm=growth_sd,
        growth_covariance_mm2=float(covariance[0, 1]),
        low_j_mm=min(p.line_energy_j_mm for p in points),
        high_j_mm=max(p.line_energy_j_mm for p in points),
        learned=learned,
        notes=tuple(notes),
    )


def _line(
    x: Array, places: Sequence[Sequence[float]], scatter: Scatter
) -> tuple[float, float, Array]:
    """Kerf at the mean of x, growth, and their covariance (2, 2)."""
    weight = np.array([scatter.of_mean([place])[0] ** -2 for place in places])
    means = np.array([sum(place) / len(place) for place in places])
    design = np.stack([np.ones_like(x), x - x.mean()], axis=1)
    precision = design.T @ (weight[:, None] * design) + np.diag([0.0, GROWTH_SD_MM**-2])
    pull = design.T @ (weight * means) + np.array([0.0, GROWTH_MM * GROWTH_SD_MM**-2])
    covariance = np.linalg.inv(precision)
    value, slope = covariance @ pull
    return float(value), float(slope), np.asarray(covariance)
