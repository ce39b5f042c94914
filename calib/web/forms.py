"""What forms and addresses hold, turned into the records that tasks take."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from calib import tasks
from calib.errors import InvalidRecord
from calib.records import LaserSource, Machine, Operation, Setting, Sheet
from calib.units import parse_length_mm, parse_percent, parse_size_mm, parse_speed_mm_s

# An empty field means "not given", never 0.
_given = BeforeValidator(lambda value: None if value == "" else value)
Name = Annotated[Annotated[str, Field(max_length=200)] | None, _given]
# A box with several lines may be typed in several lines; what is kept is one.
_one_line = BeforeValidator(
    lambda value: " ".join(value.splitlines()) if isinstance(value, str) else value
)
Words = Annotated[Annotated[str, Field(max_length=1000)], _one_line]
Typed = Annotated[str, Field(max_length=80)]
Grade = Annotated[Annotated[int, Field(ge=0, le=4)] | None, _given]
Number = Annotated[Annotated[float, Field(allow_inf_nan=False)] | None, _given]


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


class WishForm(PairForm):
    """What is asked of a setting."""

    aim: Literal["fastest", "cleanest"] = "fastest"
    reliability: Annotated[float, Field(ge=0.5, lt=1)] = tasks.BoardWish().reliability
    char_at_most: Grade = None
    mark: Annotated[int, Field(ge=0, le=4)] = 2
    scope: Literal["coupon", "job", "sheet"] = "coupon"
    cut_length: Typed = ""

    @property
    def wish(self) -> tasks.RegionWish:
        """As tasks take it."""
        length = None
        if self.scope == "job":
            if not self.cut_length:
                raise InvalidRecord(
                    "A whole job's chance hangs on its length, and none was given: give the job's"
                    " cut path, such as 4.2 m."
                )
            length = parse_length_mm(self.cut_length)
        return tasks.RegionWish(
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
    offcut: Typed = ""
    line_pitch: Typed = ""
    seen: Annotated[str, Field(max_length=20)] = ""

    @property
    def board_wish(self) -> tasks.BoardWish:
        """As tasks take it."""
        wish = self.wish
        pitch = parse_length_mm(self.line_pitch) if self.line_pitch else None
        return tasks.BoardWish(
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

    power: Typed
    speed: Typed
    passes: Annotated[int, Field(ge=1, le=50)] = 1
    through: Annotated[int, Field(ge=0, le=1_000_000)] = 0
    hanging: Annotated[int, Field(ge=0, le=1_000_000)] = 0
    no: Annotated[int, Field(ge=0, le=1_000_000)] = 0
    part_length: Typed = ""
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
    def counts(self) -> tasks.JobCounts:
        """How many parts came out how."""
        return tasks.JobCounts(
            through=self.through,
            hanging=self.hanging,
            no=self.no,
            cut_length_mm=parse_length_mm(self.part_length) if self.part_length else None,
        )


class MachineForm(_Form):
    """A machine, as it is described."""

    name: Typed
    rated_w: Annotated[float, Field(allow_inf_nan=False)]
    source: LaserSource = "co2"
    bed: Typed
    top_speed: Typed
    acceleration_mm_s2: Number = None
    power_word_full: Number = None
    beam_starts_pct: Number = None
    ceiling_pct: Number = None
    wavelength_nm: Number = None
    lens_mm: Number = None
    slat_gap_mm: Number = None

    @property
    def record(self) -> Machine:
        """The machine; what is left out is assumed."""
        optional: dict[str, Any] = {
            name: getattr(self, name)
            for name in ("acceleration_mm_s2", "power_word_full", "beam_starts_pct", "ceiling_pct",
                         "wavelength_nm", "lens_mm", "slat_gap_mm")
            if getattr(self, name) is not None
        }  # fmt: skip
        return Machine(
            name=self.name,
            rated_w=self.rated_w,
            source=self.source,
            bed_mm=parse_size_mm(self.bed),
            max_speed_mm_s=parse_speed_mm_s(self.top_speed),
            **optional,
        )


class SheetForm(_Form):
    """A sheet, as it is described."""

    name: Typed
    material: Typed
    thickness: Typed
    measured: Typed = ""
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

    material: Typed
    source: LaserSource = "co2"
    declaration: Words = ""


class LotForm(_Form):
    """A new lot of a sheet."""

    sheet: Typed
    lot: Typed
    measured: Typed = ""

    @property
    def changed(self) -> dict[str, Any]:
        """What becomes different; another lot was not measured by the earlier one's caliper."""
        measured = parse_length_mm(self.measured) if self.measured else None
        return {"lot": self.lot, "measured_mm": measured}


class ChangeForm(_Form):
    """Something new at a machine."""

    machine: Typed
    what: Literal["lens", "focus", "air", "mirror", "tube", "other"]
    lens_mm: Number = None
    note: Words = ""

    @property
    def changed(self) -> dict[str, Any]:
        """Fields of the machine that become different."""
        return {} if self.lens_mm is None else {"lens_mm": self.lens_mm}


class ElsewhereForm(PairForm):
    """The same sheet on another machine."""

    to_machine: Name = None
    rated_w: Number = None
    offcut: Typed = ""

    @property
    def elsewhere_wish(self) -> tasks.ElsewhereWish:
        """As tasks take it; a machine of the logbook goes before bare watts."""
        return tasks.ElsewhereWish(
            to_machine=self.to_machine,
            rated_w=None if self.to_machine else self.rated_w,
            offcut_mm=parse_size_mm(self.offcut) if self.offcut else None,
        )
