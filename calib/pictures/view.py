"""What the picture of a region shows, as plain data."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calib.pictures.scale import Array
from calib.records import KINDS, Burn, Operation, Setting, grades_typed
from calib.texts.say import say


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RegionView:
    """What the picture of a region shows, as plain arrays."""

    title: str  # Headline: machine, sheet, operation in the user's names
    operation: Operation  # ``cut``, ``line_mark`` or ``area_mark``
    # power_pct, speed_mm_s: Rising axes, shapes (n_power,) [% of full] and (n_speed,) [mm/s]
    power_pct: Array
    speed_mm_s: Array
    chance: Array  # Chance at each, shape (n_power, n_speed) [1]
    chance_words: str = ""  # What ``chance`` is the chance of
    # Chances at which bands change, rising, inside 0 and 1
    levels: tuple[float, ...] = (0.5, 0.9, 0.99)
    # passes, line_pitch_mm: Number of passes and line pitch [mm] of the picture; other burns are
    # counted, not drawn
    passes: int = 1
    line_pitch_mm: float | None = None
    burns: tuple[Burn, ...] = ()  # What was burnt
    recommendation: Setting | None = None  # The setting that is advised; None when there is none
    kept: Setting | None = None  # The setting that is kept; None when it isn't to be shown
    said: str = ""  # The chance in words
    # Corners of what was burnt, (power [%], speed [mm/s]) in order, shape (n, 2); None when nothing
    # was. Its sides are straight in ln power and ln speed.
    hull: Array | None = None
    # beam_starts_pct, ceiling_pct, max_speed_mm_s: Limits of the machine [%], [%], [mm/s]; None
    # when not to be shown
    beam_starts_pct: float | None = None
    ceiling_pct: float | None = None
    max_speed_mm_s: float | None = None
    wanted_mark: tuple[int, int] = (2, 2)  # First and last of the mark grades that are wanted
    # Mean of the mark grades at each, shape (n_power, n_speed); None for cuts
    expected_mark: Array | None = None

    @property
    def shown(self) -> tuple[Burn, ...]:
        """The burns of this picture that were read."""
        return tuple(burn for burn in self.burns if self._shows(burn))

    @property
    def words(self) -> str:
        """What the chance is the chance of."""
        if self.chance_words:
            return self.chance_words
        if self.operation == "cut":
            return say("pictures.chance_that_coupon_falls_free")
        return say(
            "pictures.chance_of_exactly_mark_grade", grades_typed=grades_typed(self.wanted_mark)
        )

    def _shows(self, burn: Burn) -> bool:
        pitch, wanted = burn.line_pitch_mm, self.line_pitch_mm
        if KINDS[self.operation].shape == "area" and wanted is not None:
            same_pitch = pitch is not None and math.isclose(pitch, wanted, rel_tol=1e-9)
        else:
            same_pitch = True
        same = burn.operation == self.operation and burn.passes == self.passes
        return same and same_pitch and outcome_of(burn) != ""


def outcome_of(burn: Burn) -> str:
    """Return the outcome as a word: through's own, a mark grade's number, empty if not read."""
    if burn.operation == "cut":
        return burn.through or ""
    return "" if burn.mark is None else str(burn.mark)


def figure_words(value: float) -> str:
    """Write a number with up to two decimals and never an exponent.

    Examples
    --------
    >>> figure_words(12.50), figure_words(60000.0)
    ('12.5', '60000')
    """
    return f"{value:.2f}".rstrip("0").rstrip(".")


def setting_words(setting: Setting) -> str:
    """Write a setting as it is typed at the machine.

    Examples
    --------
    >>> setting_words(Setting(power_pct=60.0, speed_mm_s=12.0))
    '60 %, 12 mm/s, 720 mm/min, 1 pass'
    """
    speed, passes = setting.speed_mm_s, "1 pass"
    if setting.passes > 1:
        passes = say("pictures.passes_2", setting=setting)
    if setting.line_pitch_mm is not None:
        passes += say("pictures.lines_apart", figure=figure_words(setting.line_pitch_mm))
    speeds = f"{figure_words(speed)} mm/s, {figure_words(speed * 60.0)} mm/min"
    return f"{figure_words(setting.power_pct)} %, {speeds}, {passes}"
