"""What forms and addresses hold, turned into the records that tasks take."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from calib.errors import InvalidQuantity, InvalidRecord
from calib.records import LaserSource, Machine, Operation, Setting, Sheet
from calib.tasks.wishes import BoardWish, CheckWish, ElsewhereWish, JobCounts, RegionWish
from calib.units import (
    parse_length_mm,
    parse_percent,
    parse_power_w,
    parse_size_mm,
    parse_speed_mm_s,
)

# An empty field means "not given", never 0.
_given = BeforeValidator(lambda value: None if value == "" else value)
Name = Annotated[Annotated[str, Field(max_length=200)] | None, _given]
# A box with several lines may be typed in several lines; what is kept is one.
_one_line = BeforeValidator(
    lambda value: " ".join(value.splitlines()) if isinstance(value, str) else value
)
Words = Annotated[Annotated[str, Field(max_length=1000)], _one_line]
Typed = Annotated[str, Field(max_length=80)]


def _read_by(parse: Callable[[str], Any]) -> AfterValidator:
    """Text that can be read as a quantity, or is empty; it stays as it was typed."""

    def checked(text: str) -> str:
        if text:
            parse(text)
        return text

    return AfterValidator(checked)


def parse_number(text: str) -> float:
    """Read a plain number, with the unit or letter it is known by: ``1000``, ``S1000``."""
    found = _PLAIN.fullmatch(text.strip())
    if found is None:
        raise InvalidQuantity(f"{text[:40]!r} can't be read: write a number such as 1000.")
    return float(found[1].replace(",", "."))


_PLAIN = re.compile(r"[sS]?\s*(\d{1,9}(?:[.,]\d{0,9})?)\s*(?:mm/s(?:²|2|\^2))?")
Needed = Annotated[str, Field(min_length=1, max_length=80)]
Length = Annotated[Typed, _read_by(parse_length_mm)]
NeededLength = Annotated[Needed, _read_by(parse_length_mm)]
Size = Annotated[Typed, _read_by(parse_size_mm)]
NeededSize = Annotated[Needed, _read_by(parse_size_mm)]
NeededSpeed = Annotated[Needed, _read_by(parse_speed_mm_s)]
Percent = Annotated[Typed, _read_by(parse_percent)]
NeededPercent = Annotated[Needed, _read_by(parse_percent)]
Watts = Annotated[Typed, _read_by(parse_power_w)]
NeededWatts = Annotated[Needed, _read_by(parse_power_w)]
PlainNumber = Annotated[Typed, _read_by(parse_number)]
# What may be told of a machine now or later: field of the form, of the record, and how it is read.
TOLD_LATER: dict[str, Callable[[str], float]] = {
    "power_word_full": parse_number,
    "acceleration_mm_s2": parse_number,
    "beam_starts_pct": parse_percent,
    "ceiling_pct": parse_percent,
    "wavelength_nm": parse_number,
    "lens_mm": parse_length_mm,
    "slat_gap_mm": parse_length_mm,
}
Grade = Annotated[Annotated[int, Field(ge=0, le=4)] | None, _given]


class _Form(BaseModel):
    model_config = ConfigDict(extra="ignore", str_strip_whitespace=True)


class PairForm(_Form):
    """Which machine, sheet and operation; left out where there is only one."""

    machine: Name = None
    sheet: Name = None
    operation: Operation = "cut"

    @property
    def pair(self) -> tuple[str | None, str | None, Operation]:
        """As tasks take it."""
        return self.machine, self.sheet, self.operation

    @property
    def query(self) -> dict[str, str]:
        """As an address takes it."""
        return {name: str(value) for name, value in self.model_dump().items() if value is not None}


class OffcutForm(PairForm):
    """A pair, and the piece at hand."""

    offcut: Size = ""

    @property
    def check_wish(self) -> CheckWish:
        """As tasks take it."""
        return CheckWish(offcut_mm=parse_size_mm(self.offcut) if self.offcut else None)


class WishForm(PairForm):
    """What is asked of a setting."""

    aim: Literal["fastest", "cleanest"] = "fastest"
    reliability: Annotated[float, Field(ge=0.5, lt=1)] = BoardWish().reliability
    char_at_most: Grade = None
    mark: Annotated[int, Field(ge=0, le=4)] = 2
    scope: Literal["coupon", "job", "sheet"] = "coupon"
    cut_length: Length = ""

    @property
    def wish(self) -> RegionWish:
        """As tasks take it."""
        length = None
        if self.scope == "job":
            if not self.cut_length:
                raise InvalidRecord(
                    "A whole job's chance hangs on its length, and none was given: give the job's"
                    " cut path, such as 4.2 m."
                )
            length = parse_length_mm(self.cut_length)
        return RegionWish(
            aim=self.aim,
            # A mark's chance is the highest there is; how sure it must be is asked of cuts.
            reliability=self.reliability if self.operation == "cut" else None,
            char_at_most=self.char_at_most if self.operation == "cut" else None,
            mark=self.mark,
            cut_length_mm=length,
            next_sheet=self.scope == "sheet",
        )


class BoardForm(WishForm):
    """What a board is to be planned for."""

    burns: Annotated[int, Field(ge=1, le=60)] = 6
    offcut: Size = ""
    line_pitch: Length = ""
    seen: Annotated[str, Field(max_length=20)] = ""

    @property
    def board_wish(self) -> BoardWish:
        """As tasks take it."""
        wish = self.wish
        pitch = parse_length_mm(self.line_pitch) if self.line_pitch else None
        return BoardWish(
            burns=self.burns,
            offcut_mm=parse_size_mm(self.offcut) if self.offcut else None,
            line_pitch_mm=pitch if self.operation == "area_mark" else None,
            reliability=self.reliability,
            char_at_most=wish.char_at_most,
            mark=wish.mark,
        )


class SettingForm(WishForm):
    """One setting of a region."""

    power_pct: Annotated[float, Field(ge=0.1, le=100, allow_inf_nan=False)]
    speed_mm_s: Annotated[float, Field(ge=0.01, le=20000, allow_inf_nan=False)]
    passes: Annotated[int, Field(ge=1, le=50)] = 1
    line_pitch_mm: Annotated[Annotated[float, Field(ge=0.001, le=20)] | None, _given] = None

    @property
    def setting(self) -> Setting:
        """As tasks take it."""
        return Setting(
            power_pct=self.power_pct,
            speed_mm_s=self.speed_mm_s,
            passes=self.passes,
            line_pitch_mm=self.line_pitch_mm,
        )


class JobForm(PairForm):
    """How a job came out."""

    power: NeededPercent
    speed: NeededSpeed
    passes: Annotated[int, Field(ge=1, le=50)] = 1
    through: Annotated[int, Field(ge=0, le=1_000_000)] = 0
    hanging: Annotated[int, Field(ge=0, le=1_000_000)] = 0
    no: Annotated[int, Field(ge=0, le=1_000_000)] = 0
    part_length: Length = ""
    note: Words = ""

    @property
    def setting(self) -> Setting:
        """What it was run at."""
        return Setting(
            power_pct=parse_percent(self.power),
            speed_mm_s=parse_speed_mm_s(self.speed),
            passes=self.passes,
        )

    @property
    def counts(self) -> JobCounts:
        """How many parts came out how."""
        return JobCounts(
            through=self.through,
            hanging=self.hanging,
            no=self.no,
            cut_length_mm=parse_length_mm(self.part_length) if self.part_length else None,
        )


class MoreForm(_Form):
    """What is told of a machine that calib otherwise assumes or doesn't know."""

    name: Needed
    power_word_full: PlainNumber = ""
    acceleration_mm_s2: PlainNumber = ""
    beam_starts_pct: Percent = ""
    ceiling_pct: Percent = ""
    wavelength_nm: PlainNumber = ""
    lens_mm: Length = ""
    slat_gap_mm: Length = ""

    @property
    def told(self) -> dict[str, Any]:
        """Fields of the record that were filled in."""
        given = {name: getattr(self, name) for name in TOLD_LATER}
        return {name: TOLD_LATER[name](text) for name, text in given.items() if text}


class MachineForm(MoreForm):
    """A machine, as it is described."""

    rated_w: NeededWatts
    source: LaserSource = "co2"
    bed: NeededSize
    top_speed: NeededSpeed

    @property
    def record(self) -> Machine:
        """The machine; what is left out is assumed."""
        return Machine(
            name=self.name,
            rated_w=parse_power_w(self.rated_w),
            source=self.source,
            bed_mm=parse_size_mm(self.bed),
            max_speed_mm_s=parse_speed_mm_s(self.top_speed),
            **self.told,
        )


class SheetForm(_Form):
    """A sheet, as it is described."""

    name: Needed
    material: Needed
    thickness: NeededLength
    measured: Length = ""
    lot: Typed = ""
    declaration: Words = ""

    @property
    def record(self) -> Sheet:
        """The sheet."""
        return Sheet(
            name=self.name,
            material=self.material,
            thickness_mm=parse_length_mm(self.thickness),
            measured_mm=parse_length_mm(self.measured) if self.measured else None,
            lot=self.lot,
            declaration=self.declaration,
        )


class MaterialForm(_Form):
    """What is asked of a material before a sheet of it is bought."""

    material: Needed
    source: LaserSource = "co2"
    declaration: Words = ""


class LotForm(_Form):
    """A new lot of a sheet."""

    sheet: Needed
    lot: Needed
    measured: Length = ""

    @property
    def changed(self) -> dict[str, Any]:
        """What becomes different; another lot was not measured by the earlier one's caliper."""
        measured = parse_length_mm(self.measured) if self.measured else None
        return {"lot": self.lot, "measured_mm": measured}


class ChangeForm(_Form):
    """Something new at a machine."""

    machine: Needed
    what: Literal["lens", "focus", "air", "mirror", "tube", "other"]
    lens_mm: Length = ""
    note: Words = ""

    @property
    def changed(self) -> dict[str, Any]:
        """Fields of the machine that become different."""
        return {"lens_mm": parse_length_mm(self.lens_mm)} if self.lens_mm else {}


class ElsewhereForm(PairForm):
    """The same sheet on another machine."""

    to_machine: Name = None
    rated_w: Watts = ""
    offcut: Size = ""

    @property
    def elsewhere_wish(self) -> ElsewhereWish:
        """As tasks take it; a machine of the logbook goes before bare watts."""
        return ElsewhereWish(
            to_machine=self.to_machine,
            rated_w=parse_power_w(self.rated_w) if self.rated_w and not self.to_machine else None,
            offcut_mm=parse_size_mm(self.offcut) if self.offcut else None,
        )
