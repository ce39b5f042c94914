"""Simulated workshops of several worlds, whose physics is not the fitted model; for benchmarks.

A sheet needs the power a + b v + c √v: a conduction floor, a linear and a root term, in shares that
differ from sheet to sheet. The watts at the work bend with the power typed in, with a dead zone and
saturation; the thickness is off its nominal; sheets need from half to twice what is expected;
scatter has heavier tails than a normal; knots stop a coupon now and then; readings are sometimes
wrong. Char and marks follow their own law. All invented.

A world says what its workshops have that usual ones don't: ``WORLDS`` names them. What is drawn
for a world is drawn after the rest, so that the same seed is the same workshop but for that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import t as student_t

from calib.records import COUPON_CUT_MM, Burn, Machine, Setting, Sheet

# Speed at which the marks' threshold is meant [mm/s].
MARK_SPEED = 150.0
_THICKNESS = (2.0, 3.0, 4.0, 6.0)
# Places across a sheet that is thicker on one side, as shares of its width from the middle.
_ACROSS = np.linspace(-0.5, 0.5, 11)

Span = tuple[float, float]


@dataclass(frozen=True)
class World:
    """What is unlike the usual workshop; spans are drawn from evenly, None is as usual."""

    title: str
    level: Span | None = None  # times what the table expects, all sheets alike
    scatter: Span | None = None
    floor: Span | None = None
    dead_pct: Span | None = None  # where 10 is recorded
    bend: tuple[Span, ...] = ()  # one of these
    tilt: Span | None = None  # ln of the power needed on one side over that on the other
    readers: Span | None = None  # how far apart two readers put their grades [ln W]


WORLDS = {
    "usual": World("as usual"),
    "needs more": World("sheets need 1.5 to 2.2 times the table's power", level=(1.5, 2.2)),
    "needs less": World("sheets need half to two thirds of it", level=(0.5, 0.67)),
    "even": World("scatter 0.03 to 0.05", scatter=(0.03, 0.05)),
    "uneven": World("scatter 0.08 to 0.13", scatter=(0.08, 0.13)),
    "floor": World("conduction takes none to half of the power", floor=(0.0, 0.5)),
    "dead zone": World("the beam starts at 0 to 25 %, recorded 10", dead_pct=(0.0, 25.0)),
    "bend": World("power curves bent either way", bend=((0.7, 0.85), (1.15, 1.4))),
    "one side": World("5 to 12 % more power needed on one side", tilt=(0.05, 0.12)),
    "readers": World("two readers 0.03 to 0.08 apart", readers=(0.03, 0.08)),
}
USUAL = WORLDS["usual"]


def drawn(span: Span | None, usual: float, rng: np.random.Generator) -> float:
    """A value of a world, or the usual one."""
    return usual if span is None else float(rng.uniform(*span))


def drawn_bend(world: World, usual: float, rng: np.random.Generator) -> float:
    """The bend of a power curve in a world, or the usual one."""
    return drawn(world.bend[int(rng.integers(len(world.bend)))] if world.bend else None, usual, rng)


@dataclass(frozen=True)
class Workshop:
    """One machine and sheet with the truth about them."""

    machine: Machine
    sheet: Sheet
    need: tuple[float, float, float]  # a, b, c of the power needed [W], v in units of speed_op
    speed_op: float
    dead_pct: float
    bend: float
    scatter: float
    tail_df: float
    band: float
    knots_per_m: float
    misread: float
    char: tuple[float, float, float, float]  # threshold, speed exponent, grade width, scatter
    mark: tuple[float, float, float, float]
    tilt: float = 0.0
    readers: float = 0.0

    def watts(self, power_pct):
        """True watts at the work."""
        share = np.clip(
            (np.asarray(power_pct, float) - self.dead_pct) / (100.0 - self.dead_pct), 1e-6, 1
        )
        return self.machine.rated_w * share**self.bend

    def excess(self, power_pct, speed_mm_s):
        """ln(watts) − ln(watts needed) in the middle of the sheet."""
        v = np.asarray(speed_mm_s, float) / self.speed_op
        a, b, c = self.need
        return np.log(self.watts(power_pct)) - np.log(a + b * v + c * np.sqrt(v))

    def chance(self, power_pct, speed_mm_s):
        """True chance that a coupon drops, wherever on the sheet, knots apart."""
        excess = self.excess(power_pct, speed_mm_s)
        places = _ACROSS if self.tilt else (0.0,)
        chances = [
            student_t.cdf((excess + self.tilt * x) / self.scatter, self.tail_df) for x in places
        ]
        return np.mean(chances, axis=0)

    def _char_index(self, power_pct, speed_mm_s):
        threshold, speed_exponent, _, _ = self.char
        v = np.asarray(speed_mm_s, float) / self.speed_op
        return np.log(self.watts(power_pct)) - speed_exponent * np.log(v) - threshold

    def char_at_most(self, grade, power_pct, speed_mm_s):
        """True chance of char no worse than a grade."""
        _, _, width, scatter = self.char
        top = (grade - 1) * width
        index = self._char_index(power_pct, speed_mm_s)
        return (
            student_t.cdf((top - index) / scatter, self.tail_df) if grade < 4 else index * 0 + 1.0
        )

    def fastest(self, reliability=0.99):
        """True fastest speed at the ceiling that meets the reliability [mm/s]."""
        speeds = np.geomspace(0.05, self.machine.max_speed_mm_s, 20000)
        good = self.chance(self.machine.ceiling_pct, speeds) >= reliability
        return float(speeds[good].max()) if good.any() else float("nan")

    def edge_speed(self, power_pct):
        """True speed at which half the coupons drop [mm/s]."""
        speeds = np.geomspace(0.02, self.machine.max_speed_mm_s * 4, 20000)
        return float(speeds[np.argmin(np.abs(self.excess(power_pct, speeds)))])

    def burn(self, setting: Setting, rng, operation="cut", session="") -> Burn:
        """Burn one cell and read it."""
        if operation == "line_mark":
            return self._burn_mark(setting, rng, session)
        y = self.excess(setting.power_pct, setting.speed_mm_s) + self.scatter * rng.standard_t(
            self.tail_df
        )
        if rng.random() < 1 - np.exp(-self.knots_per_m * COUPON_CUT_MM / 1000):
            y -= abs(rng.normal(0, 0.3))
        if self.tilt:
            y += self.tilt * rng.uniform(-0.5, 0.5)
        # Either reader looks at it; one calls hanging what the other one calls through.
        mildness = self.readers * (float(rng.random() < 0.5) - 0.5) if self.readers else 0.0
        y += mildness
        grade = 2 if y > 0 else 1 if y > -self.band else 0
        if rng.random() < self.misread:
            grade = int(rng.integers(0, 3))
        index = self._char_index(setting.power_pct, setting.speed_mm_s)
        index = index + self.char[3] * rng.standard_t(self.tail_df) - 2.0 * mildness
        char = int(np.clip(np.floor(index / self.char[2]) + 2, 0, 4))
        return Burn(
            operation="cut",
            power_pct=setting.power_pct,
            speed_mm_s=setting.speed_mm_s,
            through=("no", "hanging", "through")[grade],
            char=char if grade else None,
            session=session,
        )

    def _burn_mark(self, setting, rng, session):
        threshold, speed_exponent, width, scatter = self.mark
        v = setting.speed_mm_s / MARK_SPEED
        index = np.log(self.watts(setting.power_pct)) - speed_exponent * np.log(v)
        index = index - threshold + scatter * rng.standard_t(self.tail_df)
        grade = int(np.clip(np.floor(index / width) + 2, 0, 4))
        if rng.random() < self.misread:
            grade = int(rng.integers(0, 5))
        return Burn(
            operation="line_mark",
            power_pct=setting.power_pct,
            speed_mm_s=setting.speed_mm_s,
            mark=grade,
            session=session,
        )


def draw_workshop(seed: int, expected_energy=None, world: World = USUAL) -> Workshop:
    """Draw a workshop of a world.

    ``expected_energy(sheet, machine)`` gives the line energy [J/mm] that the planner's table
    expects, so that the truth can be half or twice that.
    """
    rng = np.random.default_rng([20260, seed])
    watts = float(rng.choice([40.0, 50.0, 60.0, 80.0, 100.0]))
    machine = Machine(
        name="m",
        rated_w=watts,
        bed_mm=(600.0, 400.0),
        max_speed_mm_s=400.0,
        acceleration_mm_s2=3000.0,
    )
    t = float(rng.choice(_THICKNESS))
    sheet = Sheet(name="s", material=str(rng.choice(["MDF", "birch plywood"])), thickness_mm=t)
    energy = 0.8 * t if expected_energy is None else expected_energy(sheet, machine)
    odd = np.random.default_rng([20262, seed])
    off = np.exp(rng.uniform(-np.log(2), np.log(2))) * np.exp(rng.normal(0, 0.06))
    off *= drawn(world.level, 1.0, odd)
    floor, root = drawn(world.floor, rng.uniform(0.05, 0.35), odd), rng.uniform(0.0, 0.3)
    power_op = 0.6 * watts
    speed_op = power_op / (energy * off)
    need = (power_op * floor, power_op * (1 - floor - root), power_op * root)
    excess = rng.normal(0.45, 0.3)
    usual = Workshop(
        machine=machine,
        sheet=sheet,
        need=need,
        speed_op=speed_op,
        dead_pct=float(rng.uniform(0, 8)),
        bend=float(rng.uniform(0.85, 1.15)),
        scatter=float(np.exp(rng.normal(np.log(0.045), 0.35))),
        tail_df=float(rng.choice([8.0, 30.0])),
        band=float(np.exp(rng.normal(np.log(0.06), 0.5))),
        knots_per_m=float(rng.choice([0.0, 0.0, 0.1, 0.3])),
        misread=0.005,
        char=(
            float(np.log(power_op) + excess),
            float(rng.uniform(0.7, 1.35)),
            float(np.exp(rng.normal(np.log(0.35), 0.3))),
            float(np.exp(rng.normal(np.log(0.13), 0.3))),
        ),
        mark=(
            float(np.log(0.033 * MARK_SPEED) + rng.uniform(-np.log(2), np.log(2))),
            float(rng.uniform(0.75, 1.1)),
            float(np.exp(rng.normal(np.log(0.4), 0.3))),
            float(np.exp(rng.normal(np.log(0.12), 0.3))),
        ),
    )
    return replace(
        usual,
        dead_pct=drawn(world.dead_pct, usual.dead_pct, odd),
        bend=drawn_bend(world, usual.bend, odd),
        scatter=drawn(world.scatter, usual.scatter, odd),
        tilt=drawn(world.tilt, 0.0, odd),
        readers=drawn(world.readers, 0.0, odd),
    )
