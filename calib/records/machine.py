"""A laser and what it can run."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, get_args

from calib.records.checks import check_number, check_pair, check_text, check_word, fail
from calib.records.content import ADDED_LATER
from calib.records.words import Corner, LaserSource

# Taken for the head as long as nobody said its acceleration: cautious, for light heads of desktop
# machines do more (common practice, no source) [mm/s²].
CAUTIOUS_ACCELERATION_MM_S2 = 1500.0

# What a field is when it isn't given, by source. A gas tube gives no steady beam at low power, and
# ages sooner at full power; a diode is switched, gives some beam from the start on, and is rated
# for full power. Controllers of diodes lower the power with the speed (all common practice, no
# source).
_CONSTANT: dict[str, Any] = {"beam_on_word": "M3", "power_follows_speed": False}
_USUAL: dict[LaserSource, dict[str, Any]] = {
    "co2": {"beam_starts_pct": 10.0, "ceiling_pct": 80.0, **_CONSTANT},
    "diode": {
        "beam_starts_pct": 2.0, "ceiling_pct": 100.0,
        "beam_on_word": "M4", "power_follows_speed": True,
    },
}  # fmt: skip
# Typed so that a field left out is still a number or a word for whoever reads the record.
_BY_SOURCE: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """One laser with its set-up."""

    name: str  # What the workshop calls it
    rated_w: float  # Rated optical power at 100 % [W]
    bed_mm: tuple[float, float]  # Width and height that the head reaches [mm]
    max_speed_mm_s: float  # Top speed [mm/s]
    source: LaserSource = "co2"  # ``co2`` or ``diode``
    # Acceleration of the head [mm/s²]; None when not known: see ``working_acceleration_mm_s2``
    acceleration_mm_s2: float | None = None
    # Power below which no beam comes out [%]; left out, 10 for CO2 and 2 for a diode (common
    # practice, no source)
    beam_starts_pct: float = _BY_SOURCE
    # Highest power that plans and advice may use [%]; left out, 80 for CO2, which spares the tube,
    # and 100 for a diode (common practice, no source)
    ceiling_pct: float = _BY_SOURCE
    # Measured ((pct, watts), …), rising; empty when not measured
    power_curve: tuple[tuple[float, float], ...] = ()
    # power_step_pct, speed_step_mm_s: Smallest steps that the machine takes [%], [mm/s]
    power_step_pct: float = 1.0
    speed_step_mm_s: float = 0.1
    # S word at 100 % power; None when not known: then no program can be written
    power_word_full: float | None = None
    # ``M3``, or ``M4`` on controllers where power follows speed; left out, M3 for CO2 and M4 for a
    # diode, M3 for one whose power doesn't follow
    beam_on_word: str = _BY_SOURCE
    # lens_mm, beam_mm: Focal length and beam diameter at the lens [mm]; None when not known
    lens_mm: float | None = None
    beam_mm: float | None = None
    origin: Corner = "lower_left"  # Corner of the board where the program's (0, 0) lies
    y_up: bool = True  # True when the program's y grows away from the operator
    offset_mm: tuple[float, float] = (0.0, 0.0)  # Added to every x and y of the program [mm]
    # air_on_word, air_off_word: M words that switch the air assist; empty when it is switched by
    # hand
    air_on_word: str = ""
    air_off_word: str = ""
    # True when the controller lowers the power with the speed by itself; left out, False for CO2
    # and, unless its beam goes on with M3, True for a diode
    power_follows_speed: bool = _BY_SOURCE
    # Opening between the bars of the bed [mm]; None when not known
    slat_gap_mm: float | None = None
    # True when the lines of an area mark are burnt there and back; False for one direction only, on
    # machines with play
    area_both_ways: bool = True
    # M word that switches the air assist to low, for marks; empty when it has one strength
    air_low_word: str = field(default="", metadata=ADDED_LATER)
    # Of the beam [nm]; None when not known, which for CO2 is 10,600
    wavelength_nm: float | None = field(default=None, metadata=ADDED_LATER)

    def __post_init__(self) -> None:
        check_text(self, "name", needed=True)
        check_number(self, "rated_w", 0.01, 2000)
        check_word(self, "source", get_args(LaserSource))
        constant = self.beam_on_word == "M3" or self.power_follows_speed is False
        for name, usual in (self.usual | (_CONSTANT if constant else {})).items():
            if getattr(self, name) is None:
                object.__setattr__(self, name, usual)
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
        # Violet to near infrared, and the far infrared of CO2 lasers.
        low, high = (350, 1200) if self.source == "diode" else (9000, 11000)
        check_number(self, "wavelength_nm", low, high, none_ok=True)
        self._check_air()
        self._check_curve()
        if self.ceiling_pct <= self.beam_starts_pct:
            fail(self, "ceiling_pct", self.ceiling_pct, "it must lie above beam_starts_pct")
        if self.speed_step_mm_s > self.max_speed_mm_s:
            fail(self, "speed_step_mm_s", self.speed_step_mm_s, "it must not exceed max_speed_mm_s")

    @property
    def usual(self) -> dict[str, Any]:
        """What the fields that depend on the source are when they aren't given."""
        return _USUAL[self.source]

    @property
    def working_acceleration_mm_s2(self) -> float:
        """Acceleration to count with: the known one, else a cautious one [mm/s²]."""
        return self.acceleration_mm_s2 or CAUTIOUS_ACCELERATION_MM_S2

    def _check_air(self) -> None:
        for name in ("air_on_word", "air_off_word"):
            check_word(self, name, ("", "M7", "M8", "M9"))
        check_word(self, "air_low_word", ("", "M7", "M8"))
        if self.air_low_word and self.air_low_word in (self.air_on_word, self.air_off_word):
            fail(self, "air_low_word", self.air_low_word, "give a word that does nothing else")
        if self.air_low_word and not self.air_on_word:
            fail(self, "air_low_word", self.air_low_word, "give air_on_word, for full air, too")

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
