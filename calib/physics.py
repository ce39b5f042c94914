"""Pure formulas: delivered power, line and severance energy, spot of a lens, time of a move."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from calib.records import COUPON_CORNER_MM, COUPON_CUT_MM, COUPON_MM, Machine

Array = npt.NDArray[np.float64]

# Wavelength of the CO2 laser's usual line [mm] (10.6 um; ISO 11145 terms, any laser textbook).
CO2_WAVELENGTH_MM = 10.6e-3


def delivered_power_w(machine: Machine, power_pct: npt.ArrayLike) -> Array:
    """Watts at the work for a power typed at the machine [% of full], any shape.

    By its measured power curve if there is one, else rated watts × % / 100.

    Notes
    -----
    Between measured points the curve is straight; below the first and above the last the watts
    stay proportional to the per cent there.

    Examples
    --------
    >>> m = Machine(name="m", rated_w=60.0, bed_mm=(600.0, 400.0), max_speed_mm_s=400.0)
    >>> float(delivered_power_w(m, 50.0))
    30.0
    """
    pct = np.asarray(power_pct, dtype=float)
    if not machine.power_curve:
        return np.asarray(machine.rated_w * pct / 100.0)
    known_pct, known_w = (
        np.array(column, dtype=float) for column in zip(*machine.power_curve, strict=True)
    )
    share = np.interp(pct, known_pct, known_w / known_pct)
    inside = (pct >= known_pct[0]) & (pct <= known_pct[-1])
    return np.asarray(np.where(inside, np.interp(pct, known_pct, known_w), share * pct))


def line_energy_j_mm(power_w: npt.ArrayLike, speed_mm_s: npt.ArrayLike) -> Array:
    """Energy that a line takes per length, P / v [J/mm]; delivered power and speed broadcast.

    Examples
    --------
    >>> float(line_energy_j_mm(30.0, 10.0))
    3.0
    """
    return np.asarray(np.asarray(power_w, dtype=float) / np.asarray(speed_mm_s, dtype=float))


def severance_energy_j_mm2(
    power_w: npt.ArrayLike, speed_mm_s: npt.ArrayLike, thickness_mm: npt.ArrayLike
) -> Array:
    """Energy per area of the cut face, P / (v t) [J/mm²]; delivered power; arguments broadcast.

    References
    ----------
    .. [1] McMillin C.W., Harry J.E. (1971) Laser machining of southern pine. Forest Products
       Journal 21(10):35-37: 240 W, 41.95 mm/s through 6.35 mm.

    Examples
    --------
    >>> round(float(severance_energy_j_mm2(240.0, 41.95, 6.35)), 3)
    0.901
    """
    return np.asarray(line_energy_j_mm(power_w, speed_mm_s) / np.asarray(thickness_mm, dtype=float))


def areal_dose_j_mm2(
    power_w: npt.ArrayLike, speed_mm_s: npt.ArrayLike, line_pitch_mm: npt.ArrayLike
) -> Array:
    """Energy per area of a surface of close lines, P / (v s) [J/mm²]; arguments broadcast.

    References
    ----------
    .. [1] Kudela J. et al. (2019) Acta Facultatis Xylologiae Zvolen 61(1), table 1: 45 W, 10 mm
       wide, 30 mm/s give 15.0 J/cm².

    Examples
    --------
    >>> round(float(areal_dose_j_mm2(45.0, 30.0, 10.0)) * 100.0, 1)
    15.0
    """
    return np.asarray(
        line_energy_j_mm(power_w, speed_mm_s) / np.asarray(line_pitch_mm, dtype=float)
    )


def move_time_s(
    distance_mm: npt.ArrayLike, speed_mm_s: npt.ArrayLike, acceleration_mm_s2: float
) -> Array:
    """Time of a straight move from rest to rest with constant acceleration [s].

    d/v + v/a if d ≥ v²/a, else 2 √(d/a).

    Examples
    --------
    >>> round(float(move_time_s(100.0, 400.0, 3000.0)), 6)
    0.383333
    """
    distance, speed = np.broadcast_arrays(
        np.asarray(distance_mm, dtype=float), np.asarray(speed_mm_s, dtype=float)
    )
    a = acceleration_mm_s2
    reaches = distance >= speed**2 / a
    return np.asarray(np.where(reaches, distance / speed + speed / a, 2.0 * np.sqrt(distance / a)))


def mean_coupon_speed_mm_s(speed_mm_s: npt.ArrayLike, acceleration_mm_s2: float) -> Array:
    """Mean speed along the standard coupon's outline while the beam is on [mm/s], any shape.

    Notes
    -----
    Round a corner of radius r the head keeps to √(a r) (centripetal acceleration at most a); on a
    side of length s it speeds up from there and slows down again. Start and stop are left out:
    two ramps of v²/2a on a path of 59 mm.

    Examples
    --------
    >>> float(mean_coupon_speed_mm_s(20.0, 3000.0))
    20.0
    """
    speed = np.asarray(speed_mm_s, dtype=float)
    a = acceleration_mm_s2
    side = COUPON_MM - 2.0 * COUPON_CORNER_MM
    corner = np.minimum(speed, np.sqrt(a * COUPON_CORNER_MM))
    peak = np.minimum(speed, np.sqrt(corner**2 + a * side))
    ramps = (peak**2 - corner**2) / a
    side_time = 2.0 * (peak - corner) / a + (side - ramps) / peak
    corner_time = 0.5 * math.pi * COUPON_CORNER_MM / corner
    return np.asarray(COUPON_CUT_MM / (4.0 * (side_time + corner_time)))


def run_up_mm(speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Dark path before a mark in which the head reaches its speed, a fifth more than needed [mm].

    1.2 v² / 2a.

    Examples
    --------
    >>> run_up_mm(100.0, 3000.0)
    2.0
    """
    return 1.2 * speed_mm_s**2 / (2.0 * acceleration_mm_s2)


def spot_mm(lens_mm: float, beam_mm: float, beam_quality: float = 1.2) -> float:
    """Diameter of the focal spot of a CO2 beam, without aberration: 4 M² λ f / (π D) [mm].

    D is the beam's diameter at the lens; M² = 1.2 is assumed for a sealed tube (from memory) [1]_.

    References
    ----------
    .. [1] ISO 11146-1, definitions (from memory).

    Examples
    --------
    >>> round(spot_mm(50.8, 7.0), 4)
    0.1175
    """
    return 4.0 * beam_quality * CO2_WAVELENGTH_MM * lens_mm / (math.pi * beam_mm)


def mean_width_mm(spot_mm: float, thickness_mm: float, beam_quality: float = 1.2) -> float:
    """Mean diameter of a CO2 beam within a sheet, focused in its middle [mm].

    Mean of d √(1 + (z / z_R)²) over the thickness, z_R = π d² / (4 M² λ) [1]_.

    References
    ----------
    .. [1] ISO 11146-1, definitions (from memory).

    Examples
    --------
    >>> round(mean_width_mm(0.1175, 0.001), 4), round(mean_width_mm(0.1175, 6.0), 4)
    (0.1175, 0.2478)
    """
    rayleigh = math.pi * spot_mm**2 / (4.0 * beam_quality * CO2_WAVELENGTH_MM)
    away = 0.5 * thickness_mm / rayleigh
    return 0.5 * spot_mm * (math.hypot(1.0, away) + math.asinh(away) / away)
