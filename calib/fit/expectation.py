"""What a family's expected response means as a prior for one machine and sheet."""

from __future__ import annotations

import math
from dataclasses import replace

from calib.fit.priors import CutPrior, GradedPrior, Priors
from calib.materials import cut_energy_j_mm, expected_response
from calib.physics import delivered_power_w
from calib.records import Machine, Operation, Sheet

# The reference speed of a cut is where the edge is expected at this share of full power: there the
# conduction share f has its prior. Within most machines' ceiling (common practice, no source).
_REFERENCE_SHARE = 0.6
# The same for marks, which take little power (common practice, no source: a line scored at 15 %).
_MARK_SHARE = 0.2
# Line pitch at which the areal dose of the table is meant [mm].
_REFERENCE_PITCH_MM = 0.1
# Light only comes from above a threshold, so a lower setting gives less than its share: the power
# exponent is a little above 1 unless the curve was measured (laser theory; the size from own
# simulations with dead zones of 0 to 8 %).
_EXPONENT_MEAN = 1.06
# A measured power curve leaves less doubt of the exponent than the rated watts do (from memory:
# power meters read to a few per cent).
_MEASURED_EXPONENT_SD = 0.03


def _reference_speed(power_w: float, energy_j_mm: float, machine: Machine) -> float:
    return min(max(power_w / energy_j_mm, 1.0), machine.max_speed_mm_s)


def _exponent(machine: Machine, usual_sd: float) -> tuple[float, float]:
    """Mean and sd of the power exponent."""
    return (1.0, _MEASURED_EXPONENT_SD) if machine.power_curve else (_EXPONENT_MEAN, usual_sd)


def cut_prior(machine: Machine, sheet: Sheet) -> CutPrior:
    """Prior of the cut on a machine and sheet, from the family's table alone.

    Parameters
    ----------
    machine, sheet
        For whom.

    Returns
    -------
    CutPrior
        Location: ln of expected energy × reference speed.
    """
    response = expected_response(sheet.material, machine.source)
    energy = cut_energy_j_mm(response, sheet)
    full = float(delivered_power_w(machine, 100.0))
    speed0 = _reference_speed(_REFERENCE_SHARE * full, energy, machine)
    usual = CutPrior(location=0.0)
    mean, sd = _exponent(machine, usual.exponent_sd)
    return replace(
        usual,
        # The table's watts are nominal ones at the reference power.
        location=math.log(energy * speed0) + (mean - 1.0) * math.log(_REFERENCE_SHARE),
        location_scale=response.severance_scale_ln,
        speed0_mm_s=speed0,
        exponent_mean=mean,
        exponent_sd=sd,
        defects_per_m=response.defects_per_m,
    )


def char_prior(machine: Machine, sheet: Sheet) -> GradedPrior:
    """Prior of char on a machine and sheet: tan turns brown so far above the edge of the cut.

    Parameters
    ----------
    machine, sheet
        For whom.

    Returns
    -------
    GradedPrior
        Its spread holds both the doubt of the edge and that of the excess.
    """
    response = expected_response(sheet.material, machine.source)
    cut = cut_prior(machine, sheet)
    usual = GradedPrior(location=0.0)
    return replace(
        usual,
        location=cut.location + response.char_excess_ln,
        location_scale=math.hypot(cut.location_scale, response.char_scale_ln),
        speed0_mm_s=cut.speed0_mm_s,
        exponent_mean=cut.exponent_mean,
        exponent_sd=cut.exponent_sd,
    )


def mark_prior(machine: Machine, sheet: Sheet, operation: Operation) -> GradedPrior:
    """Prior of a line or area mark; the table's dose is the middle of grade 2.

    Parameters
    ----------
    machine, sheet
        For whom.
    operation
        ``line_mark`` or ``area_mark``.

    Returns
    -------
    GradedPrior
        Location: ln of the power at the reference speed and pitch, half a grade below the middle.
    """
    response = expected_response(sheet.material, machine.source)
    if operation == "line_mark":
        energy, scale = response.line_mark_j_mm, response.line_mark_scale_ln
    else:
        energy = response.area_dose_j_mm2 * _REFERENCE_PITCH_MM
        scale = response.area_scale_ln
    full = float(delivered_power_w(machine, 100.0))
    speed0 = _reference_speed(_MARK_SHARE * full, energy, machine)
    usual = GradedPrior(location=0.0)
    mean, sd = _exponent(machine, usual.exponent_sd)
    clear = math.log(energy * speed0) - 0.5 * math.exp(usual.width_ln)
    return replace(
        usual,
        location=clear + (mean - 1.0) * math.log(_MARK_SHARE),
        location_scale=scale,
        speed0_mm_s=speed0,
        pitch0_mm=_REFERENCE_PITCH_MM,
        exponent_mean=mean,
        exponent_sd=sd,
    )


def expected_priors(machine: Machine, sheet: Sheet, operation: Operation) -> Priors:
    """Priors of a pair from the family's table alone.

    Parameters
    ----------
    machine, sheet, operation
        For whom.

    Returns
    -------
    Priors
        Of cut and char, or of the mark.
    """
    if operation == "cut":
        return Priors(cut=cut_prior(machine, sheet), char=char_prior(machine, sheet))
    return Priors(mark=mark_prior(machine, sheet, operation))
