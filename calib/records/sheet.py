"""A sheet of material."""

from __future__ import annotations

from typing import Annotated

from calib.records.fields import Name, Number, Text, Words, record, says


@record
class Sheet:
    """A material at a nominal thickness."""

    name: Annotated[Name, says("What you call it.")]
    material: Annotated[Name, says("What it is made of, in plain words.")]
    thickness_mm: Annotated[Number, says("Nominal thickness.", ge=0.01, le=60)]
    measured_mm: Annotated[Number | None, says("Measured thickness.", ge=0.01, le=60)] = None
    lot: Annotated[Text, says("Lot or delivery.")] = ""
    declaration: Annotated[Words, says("Your statement on a material that calib doesn't know.")] = (
        ""
    )

    @property
    def working_thickness_mm(self) -> float:
        """Measured thickness where there is one, else the nominal [mm]."""
        return self.thickness_mm if self.measured_mm is None else self.measured_mm
