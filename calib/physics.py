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
    """Watts at the work for a power typed at the machine.

    Parameters
    ----------
    machine
        Its measured power curve is used if there is one, else rated watts × % / 100.
    power_pct
        Power, any shape [% of full].

    Returns
    -------
    numpy.ndarray
        Delivered power, same shape [W].

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
    """Energy that a line takes per length: delivered power / speed.

    Parameters
    ----------
    power_w
        Delivered power, any shape [W].
    speed_mm_s
        Speed, broadcast against it [mm/s].

    Returns
    -------
    numpy.ndarray
        Line energy [J/mm].

    Examples
    --------
    >>> float(line_energy_j_mm(30.0, 10.0))
    3.0
    """
    return np.asarray(np.asarray(power_w, dtype=float) / np.asarray(speed_mm_s, dtype=float))


def severance_energy_j_mm2(
    power_w: npt.ArrayLike, speed_mm_s: npt.ArrayLike, thickness_mm: npt.ArrayLike
) -> Array:
    """Energy per area of the cut face: P / (v t).

    Parameters
    ----------
    power_w
        Delivered power, any shape [W].
    speed_mm_s, thickness_mm
        Speed and thickness, broadcast against it [mm/s], [mm].

    Returns
    -------
    numpy.ndarray
        Severance energy [J/mm²].

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
    """Energy per area of a surface of close lines: P / (v s).

    Parameters
    ----------
    power_w
        Delivered power, any shape [W].
    speed_mm_s, line_pitch_mm
        Speed and distance of the lines, broadcast against it [mm/s], [mm].

    Returns
    -------
    numpy.ndarray
        Areal dose [J/mm²].

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


def peak_speed_mm_s(
    distance_mm: npt.ArrayLike, speed_mm_s: npt.ArrayLike, acceleration_mm_s2: float
) -> Array:
    """Highest speed of a move from rest to rest.

    Parameters
    ----------
    distance_mm
        Length of the move, any shape [mm].
    speed_mm_s
        Speed as set, broadcast against it [mm/s].
    acceleration_mm_s2
        Acceleration [mm/s²].

    Returns
    -------
    numpy.ndarray
        min(v, √(a d)) [mm/s].

    Examples
    --------
    >>> round(float(peak_speed_mm_s(0.5, 300.0, 2000.0)), 3)
    31.623
    """
    distance, speed = np.broadcast_arrays(
        np.asarray(distance_mm, dtype=float), np.asarray(speed_mm_s, dtype=float)
    )
    return np.asarray(np.minimum(speed, np.sqrt(acceleration_mm_s2 * distance)))


def move_time_s(
    distance_mm: npt.ArrayLike, speed_mm_s: npt.ArrayLike, acceleration_mm_s2: float
) -> Array:
    """Time of a straight move from rest to rest with constant acceleration.

    Parameters
    ----------
    distance_mm
        Length of the move, any shape [mm].
    speed_mm_s
        Speed as set, broadcast against it [mm/s].
    acceleration_mm_s2
        Acceleration [mm/s²].

    Returns
    -------
    numpy.ndarray
        d/v + v/a if d ≥ v²/a, else 2 √(d/a) [s].

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
    """Mean speed along the standard coupon's outline while the beam is on.

    Parameters
    ----------
    speed_mm_s
        Speed as set, any shape [mm/s].
    acceleration_mm_s2
        Acceleration [mm/s²].

    Returns
    -------
    numpy.ndarray
        Mean speed, same shape [mm/s].

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
    """Dark path before a mark in which the head reaches its speed.

    Parameters
    ----------
    speed_mm_s
        Speed as set [mm/s].
    acceleration_mm_s2
        Acceleration [mm/s²].

    Returns
    -------
    float
        1.2 v² / 2a, a fifth more than needed [mm].

    Examples
    --------
    >>> run_up_mm(100.0, 3000.0)
    2.0
    """
    return 1.2 * speed_mm_s**2 / (2.0 * acceleration_mm_s2)


def spot_mm(lens_mm: float, beam_mm: float, beam_quality: float = 1.2) -> float:
    """Diameter of the focal spot of a CO2 beam, without aberration.

    Parameters
    ----------
    lens_mm
        Focal length [mm].
    beam_mm
        Beam diameter at the lens [mm].
    beam_quality
        M² of the beam; 1.2 is assumed for a sealed tube (from memory).

    Returns
    -------
    float
        4 M² λ f / (π D) [mm].

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
    """Mean diameter of a CO2 beam within a sheet, focused in its middle.

    Parameters
    ----------
    spot_mm
        Diameter of the focal spot [mm].
    thickness_mm
        Thickness of the sheet [mm].
    beam_quality
        M² of the beam, as in ``spot_mm``.

    Returns
    -------
    float
        Mean of d √(1 + (z / z_R)²) over the thickness, z_R = π d² / (4 M² λ) [mm].

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
