"""A sheet of material."""

from __future__ import annotations

from dataclasses import dataclass

from calib.records.checks import check_number, check_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A material at a nominal thickness."""

    name: str  # What the workshop calls it
    material: str  # Its material, in plain words
    thickness_mm: float  # Nominal thickness [mm]
    measured_mm: float | None = None  # Measured thickness [mm]; None when not measured
    lot: str = ""  # Lot or delivery
    declaration: str = ""  # The user's statement on a material that calib doesn't know

    def __post_init__(self) -> None:
        check_text(self, "name", needed=True)
        check_text(self, "material", needed=True)
        check_number(self, "thickness_mm", 0.01, 60)
        check_number(self, "measured_mm", 0.01, 60, none_ok=True)
        check_text(self, "lot")
        check_text(self, "declaration", longest=1000)

    @property
    def working_thickness_mm(self) -> float:
        """Measured thickness where there is one, else the nominal [mm]."""
        return self.thickness_mm if self.measured_mm is None else self.measured_mm
