"""Simulated workshops with a whole book: machines, families, products and lots that share effects.

The physics is that of ``workshop.py``. What a sheet needs is fixed in watts at the work, so that
its conduction floor weighs more on a weak machine; a machine turns its rated watts into true ones
with an efficiency of its own and focuses them with its lens; how far machines, products and lots
differ is itself drawn for each workshop, in a world of ``workshop.py``. All invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from workshop import MARK_SPEED, USUAL, Workshop, World, drawn, drawn_bend

from calib.physics import spot_mm
from calib.records import Burn, Machine, Setting, Sheet

FAMILIES = ("MDF", "birch plywood", "poplar plywood", "basswood")
_THICKNESS = (2.0, 3.0, 4.0, 5.0, 6.0)
_POWERS = (80.0, 70.0, 60.0, 50.0, 40.0)
# Watts at the work at which a family's share of conduction is drawn.
_REFERENCE_W = 36.0


@dataclass(frozen=True)
class Laser:
    """A machine and how many true watts it gives, at what spot."""

    machine: Machine
    efficiency: float
    dead_pct: float
    bend: float
    spot_mm: float


@dataclass(frozen=True)
class Product:
    """A sheet and what it truly needs at 36 W: energy, floor, root, and its own char and marks."""

    sheet: Sheet
    ln_need: float
    floor: float
    root: float
    excess: float
    mark: float


@dataclass(frozen=True)
class Shop:
    """What all pairs of one workshop share."""

    rng: np.random.Generator
    world: World
    odd: np.random.Generator  # draws what only a world has
    expected_energy: object
    family_off: dict
    family_floor: dict
    family_root: dict
    family_mark: dict
    thickness_share: float
    spot_exponent: float
    machine_sd: float
    product_sd: float
    lot_sd: float
    session_sd: float
    scatter_ln: float
    band_ln: float

    def laser(self, rated_w: float, *, name: str = "m", known_lens: bool = True) -> Laser:
        """A machine of a rated power."""
        rng = self.rng
        lens = float(rng.choice([38.1, 50.8, 63.5]))
        beam = float(rng.uniform(5.0, 8.0))
        spot = spot_mm(lens, beam)
        machine = Machine(
            name=name,
            rated_w=float(rated_w),
            bed_mm=(600.0, 400.0),
            max_speed_mm_s=400.0,
            acceleration_mm_s2=3000.0,
            lens_mm=lens if known_lens else None,
            beam_mm=round(beam, 1) if known_lens else None,
        )
        return Laser(
            machine=machine,
            efficiency=float(np.exp(rng.normal(-0.03, self.machine_sd))),
            dead_pct=drawn(self.world.dead_pct, float(rng.uniform(0, 8)), self.odd),
            bend=drawn_bend(self.world, float(rng.uniform(0.85, 1.15)), self.odd),
            spot_mm=spot,
        )

    def product(self, material: str, thickness_mm: float, *, name: str, lot: str = "") -> Product:
        """A product of a family, in its first lot."""
        rng = self.rng
        sheet = Sheet(name=name, material=material, thickness_mm=thickness_mm, lot=lot)
        real = float(np.exp(rng.normal(0, 0.03)))
        most = 0.4 if self.world.floor is None else 0.55
        return Product(
            sheet=sheet,
            ln_need=self.family_off[material] + rng.normal(0, self.product_sd) + np.log(real),
            floor=float(np.clip(self.family_floor[material] + rng.normal(0, 0.04), 0.02, most)),
            root=float(np.clip(self.family_root[material] + rng.normal(0, 0.05), 0.0, 0.35)),
            excess=float(rng.normal(0.45, 0.2)),
            mark=float(self.family_mark[material] + rng.normal(0, 0.15)),
        )

    def new_lot(self, product: Product, lot: str) -> Product:
        """Another lot of a product."""
        change = self.rng.normal(0, self.lot_sd)
        return replace(
            product, sheet=replace(product.sheet, lot=lot), ln_need=product.ln_need + change
        )

    def pair(self, laser: Laser, product: Product) -> Workshop:
        """The truth of a machine and a sheet."""
        rng = self.rng
        sheet = product.sheet
        t = sheet.thickness_mm
        line_energy = self.expected_energy(replace(sheet, thickness_mm=3.0), laser.machine)
        share = self.thickness_share
        line_energy *= t / 3.0 * ((1 - share) + share * t / 3.0)
        factor = float(np.exp(product.ln_need)) * self.optics(laser, t) / laser.efficiency
        power = _REFERENCE_W * factor
        floor, root = product.floor, product.root
        return Workshop(
            machine=laser.machine,
            sheet=sheet,
            need=(power * floor, power * (1 - floor - root), power * root),
            speed_op=_REFERENCE_W / line_energy,
            dead_pct=laser.dead_pct,
            bend=laser.bend,
            scatter=self.scatter_of(float(rng.normal(0, 0.2))),
            tail_df=float(rng.choice([8.0, 30.0])),
            band=float(np.exp(self.band_ln + rng.normal(0, 0.3))),
            knots_per_m=0.0 if sheet.material == "MDF" else float(rng.choice([0.0, 0.05, 0.2])),
            misread=0.005,
            char=(
                float(np.log(power) + product.excess),
                float(rng.uniform(0.7, 1.3)),
                float(np.exp(rng.normal(np.log(0.35), 0.25))),
                float(np.exp(rng.normal(np.log(0.13), 0.25))),
            ),
            mark=(
                float(np.log(0.033 * MARK_SPEED / laser.efficiency) + product.mark),
                float(rng.uniform(0.75, 1.1)),
                float(np.exp(rng.normal(np.log(0.4), 0.25))),
                float(np.exp(rng.normal(np.log(0.12), 0.25))),
            ),
            tilt=drawn(self.world.tilt, 0.0, self.odd),
            readers=drawn(self.world.readers, 0.0, self.odd),
        )

    def scatter_of(self, own: float) -> float:
        """Scatter of a pair, which is the workshop's but for a little of its own."""
        usual = float(np.exp(self.scatter_ln + own))
        return usual if self.world.scatter is None else float(np.clip(usual, *self.world.scatter))

    def workable(self, laser: Laser, material: str, *, name: str, lot: str = ""):
        """A product, as thick as may be, that the machine cuts; and the pair."""
        for thickness in (*self.rng.permutation(_THICKNESS), 3.0, 2.0, 1.5, 1.0):
            product = self.product(material, float(thickness), name=name, lot=lot)
            if cuts(pair := self.pair(laser, product)):
                break
        return product, pair

    def optics(self, laser: Laser, thickness_mm: float) -> float:
        """Power needed by the width of the beam within the sheet, against a usual lens."""
        usual = spot_mm(50.8, 6.5)
        wide = [
            spot * np.sqrt(1 + (np.linspace(-0.5, 0.5, 21) * thickness_mm / _rayleigh(spot)) ** 2)
            for spot in (laser.spot_mm, usual)
        ]
        return float((wide[0].mean() / wide[1].mean()) ** self.spot_exponent)


def _rayleigh(spot: float) -> float:
    return float(np.pi * spot**2 / (4 * 1.2 * 10.6e-3))


def draw_shop(seed: int, expected_energy, world: World = USUAL) -> Shop:
    """Draw what a workshop of a world shares; ``expected_energy`` as in ``draw_workshop``."""
    rng, odd = np.random.default_rng([20261, seed]), np.random.default_rng([20263, seed])
    ln2, level = np.log(2.0), np.log(drawn(world.level, 1.0, odd))
    scatter = None if world.scatter is None else tuple(np.log(world.scatter))
    return Shop(
        rng=rng,
        world=world,
        odd=odd,
        expected_energy=expected_energy,
        family_off={f: float(level + rng.uniform(-ln2, ln2)) for f in FAMILIES},
        family_floor={f: drawn(world.floor, float(rng.uniform(0.05, 0.3)), odd) for f in FAMILIES},
        family_root={f: float(rng.uniform(0.0, 0.3)) for f in FAMILIES},
        family_mark={f: float(rng.uniform(-ln2, ln2)) for f in FAMILIES},
        thickness_share=float(rng.uniform(0.0, 0.5)),
        spot_exponent=float(rng.uniform(0.2, 0.8)),
        machine_sd=float(rng.uniform(0.05, 0.2)),
        product_sd=float(rng.uniform(0.05, 0.2)),
        lot_sd=float(rng.uniform(0.02, 0.12)),
        session_sd=float(abs(rng.normal(0, 0.03))),
        scatter_ln=drawn(scatter, float(rng.normal(np.log(0.045), 0.25)), odd),
        band_ln=float(rng.normal(np.log(0.06), 0.4)),
    )


def cuts(workshop: Workshop) -> bool:
    """True when a maker would cut this on that machine: the ceiling cuts it at 2 mm/s or more."""
    return workshop.fastest() >= 2.0


def moved(workshop: Workshop, ln_need: float) -> Workshop:
    """The same pair when everything needs so much more power, as a logarithm."""
    need = tuple(float(part * np.exp(ln_need)) for part in workshop.need)
    a, b, c, d = workshop.char
    return replace(workshop, need=need, char=(a + ln_need, b, c, d))


def board_burns(
    workshop: Workshop, expected_energy, rng, n: int, session_sd: float = 0.0
) -> list[Burn]:
    """Burns as a maker spreads them: a wide first board of six, then boards near the edge so far.

    No burn knows the truth: the first board lies about what is expected, the next ones about the
    middle between what dropped and what didn't. That costs next to nothing beside the planner.
    """
    energy = expected_energy(workshop.sheet, workshop.machine)
    burns: list[Burn] = []
    offsets: list[float] = []
    for board in range(0, n, 6):
        today = moved(workshop, rng.normal(0, session_sd))
        middle = _middle(offsets, burns)
        size = min(6, n - board)
        wide = np.linspace(-0.75, 0.75, size) if not burns else rng.normal(0, 0.07, size)
        for apart in rng.permutation(wide):
            power = float(rng.choice(_POWERS))
            # Where 80 % of the power takes out what is expected, a fifth goes by conduction.
            share = power / 80.0 * np.exp(-(middle + apart)) - 0.2
            speed = 0.8 * workshop.machine.rated_w / energy * max(share, 0.01) / 0.8
            setting = Setting(
                power_pct=power, speed_mm_s=float(np.clip(round(speed, 1), 0.2, 95.0))
            )
            burns.append(today.burn(setting, rng, session=f"board {board // 6 + 1}"))
            offsets.append(_offset(setting, workshop.machine, energy))
    return burns


def _offset(setting: Setting, machine: Machine, energy: float) -> float:
    """How far a setting lies above what is expected to be just enough, as a logarithm."""
    speed = setting.speed_mm_s / (0.8 * machine.rated_w / energy)
    return float(np.log(setting.power_pct / 80.0) - np.log(0.2 + 0.8 * speed))


def _middle(offsets: list[float], burns: list[Burn]) -> float:
    """Middle between the weakest that dropped and the strongest that didn't; 0 before any."""
    dropped = [o for o, b in zip(offsets, burns, strict=True) if b.through == "through"]
    failed = [o for o, b in zip(offsets, burns, strict=True) if b.through != "through"]
    if not dropped or not failed:
        return (max(failed) + 0.5 if failed else min(dropped) - 0.5) if burns else 0.0
    return 0.5 * (min(dropped) + max(failed))


@dataclass(frozen=True)
class BookCase:
    """A book of pairs, and a new pair that isn't in it."""

    shop: Shop
    records: list
    target: Workshop
    kind: str


def draw_book(
    seed: int, expected_energy, pairs: int = 10, burns: int = 18, world: World = USUAL
) -> BookCase:
    """A book of pairs on two machines, and a new sheet on one of them.

    Of ten new sheets three are a new lot of a product in the book, five another product of a
    family in the book, two of a family that isn't there.
    """
    shop = draw_shop(seed, expected_energy, world)
    rng = shop.rng
    watts = rng.choice([40.0, 50.0, 60.0, 80.0, 100.0], 2, replace=False)
    lasers = [
        shop.laser(w, name=f"m{i}", known_lens=bool(rng.random() < 0.5))
        for i, w in enumerate(watts)
    ]
    strange, *known = (str(family) for family in rng.permutation(FAMILIES))
    truths = []
    for i in range(pairs - 2):
        laser = lasers[int(rng.random() < 0.35)]
        truths.append(shop.workable(laser, str(rng.choice(known)), name=f"p{i}", lot="a"))
    # Two products were burnt on both machines, where the other one cuts them.
    for product, pair in list(truths)[:2]:
        other = lasers[1 if pair.machine is lasers[0].machine else 0]
        if cuts(second := shop.pair(other, product)):
            truths.append((product, second))
    records = [
        (pair.machine, pair.sheet, board_burns(pair, expected_energy, rng, burns, shop.session_sd))
        for _, pair in truths
    ]
    kind = str(rng.choice(["lot", "product", "family"], p=[0.3, 0.5, 0.2]))
    product, pair = truths[2]
    laser = lasers[0] if pair.machine is lasers[0].machine else lasers[1]
    if kind == "lot":
        return BookCase(shop, records, shop.pair(laser, shop.new_lot(product, "b")), kind)
    material = product.sheet.material if kind == "product" else strange
    _, target = shop.workable(laser, material, name="new")
    return BookCase(shop, records, target, kind)
