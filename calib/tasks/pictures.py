"""The picture of a pair's region: which part of power × speed it shows, and what stands on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from calib.advise.recommendation import Recommendation
from calib.errors import InvalidRecord, NotEnoughEvidence, shown
from calib.fit.graded import grade_chances, graded_settings
from calib.fit.region import Region
from calib.fit.thinning import thinned_region
from calib.pictures.view import RegionView
from calib.records import Machine
from calib.tasks.advice import recommended
from calib.tasks.folders import Files
from calib.tasks.wishes import RegionWish

Array = npt.NDArray[np.float64]

# Powers, speeds and points of the posterior: bands then look smooth at the picture's size.
_POWERS, _SPEEDS, _THINNED = 40, 88, 800
# Chances at which bands change; a reliability above the middle one takes the last one's place.
_LEVELS = (0.5, 0.9, 0.99)
# How far the picture reaches beyond what was burnt, as a factor of power and of speed.
_BEYOND_POWER, _BEYOND_SPEED = 1.3, 1.6
# Without burns it shows the speeds at which these shares of the greatest chance are believed.
_LEAST, _MOST = 0.02, 0.98
_LOOKS = 160


def region_pictures(
    region: Region,
    wish: RegionWish,
    names: Sequence[str],
    *,
    passes: int | None = None,
    advice: Recommendation | None = None,
) -> Files:
    """Draw a region with its burns and, where one can be given, the recommendation.

    Raises InvalidRecord when a name ends otherwise.
    """
    if not names:
        return {}
    kinds = {name: picture_format(name) for name in names}
    from calib.pictures.region import region_picture  # loads matplotlib

    view = region_view(region, wish, passes=passes, advice=advice)
    return {name: region_picture(view, format=kind) for name, kind in kinds.items()}


def picture_format(name: str) -> Literal["png", "svg"]:
    """Tell a picture's format by the end of its name; raises InvalidRecord for another one."""
    if name.lower().endswith(".png"):
        return "png"
    if name.lower().endswith(".svg"):
        return "svg"
    raise InvalidRecord(f"picture is {shown(name)}: give a name that ends in .png or .svg.")


def region_view(
    region: Region,
    wish: RegionWish,
    *,
    passes: int | None = None,
    advice: Recommendation | None = None,
) -> RegionView:
    """Work out what the picture of a region shows."""
    advice, promise = _advice(region, wish, advice)
    burnt = min(region.hulls, default=1)
    shown = passes or (advice.passes if advice else burnt)
    if advice is not None and advice.passes != shown:
        advice = None
    shower = Shower(region, wish, shown, advice)
    power, speed = shower.axes()
    chance, likely = shower.layers(power[:, None], speed[None, :])
    machine = region.machine
    hull = region.hulls.get(shown)
    return RegionView(
        title=f"{region.sheet.name} on {machine.name}, {region.operation.replace('_', ' ')}",
        operation=region.operation,
        power_pct=power,
        speed_mm_s=speed,
        chance=chance,
        chance_words=shower.words,
        levels=_levels(region, wish),
        passes=shown,
        line_pitch_mm=shower.pitch,
        burns=region.burns,
        recommendation=advice.setting if advice else None,
        promise=promise,
        hull=None if hull is None else np.exp(hull),
        beam_starts_pct=machine.beam_starts_pct,
        ceiling_pct=machine.ceiling_pct,
        max_speed_mm_s=machine.max_speed_mm_s,
        wanted_mark=wish.mark,
        likely_mark=likely,
    )


def _advice(
    region: Region, wish: RegionWish, advice: Recommendation | None
) -> tuple[Recommendation | None, str]:
    try:
        advice = advice or recommended(region, wish)
    except NotEnoughEvidence as refusal:
        return None, str(refusal)
    return advice, f"Chance {advice.chance:.3g}: {advice.words}."


def _levels(region: Region, wish: RegionWish) -> tuple[float, ...]:
    asked = wish.asked_of(region.operation)
    if region.operation != "cut" or asked is None or not _LEVELS[1] < asked < 1.0:
        return _LEVELS
    return (*_LEVELS[:2], asked)


class Shower:
    """Asks a thinned region, quick enough for a whole picture, for what is drawn."""

    def __init__(
        self,
        region: Region,
        wish: RegionWish,
        passes: int,
        advice: Recommendation | None,
        *,
        exact: bool = False,
    ) -> None:
        self._region = region if exact else thinned_region(region, _THINNED)
        self._wish, self._passes = wish, passes
        self.pitch = self._pitch(advice)

    def _pitch(self, advice: Recommendation | None) -> float | None:
        """Line pitch of an area mark: the recommended, else the finest burnt, else the default."""
        if self._region.operation != "area_mark":
            return None
        from calib.plan.next_marks import mark_pitch

        return mark_pitch(self._region, advice.line_pitch_mm if advice else None)

    @property
    def words(self) -> str:
        """What the drawn chance is the chance of."""
        wish = self._wish
        if self._region.operation != "cut":
            return f"chance of exactly mark grade {wish.mark}"
        what = "coupon falls free"
        if wish.cut_length_mm is not None:
            what = f"whole job of {wish.cut_length_mm / 1000:.3g} m of cut falls free"
        elif wish.next_sheet:
            what = "coupon of the next sheet falls free"
        limit = wish.char_at_most
        return f"chance that a {what}" + ("" if limit is None else f", char at most {limit}")

    def chance(self, power: Array, speed: Array) -> Array:
        """The drawn chance; settings broadcast."""
        region, wish = self._region, self._wish
        if region.operation != "cut":
            at = (power, speed, self._passes, self.pitch)
            return np.asarray(region.chance_mark(wish.mark, *at), dtype=float)
        through = region.chance_through(
            power, speed, self._passes, wish.cut_length_mm, wish.next_sheet
        )
        if wish.char_at_most is None:
            return np.asarray(through, dtype=float)
        char = region.chance_char_at_most(wish.char_at_most, power, speed, self._passes)
        joint: Array = np.asarray(through, dtype=float) * np.asarray(char, dtype=float)
        return joint

    def layers(self, power: Array, speed: Array) -> tuple[Array, Array | None]:
        """The drawn chance and, for marks, the most likely grade; settings broadcast."""
        if self._region.operation == "cut":
            return self.chance(power, speed), None
        rows = [self._grades(row, speed.ravel()) for row in power.ravel()]
        chances = np.stack(rows, axis=1)
        return chances[self._wish.mark], np.argmax(chances, axis=0).astype(np.float64)

    def _grades(self, power: float, speed: Array) -> Array:
        """Chance of every mark grade at one power, (5, n): five times as quick as one by one."""
        fit = self._region.mark
        assert fit is not None
        pitch = np.nan if self.pitch is None else self.pitch
        columns = [np.full(len(speed), value) for value in (power, self._passes, pitch)]
        at = graded_settings(
            self._region.machine, [columns[0], speed, columns[1], columns[2]], fit.prior, "mark"
        )
        return np.asarray(grade_chances(fit, at))

    def axes(self) -> tuple[Array, Array]:
        """Powers and speeds of the picture: round what was burnt, else where the edge may be."""
        machine = self._region.machine
        burns = [b for b in self._region.burns if b.passes == self._passes]
        if burns:
            powers = [b.power_pct for b in burns]
            speeds = [b.speed_mm_s for b in burns]
            low, high = min(powers) / _BEYOND_POWER, max(powers) * _BEYOND_POWER
            slow, fast = min(speeds) / _BEYOND_SPEED, max(speeds) * _BEYOND_SPEED
        else:
            low, high = max(machine.beam_starts_pct, 1.0), machine.ceiling_pct
            slow, fast = self._believed_speeds((low * high) ** 0.5)
        lowest, highest = _powers(machine)
        low, high = max(low, lowest), min(high, highest)
        slow, fast = max(slow, machine.speed_step_mm_s), min(fast, 1.05 * machine.max_speed_mm_s)
        return np.linspace(low, high, _POWERS), np.geomspace(slow, fast, _SPEEDS)

    def _believed_speeds(self, power_pct: float) -> tuple[float, float]:
        """Slowest and fastest speed between which the outcome is in doubt."""
        machine = self._region.machine
        speeds = np.geomspace(machine.speed_step_mm_s, machine.max_speed_mm_s, _LOOKS)
        chance = self.chance(np.full(_LOOKS, power_pct), speeds)
        top = float(chance.max())
        doubt = speeds[(chance > _LEAST * top) & (chance < max(_MOST * top, _LEAST))]
        if len(doubt) < 2:
            return float(speeds[0]), float(speeds[-1])
        return float(doubt.min()) / _BEYOND_SPEED, float(doubt.max()) * _BEYOND_SPEED


def _powers(machine: Machine) -> tuple[float, float]:
    """Powers that a picture shows at most: a little beyond beam start and ceiling."""
    return max(0.8 * machine.beam_starts_pct, 1.0), min(1.1 * machine.ceiling_pct, 100.0)
