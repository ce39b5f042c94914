"""A laser and what it can run."""

from __future__ import annotations

import itertools
from typing import Annotated, Any, Literal

from pydantic import Field

from calib.records.fields import Name, Number, Text, misfit, record, says
from calib.records.words import Corner, LaserSource
from calib.texts.say import say

Reach = Annotated[Number, Field(ge=10, le=10_000)]
Shift = Annotated[Number, Field(ge=-10_000, le=10_000)]
# A power [%] and the watts that were measured there.
CurvePoint = tuple[Annotated[Number, Field(gt=0, le=100)], Annotated[Number, Field(gt=0, lt=4000)]]
CURVE = say("records.give_points_of_power_and_watts")
Colour = Annotated[Text, Field(pattern=r"^#[0-9A-Fa-f]{6}$")]
_COLOURS = say("records.give_colours_that_differ")
# So much of 255 in one part: drawings round, and eyes do (judgement).
_LEAST_APART = 16
AirWord = Literal["", "M7", "M8", "M9"]


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
# Violet to near infrared, and the far infrared of CO2 lasers [nm].
_WAVELENGTHS: dict[LaserSource, tuple[int, int]] = {"co2": (9000, 11_000), "diode": (350, 1200)}


@record
class Machine:
    """One laser with its set-up."""

    name: Annotated[Name, says("What you call it.")]
    rated_w: Annotated[
        Number, says("Rated optical power at 100 %.", option="--watts", ge=0.01, le=2000)
    ]
    bed_mm: Annotated[tuple[Reach, Reach], says("Width x height that the head reaches.")]
    max_speed_mm_s: Annotated[Number, says("Top speed.", option="--top-speed", gt=0, le=20_000)]
    source: Annotated[LaserSource, says("Kind of laser.")] = "co2"
    acceleration_mm_s2: Annotated[
        Number | None, says("Acceleration of the head, if you know it.", ge=1, le=1_000_000)
    ] = None
    beam_starts_pct: Annotated[
        Number,
        says("Power below which no beam comes out.", unsaid="10 %; a diode: 2 %", ge=0, le=99),
    ] = _BY_SOURCE
    ceiling_pct: Annotated[
        Number,
        says(
            "Highest power that plans and advice use.",
            unsaid="80 %; a diode: 100 %",
            gt=0,
            le=100,
        ),
    ] = _BY_SOURCE
    power_curve: Annotated[
        tuple[CurvePoint, ...],
        says(
            "Measured watts by power, such as 20:9,50:28,80:44.",
            allowed=CURVE,
        ),
    ] = ()
    power_step_pct: Annotated[
        Number, says("Smallest step of power that it takes.", ge=0.001, le=50)
    ] = 1.0
    speed_step_mm_s: Annotated[
        Number, says("Smallest step of speed that it takes.", ge=0.0001, le=1000)
    ] = 0.1
    power_word_full: Annotated[
        Number | None,
        says("S word at 100 % power; programs need it.", option="--power-word", ge=1, le=1_000_000),
    ] = None
    beam_on_word: Annotated[
        Literal["M3", "M4", "M3 I", "M4 I"],
        says(
            "Word that turns the beam on, with I where a power is taken with the moves only;"
            " M4 where power follows speed.",
            option="--beam-on",
            unsaid="M3; a diode: M4",
        ),
    ] = _BY_SOURCE
    percent_lines: Annotated[
        bool,
        says(
            "Whether a program begins and ends with a line of %.",
            option="--percent-lines/--no-percent-lines",
        ),
    ] = False
    comments_in: Annotated[
        Literal["brackets", "semicolon"],
        says("How the controller takes comments: in brackets, or after a semicolon."),
    ] = "brackets"
    path_word: Annotated[
        Text,
        says(
            "Word for how closely the head follows corners.",
            pattern=r"^(G61|G61\.1|G64( P[0-9]+(\.[0-9]+)?)?)?$",
            allowed="give G61, G61.1, G64 or G64 with its tolerance in mm, such as G64 P0.02",
        ),
    ] = ""
    pause_in: Annotated[
        Literal["s", "ms"], says("What the P of a pause, G4, is counted in by the controller.")
    ] = "s"
    air_wait_s: Annotated[Number, says("Time until the air blows.", ge=0, le=60)] = 1.0
    lens_mm: Annotated[Number | None, says("Focal length of the lens.", gt=0, le=1000)] = None
    beam_mm: Annotated[Number | None, says("Width of the beam at the lens.", gt=0, le=100)] = None
    origin: Annotated[Corner, says("Corner of the board where the program's zero lies.")] = (
        "lower_left"
    )
    y_up: Annotated[
        bool, says("Whether the program's y grows away from you.", option="--y-up/--y-down")
    ] = True
    offset_mm: Annotated[tuple[Shift, Shift], says("Added to every x and y of the program.")] = (
        0.0,
        0.0,
    )
    air_on_word: Annotated[
        AirWord, says("M word that switches the air on; none if you do it.", option="--air-on")
    ] = ""
    air_off_word: Annotated[
        AirWord, says("M word that switches the air off.", option="--air-off")
    ] = ""
    power_follows_speed: Annotated[
        bool,
        says(
            "Whether the controller lowers the power with the speed by itself.",
            option="--power-follows-speed/--power-constant",
            unsaid="constant; a diode: follows",
        ),
    ] = _BY_SOURCE
    slat_gap_mm: Annotated[
        Number | None, says("Opening between the bars of the bed.", gt=0, le=1000)
    ] = None
    # False on machines with play.
    area_both_ways: Annotated[
        bool,
        says(
            "Whether the lines of an area mark are burnt there and back.",
            option="--area-both-ways/--area-one-way",
        ),
    ] = True

    air_low_word: Annotated[
        Literal["", "M7", "M8"],
        says("M word for low air, used for marks.", option="--air-low"),
    ] = ""
    wavelength_nm: Annotated[
        Number | None, says("Wavelength of the light, from the label.", ge=350, le=11_000)
    ] = None
    colours: Annotated[
        tuple[Colour, ...],
        says(
            "Colours that your drawing program tells apart, such as #146c43,#8a4baf.",
            allowed=_COLOURS,
            unsaid="eight that most programs tell apart",
        ),
    ] = ()

    def __post_init__(self) -> None:
        constant = self.beam_on_word == "M3" or self.power_follows_speed is False
        for name, usual in (self.usual | (_CONSTANT if constant else {})).items():
            if getattr(self, name) is None:
                object.__setattr__(self, name, usual)
        low, high = _WAVELENGTHS[self.source]
        if self.wavelength_nm is not None and not low <= self.wavelength_nm <= high:
            misfit(
                self,
                "wavelength_nm",
                self.wavelength_nm,
                say("records.give_number_from_to_for_this", low=low, high=high),
            )
        # M7 and M8 turn a coolant or the air on, M9 all of it off (NIST RS274/NGC, NISTIR 6556).
        if self.air_on_word and self.air_on_word in ("M9", self.air_off_word):
            misfit(
                self, "air_on_word", self.air_on_word, say("records.give_word_that_turns_air_on")
            )
        if self.air_off_word in ("M7", "M8"):
            misfit(
                self, "air_off_word", self.air_off_word, say("records.give_word_that_turns_it_off")
            )
        if self.air_low_word and self.air_low_word in (self.air_on_word, self.air_off_word):
            misfit(
                self,
                "air_low_word",
                self.air_low_word,
                say("records.give_word_that_does_nothing_else"),
            )
        if self.air_low_word and not self.air_on_word:
            misfit(self, "air_low_word", self.air_low_word, say("records.give_word_for_full_air"))
        if self.colours and not _all_apart(self.colours):
            misfit(self, "colours", self.colours, _COLOURS)
        points = self.power_curve
        if any(a[0] >= b[0] or a[1] >= b[1] for a, b in zip(points, points[1:], strict=False)):
            misfit(self, "power_curve", points, CURVE)
        if self.ceiling_pct <= self.beam_starts_pct:
            misfit(
                self,
                "ceiling_pct",
                self.ceiling_pct,
                say(
                    "records.give_more_than_where_beam_starts", beam_starts_pct=self.beam_starts_pct
                ),
            )
        if self.speed_step_mm_s > self.max_speed_mm_s:
            misfit(
                self,
                "speed_step_mm_s",
                self.speed_step_mm_s,
                say("records.give_no_more_than_top_speed", max_speed_mm_s=self.max_speed_mm_s),
            )

    @property
    def usual(self) -> dict[str, Any]:
        """What the fields that depend on the source are when they aren't given."""
        return _USUAL[self.source]

    @property
    def working_acceleration_mm_s2(self) -> float:
        """Acceleration to count with: the known one, else a cautious one [mm/s²]."""
        return self.acceleration_mm_s2 or CAUTIOUS_ACCELERATION_MM_S2


def _all_apart(colours: tuple[str, ...]) -> bool:
    """Whether two or more colours, with white, differ by so much that programs tell them apart."""
    rgb = [[int(colour[at : at + 2], 16) for at in (1, 3, 5)] for colour in (*colours, "#ffffff")]
    pairs = itertools.combinations(rgb, 2)
    far = (max(abs(a - b) for a, b in zip(*pair, strict=True)) >= _LEAST_APART for pair in pairs)
    return len(colours) > 1 and all(far)
