"""A laser and what it can run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from calib.records.checks import check_number, check_pair, check_text, check_word, fail
from calib.records.words import Corner, LaserSource


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """One laser with its set-up.

    Parameters
    ----------
    name
        What the workshop calls it.
    rated_w
        Rated optical power at 100 % [W].
    source
        ``co2`` or ``diode``.
    bed_mm
        Width and height that the head reaches [mm].
    max_speed_mm_s
        Top speed [mm/s].
    acceleration_mm_s2
        Acceleration of the head [mm/s²]; None when not known.
    beam_starts_pct
        Power below which no beam comes out [%]; the default is common practice, no source.
    ceiling_pct
        Highest power that plans and advice may use [%]; the default spares a tube (common
        practice, no source).
    power_curve
        Measured ((pct, watts), …), rising; empty when not measured.
    power_step_pct, speed_step_mm_s
        Smallest steps that the machine takes [%], [mm/s].
    power_word_full
        S word at 100 % power; None when not known: then no program can be written.
    beam_on_word
        ``M3``, or ``M4`` on controllers where power follows speed.
    lens_mm, beam_mm
        Focal length and beam diameter at the lens [mm]; None when not known.
    origin
        Corner of the board where the program's (0, 0) lies.
    y_up
        True when the program's y grows away from the operator.
    offset_mm
        Added to every x and y of the program [mm].
    air_on_word, air_off_word
        M words that switch the air assist; empty when it is switched by hand.
    power_follows_speed
        True when the controller lowers the power with the speed by itself.
    slat_gap_mm
        Opening between the bars of the bed [mm]; None when not known.
    area_both_ways
        True when the lines of an area mark are burnt there and back; False for one direction only,
        on machines with play.
    """

    name: str
    rated_w: float
    bed_mm: tuple[float, float]
    max_speed_mm_s: float
    source: LaserSource = "co2"
    acceleration_mm_s2: float | None = None
    beam_starts_pct: float = 10.0
    ceiling_pct: float = 80.0
    power_curve: tuple[tuple[float, float], ...] = ()
    power_step_pct: float = 1.0
    speed_step_mm_s: float = 0.1
    power_word_full: float | None = None
    beam_on_word: str = "M3"
    lens_mm: float | None = None
    beam_mm: float | None = None
    origin: Corner = "lower_left"
    y_up: bool = True
    offset_mm: tuple[float, float] = (0.0, 0.0)
    air_on_word: str = ""
    air_off_word: str = ""
    power_follows_speed: bool = False
    slat_gap_mm: float | None = None
    area_both_ways: bool = True

    def __post_init__(self) -> None:
        check_text(self, "name", needed=True)
        check_number(self, "rated_w", 0.01, 2000)
        check_word(self, "source", get_args(LaserSource))
        check_pair(self, "bed_mm", 10, 10000)
        check_number(self, "max_speed_mm_s", 0, 20000, above=True)
        check_number(self, "acceleration_mm_s2", 1, 1e6, none_ok=True)
        check_number(self, "beam_starts_pct", 0, 99)
        check_number(self, "ceiling_pct", 0, 100, above=True)
        check_number(self, "power_step_pct", 0.001, 50)
        check_number(self, "speed_step_mm_s", 0.0001, 1000)
        check_number(self, "power_word_full", 1, 1e6, none_ok=True)
        check_word(self, "beam_on_word", ("M3", "M4"))
        check_number(self, "lens_mm", 0, 1000, above=True, none_ok=True)
        check_number(self, "beam_mm", 0, 100, above=True, none_ok=True)
        check_word(self, "origin", get_args(Corner))
        check_pair(self, "offset_mm", -10000, 10000)
        check_number(self, "slat_gap_mm", 0, 1000, above=True, none_ok=True)
        self._check_air()
        self._check_curve()
        if self.ceiling_pct <= self.beam_starts_pct:
            fail(self, "ceiling_pct", self.ceiling_pct, "it must lie above beam_starts_pct")
        if self.speed_step_mm_s > self.max_speed_mm_s:
            fail(self, "speed_step_mm_s", self.speed_step_mm_s, "it must not exceed max_speed_mm_s")

    def _check_air(self) -> None:
        for field in ("air_on_word", "air_off_word"):
            check_word(self, field, ("", "M7", "M8", "M9"))

    def _check_curve(self) -> None:
        allowed = "give ((pct, watts), …), both rising, pct from above 0 to 100, watts above 0"
        try:
            points = [(float(pct), float(watts)) for pct, watts in self.power_curve]
        except (TypeError, ValueError, OverflowError):
            fail(self, "power_curve", self.power_curve, allowed)
        rising = all(a[0] < b[0] and a[1] < b[1] for a, b in zip(points, points[1:], strict=False))
        inside = all(0 < pct <= 100 and 0 < watts < 4000 for pct, watts in points)
        if not (rising and inside):
            fail(self, "power_curve", self.power_curve, allowed)
