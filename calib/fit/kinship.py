"""Which effects the pairs of a logbook share, and how large each usually is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.fit.another_speed import excess_at
from calib.fit.moments import Moments
from calib.fit.pair_summary import PairSummary, Response
from calib.fit.priors import FACTORS
from calib.fit.random_effects import Units
from calib.materials import family_of
from calib.names import split_words
from calib.physics import delivered_power_w, mean_width_mm, spot_mm
from calib.records import OPERATIONS, Machine, Sheet

Array = npt.NDArray[np.float64]
Key = tuple[object, ...]

FAMILY, MACHINE, PRODUCT, LOT, PAIR = range(5)
SPREADS = 5
# Of a score only those of families and of pairs can be learnt, all pairs of a book being burnt on a
# machine or two.
SCORE_FAMILY, SCORE_PAIR = range(2)
NONE = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """Usual standard deviations of what pairs share, of the ln power needed at a fixed speed."""

    # The table's own error, the same for all families of one kind of laser. Sheets were reported to
    # need up to twice the table's. With one machine only its sum with the machine's own can be
    # told: the larger this is, the less of it is put down to the machine
    world: float = 0.6
    # Of a machine with rated watts, and of one with a measured power curve
    machine: float = 0.13
    metered: float = 0.05
    # Between products of a family, lots of a product, and machines on one lot
    product: float = 0.12
    lot: float = 0.06
    pair: float = 0.03
    # Error of the family's slope in ln thickness, and how much it differs by machine
    thickness: float = 0.16
    machine_thickness: float = 0.06
    # Error of the slope in ln speed, beyond that of each pair's own curve
    speed: float = 0.06
    # Slope of the energy needed in the ln of the beam's width, known no better than this
    width_mean: float = 0.5
    width_sd: float = 0.2
    # Of a machine whose lens or beam isn't known, on top of all others
    unknown_width: float = 0.12


# Common practice, no source; set with tests/benchmarks/other_wattage.py on tuning seeds, and tried
# with tests/benchmarks/book.py, in workshops of other physics.
USUAL: dict[Response, Usual] = {
    **dict.fromkeys(OPERATIONS, Usual(world=0.12, machine=0.25, product=0.2, lot=0.1, pair=0.1)),
    "cut": Usual(),
    "char": Usual(machine=0.25, product=0.2, lot=0.1, pair=0.1),
}
# How much of a shape score's variance (1) is shared by all pairs, by a family, by a machine, and
# how much is the pair's own (common practice, no source). A power curve is the machine's; what a
# sheet loses to conduction is the sheet's; what the air does is told by its pump and its nozzle,
# what a stair does by how the machine takes corners; each stair has a part of its own besides.
SHARES: dict[str, tuple[float, float, float, float]] = {
    "floor": (0.2, 0.3, 0.1, 0.4),
    "exponent": (0.0, 0.1, 0.6, 0.3),
    "scatter": (0.4, 0.15, 0.15, 0.3),
    "band": (0.4, 0.1, 0.0, 0.5),
    "passes": (0.2, 0.4, 0.0, 0.4),
    "shared": (0.3, 0.0, 0.3, 0.4),
    "speed": (0.2, 0.4, 0.1, 0.3),
    "width": (0.3, 0.4, 0.0, 0.3),
    "pitch": (0.3, 0.4, 0.0, 0.3),
    "start": (0.0, 0.0, 0.9, 0.1),
    **dict.fromkeys(FACTORS, (0.3, 0.2, 0.3, 0.2)),
    "stair": (0.4, 0.1, 0.4, 0.1),
}
# Lens and beam of most small CO2 lasers (common practice, no source) [mm].
_USUAL_LENS_MM = (50.8, 6.5)
# Thickness at which the tables are meant [mm].
_MIDDLE_MM = 3.0
# A family's own part of the table's doubt never gets below this.
_LEAST_FAMILY_SD = 0.35


def machine_key(machine: Machine) -> Key:
    """What makes two records the same laser; a lens may be changed."""
    return machine.name, machine.rated_w, machine.source


def product_key(sheet: Sheet) -> Key:
    """What makes two sheets the same product, whatever the lot."""
    return sheet.name.casefold(), split_words(sheet.material), sheet.thickness_mm


def lot_key(sheet: Sheet) -> Key:
    """What makes two sheets the same lot."""
    return *product_key(sheet), sheet.lot


def pair_key(machine: Machine, sheet: Sheet) -> Key:
    """What makes two records the same pair."""
    return *machine_key(machine), machine.lens_mm, machine.beam_mm, *lot_key(sheet)


def ln_width(machine: Machine, thickness_mm: float) -> float | None:
    """How much wider the beam is within a sheet than behind a usual lens, as a logarithm.

    None when lens or beam isn't known, or for a diode.
    """
    if machine.source != "co2" or machine.lens_mm is None or machine.beam_mm is None:
        return None
    spots = spot_mm(machine.lens_mm, machine.beam_mm), spot_mm(*_USUAL_LENS_MM)
    here, usual = (mean_width_mm(spot, thickness_mm) for spot in spots)
    return float(np.log(here / usual))


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """For whom a prior is sought, the speed at which pairs are compared, the table's doubt."""

    machine: Machine
    sheet: Sheet
    speed_mm_s: float
    table_variance: float


def at_speed(summary: PairSummary, machine: Machine, speed_mm_s: float) -> Moments:
    """Excess of a pair as it would be on another machine's power and at another speed [mm/s].

    Of a weaker machine the same watts are a larger share, where its curve gives more of what is
    set.
    """
    ratio, known = speed_mm_s / summary.speed_mm_s, summary.excess
    ln_ratio = float(np.log(ratio))
    if summary.response == "cut":
        shift, doubt = excess_at(ratio, summary.floor, summary.floor_sd)
        shift, doubt = (shift + ln_ratio) / summary.exponent - ln_ratio, doubt / summary.exponent
    else:
        shift, doubt = summary.slope * ln_ratio, 0.0
    there, here = (float(delivered_power_w(m, 100.0)) for m in (machine, summary.machine))
    shift += (1.0 - 1.0 / summary.exponent) * float(np.log(there / here))
    return Moments(mean=known.mean + shift, variance=known.variance + doubt**2)


def location_units(
    summaries: Sequence[PairSummary], target: Target, usual: Usual
) -> tuple[Units, Array]:
    """Design of the excess over all pairs of one response, and the target's row.

    The target's own pair isn't among them, but one or more others. Columns: kind of laser,
    families, machines, their slopes in ln thickness, width, speed, and the target's own product and
    lot.
    """
    pairs = [(s.machine, s.sheet) for s in summaries] + [(target.machine, target.sheet)]
    speeds = np.array([s.speed_mm_s for s in summaries] + [target.speed_mm_s])
    thickness = np.log([sheet.working_thickness_mm / _MIDDLE_MM for _, sheet in pairs])
    widths = np.array([ln_width(m, s.working_thickness_mm) or 0.0 for m, s in pairs])
    variances = [s.table.variance for s in summaries] + [target.table_variance]
    kinds, lasers = _one_hot([(machine.source,) for machine, _ in pairs])
    families, _ = _one_hot([_family(m, s) for m, s in pairs])
    machines, machine_names = _one_hot([machine_key(m) for m, _ in pairs])
    own_product = np.array([product_key(s) == product_key(target.sheet) for _, s in pairs])
    own_lot = np.array([lot_key(s) == lot_key(target.sheet) for _, s in pairs])
    by_name = {machine_key(m): m for m, _ in pairs}
    machine_sd = [_machine_sd(by_name[name], usual) for name in machine_names]
    # What is left for a family of the doubt of the most doubtful of its rows in the table.
    doubt = np.max(families * np.array(variances)[:, None], axis=0)
    known = usual.world**2 + usual.machine**2 + usual.product**2 + usual.lot**2 + usual.pair**2
    left = np.sqrt(np.maximum(doubt - known, 0.0))
    family_sd = np.maximum(left, _LEAST_FAMILY_SD).tolist()
    parts: list[tuple[Array, Sequence[float], int]] = [
        (kinds, [usual.world] * len(lasers), NONE),
        (families, family_sd, FAMILY),
        (machines, machine_sd, MACHINE),
        (thickness[:, None], [usual.thickness], NONE),
        (machines * thickness[:, None], [usual.machine_thickness] * len(machine_names), NONE),
        (widths[:, None], [usual.width_sd], NONE),
        (np.log(speeds / target.speed_mm_s)[:, None], [usual.speed], NONE),
        (own_product[:, None].astype(float), [usual.product], PRODUCT),
        (own_lot[:, None].astype(float), [usual.lot], LOT),
    ]
    design = np.concatenate([part for part, _, _ in parts], axis=1)
    told = [at_speed(s, target.machine, target.speed_mm_s) for s in summaries]
    shift = usual.width_mean * (widths - widths[-1])
    units = Units(
        value=np.array([moments.mean for moments in told]) - shift[:-1],
        variance=np.array([moments.variance for moments in told]),
        effects=design[:-1],
        base=np.array([sd for _, sds, _ in parts for sd in sds]),
        spread_of=np.array([which for _, sds, which in parts for _ in sds]),
        nested=_nested([s.sheet for s in summaries], target.sheet),
        nested_base=(usual.lot, usual.product),
        nested_spread=(LOT, PRODUCT),
        unit_base=usual.pair,
        unit_spread=PAIR,
        spreads=SPREADS,
    )
    return units, design[-1]


def score_units(
    name: str, pairs: Sequence[tuple[Machine, Sheet]], told: Sequence[Moments]
) -> tuple[Units, Array]:
    """Design of one shape score, and the rows of the pairs that are left.

    The first of the pairs are those that tell of it. Columns: kind of laser, families, machines.
    """
    shares = np.sqrt(SHARES[name])
    columns = [
        _one_hot([(machine.source,) for machine, _ in pairs])[0],
        _one_hot([_family(m, s) for m, s in pairs])[0],
        _one_hot([machine_key(m) for m, _ in pairs])[0],
    ]
    design = np.concatenate(columns, axis=1)
    sizes = [column.shape[1] for column in columns]
    units = Units(
        value=np.array([moments.mean for moments in told]),
        variance=np.array([moments.variance for moments in told]),
        effects=design[: len(told)],
        base=np.repeat(shares[:3], sizes),
        spread_of=np.repeat([NONE, SCORE_FAMILY, NONE], sizes),
        unit_base=float(shares[3]),
        unit_spread=SCORE_PAIR,
        spreads=2,
    )
    return units, design[len(told) :]


def _family(machine: Machine, sheet: Sheet) -> Key:
    return family_of(sheet.material), machine.source


def _machine_sd(machine: Machine, usual: Usual) -> float:
    """How much a machine may differ; a measured power says nothing of an unknown lens."""
    watts = usual.metered if machine.power_curve else usual.machine
    known = machine.source != "co2" or ln_width(machine, _MIDDLE_MM) is not None
    return watts if known else float(np.hypot(watts, usual.unknown_width))


def _one_hot(keys: Sequence[Key]) -> tuple[Array, list[Key]]:
    """A column of 0 and 1 for each distinct key, in order of appearance."""
    names = list(dict.fromkeys(keys))
    place = {name: i for i, name in enumerate(names)}
    table = np.zeros((len(keys), len(names)))
    table[np.arange(len(keys)), [place[key] for key in keys]] = 1.0
    return table, names


def _nested(
    sheets: Sequence[Sheet], target: Sheet
) -> list[tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]]:
    """Lots, then products; those of the target have a column instead."""
    lots = list(dict.fromkeys(lot_key(s) for s in sheets))
    products = list(dict.fromkeys(key[:-1] for key in lots))
    lot_place = {key: i for i, key in enumerate(lots)}
    product_place = {key: i for i, key in enumerate(products)}
    lot_of = np.array([lot_place[lot_key(s)] for s in sheets])
    product_of = np.array([product_place[key[:-1]] for key in lots])
    lot_alive = np.array([key != lot_key(target) for key in lots])
    product_alive = np.array([key != product_key(target) for key in products])
    return [(lot_of, lot_alive), (product_of, product_alive)]
