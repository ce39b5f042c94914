"""What is believed before any burn: records of plain numbers, from the tables of the families."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calib.materials import cut_energy_j_mm, expected_response
from calib.physics import delivered_power_w
from calib.records import AIRS, KINDS, Machine, Operation, Sheet

# Chance that a result is misread or mistyped (common practice, no source). It stands in the
# likelihood only, never in a promise.
MISREAD = 0.01
# What sets a burn apart from a coupon with the usual air: another air, and the straight cut of a
# stair. Each that some burn has adds an offset of its own to the ln power needed.
FACTORS = (*(f"air_{air}" for air in AIRS), "stair")
# The reference speed of a cut is where the edge is expected at this share of full power: there the
# conduction share f has its prior. Within most machines' ceiling (common practice, no source).
_REFERENCE_SHARE = 0.6
# So many times the energy it takes at the work is needed by the label of a CO2 laser whose power
# wasn't measured: tubes are sold a tenth or more above what they give, three mirrors and a lens
# take one or two hundredths each (from memory). How far labels differ is part of the location's
# scale. The table of marks is meant in watts by the label.
_BY_LABEL = 1.2
# The same for marks (judgement: a line that is scored with 7.5 W at 200 mm/s takes 15 to 40 % of a
# small laser at the speeds it is marked at).
_MARK_SHARE = 0.3
# Line pitch at which the areal dose of the table is meant [mm].
_REFERENCE_PITCH_MM = 0.1
# Light only comes from above a threshold, so a lower setting gives less than its share: the power
# exponent is a little above 1 unless the curve was measured (laser theory; the size from own
# simulations with dead zones of 0 to 8 %).
_EXPONENT_MEAN, _EXPONENT_SD = 1.06, 0.1
# A measured power curve leaves less doubt of the exponent than the rated watts do (from memory:
# power meters read to a few per cent).
_MEASURED_EXPONENT_SD = 0.03
# Marks lie so near to the start of the beam that it has a parameter of its own: anywhere from 0 to
# twice what is recorded, but never above this share of full power (judgement). What is left of the
# power curve is bent by as much either way.
_MARK_START_MOST = 0.4
_MARK_EXPONENT_SD = 0.1
# Grades of a mark are wide. On beech carbonisation is first noticed between 0.19 and 0.25 J/mm2,
# and is a whole layer between 0.375 and 0.75: a factor of 1.5 to 4 (Kudela2019). On maple 0.011 to
# 0.068 J/mm left marks that weren't called burned, three grades in a factor of 6 (GurauPetru2018):
# about two each. How far faces and grades differ: judgement.
_MARK_WIDTH_LN, _MARK_WIDTH_LN_SD = math.log(0.7), 0.35
# In laboratories depths of marks scatter by 5 to 7 % (grooves and rasters in acrylic: YuanDas2007);
# at a bench, where two people read, by up to three times that (judgement).
_MARK_SCATTER_LN, _MARK_SCATTER_LN_SD = math.log(0.11), 0.35
# The faster, the less heat is lost beside the line, so that less than the energy is needed; that
# dose alone decides (Kudela2024) is the upper end (how far below: judgement).
_MARK_SPEED, _MARK_SPEED_SD = 0.93, 0.12


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetPrior:
    """How much more power is needed by what differs from a coupon with the usual air [ln W].

    A cut without air is said to need from next to nothing to a third more, a diode's up to half,
    for smoke and flame stand in the beam; a mark hardly differs (common practice, no source). A
    stair has no corners and each step warms the next: which counts for more isn't known, so that
    it may be off either way (judgement, no source).
    """

    air_on_mean: float = 0.0
    air_on_sd: float = 0.1
    air_low_mean: float = 0.06
    air_low_sd: float = 0.08
    air_off_mean: float = 0.0
    air_off_sd: float = 0.1
    stair_mean: float = 0.0
    stair_sd: float = 0.07
    # Of what each stair has to itself, all its steps alike
    stair_own: float = 0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class CutPrior(OffsetPrior):
    """Prior of the cut model; ``_mean`` and ``_sd`` are those of a normal."""

    air_off_mean: float = 0.15
    air_off_sd: float = 0.15

    # Student t of α, the ln power needed at the reference speed [ln W], [mm/s]
    location: float
    location_scale: float = 0.4
    location_df: float = 4.0
    speed0_mm_s: float = 10.0
    # Beta of f, the share of the power at the reference speed that conduction loses
    floor_a: float = 3.0
    floor_b: float = 12.0
    # The power exponent k, pivoted at full power
    exponent_mean: float = 1.0
    exponent_sd: float = _EXPONENT_SD
    # ln σ, the scatter from coupon to coupon, and ln δ, the width of the "hanging" band [ln W]
    scatter_ln: float = math.log(0.05)
    scatter_ln_sd: float = 0.4
    band_ln: float = math.log(0.06)
    band_ln_sd: float = 0.6
    # κ, the exponent of the number of passes
    passes_mean: float = 0.8
    passes_sd: float = 0.15
    # Scale of the half-normal of τ, what a whole sheet or session shares [ln W]
    shared_scale: float = 0.05
    # Scale of the Student t, 4 degrees, of what a lot has to itself, so that two lots differ by
    # some 0.07 (common practice, no source) [ln W]
    lot_scale: float = 0.05
    # Places where no power helps: knots, glue pockets [1/m]
    defects_per_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedPrior(OffsetPrior):
    """Prior of a graded response: char given cut, or a surface mark; as of the cut."""

    # Student t of the ln power at which grade 1 turns into grade 2 at the reference speed (and line
    # pitch) [ln W], [mm/s], [mm]
    location: float
    location_scale: float = 0.6
    location_df: float = 4.0
    speed0_mm_s: float = 10.0
    pitch0_mm: float = 0.1
    # Exponents of speed (1: line energy alone decides), line pitch (1: areal dose alone decides),
    # number of passes, and power, pivoted at full power
    speed_mean: float = 1.0
    speed_sd: float = 0.25
    pitch_mean: float = 1.0
    pitch_sd: float = 0.25
    passes_mean: float = 0.6
    passes_sd: float = 0.2
    exponent_mean: float = 1.0
    exponent_sd: float = _EXPONENT_SD
    # ln scatter from cell to cell, and ln width of each inner grade [ln W]
    scatter_ln: float = math.log(0.15)
    scatter_ln_sd: float = 0.4
    width_ln: float = math.log(0.35)
    width_ln_sd: float = 0.5
    # The share of full power at which the beam starts is start_most Φ(z), z normal; 0 where the
    # power exponent alone stands for it. At the share ``pivot`` power counts as nominal.
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


def _reference_speed(power_w: float, energy_j_mm: float, machine: Machine) -> float:
    return min(max(power_w / energy_j_mm, 1.0), machine.max_speed_mm_s)


def _exponent(machine: Machine) -> tuple[float, float]:
    """Mean and sd of the power exponent."""
    return (1.0, _MEASURED_EXPONENT_SD) if machine.power_curve else (_EXPONENT_MEAN, _EXPONENT_SD)


def cut_prior(machine: Machine, sheet: Sheet) -> CutPrior:
    """Prior of the cut: its location is the ln of expected energy × reference speed."""
    response = expected_response(sheet.material, machine.source)
    energy = cut_energy_j_mm(response, sheet)
    if machine.source == "co2" and not machine.power_curve:
        energy *= _BY_LABEL
    full = float(delivered_power_w(machine, 100.0))
    speed0 = _reference_speed(_REFERENCE_SHARE * full, energy, machine)
    mean, sd = _exponent(machine)
    return CutPrior(
        # The table's watts are nominal ones at the reference power.
        location=math.log(energy * speed0) + (mean - 1.0) * math.log(_REFERENCE_SHARE),
        location_scale=response.severance_scale_ln,
        speed0_mm_s=speed0,
        exponent_mean=mean,
        exponent_sd=sd,
        scatter_ln_sd=response.scatter_scale_ln,
        defects_per_m=response.defects_per_m,
    )


def _char_prior(machine: Machine, sheet: Sheet) -> GradedPrior:
    """Prior of char: tan turns brown so far above the edge of the cut; both doubts are in it."""
    response = expected_response(sheet.material, machine.source)
    cut = cut_prior(machine, sheet)
    return GradedPrior(
        location=cut.location + response.char_excess_ln,
        location_scale=math.hypot(cut.location_scale, response.char_scale_ln),
        speed0_mm_s=cut.speed0_mm_s,
        exponent_mean=cut.exponent_mean,
        exponent_sd=cut.exponent_sd,
        # Without air a cut edge is about a grade blacker at the same energy (common practice, no
        # source): so much less is needed for the same grade.
        air_low_mean=-0.15,
        air_low_sd=0.2,
        air_off_mean=-0.35,
        air_off_sd=0.3,
    )


def _mark_prior(machine: Machine, sheet: Sheet, operation: Operation) -> GradedPrior:
    """Prior of a mark: the table's dose is the middle of grade 2, half a grade above the cut."""
    response = expected_response(sheet.material, machine.source)
    energy, scale = response.line_mark_j_mm, response.line_mark_scale_ln
    if KINDS[operation].shape == "area":
        energy, scale = response.area_dose_j_mm2 * _REFERENCE_PITCH_MM, response.area_scale_ln
    full = float(delivered_power_w(machine, 100.0))
    start = min(2.0 * machine.beam_starts_pct / 100.0, _MARK_START_MOST)
    pivot = max(_MARK_SHARE, 1.25 * start)
    speed0 = _reference_speed(pivot * full, energy, machine)
    return GradedPrior(
        location=math.log(energy * speed0) - 0.5 * math.exp(_MARK_WIDTH_LN),
        location_scale=scale,
        speed0_mm_s=speed0,
        pitch0_mm=_REFERENCE_PITCH_MM,
        speed_mean=_MARK_SPEED,
        speed_sd=_MARK_SPEED_SD,
        exponent_mean=1.0,
        exponent_sd=_MEASURED_EXPONENT_SD if machine.power_curve else _MARK_EXPONENT_SD,
        start_most=0.0 if machine.power_curve else start,
        pivot=pivot,
        scatter_ln=_MARK_SCATTER_LN,
        scatter_ln_sd=_MARK_SCATTER_LN_SD,
        width_ln=_MARK_WIDTH_LN,
        width_ln_sd=_MARK_WIDTH_LN_SD,
    )


def expected_priors(machine: Machine, sheet: Sheet, operation: Operation) -> Priors:
    """Priors of a pair from the family's table alone."""
    if operation == "cut":
        return Priors(cut=cut_prior(machine, sheet), char=_char_prior(machine, sheet))
    return Priors(mark=_mark_prior(machine, sheet, operation))
