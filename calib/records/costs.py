"""What time, parts and sheets cost a workshop."""

from __future__ import annotations

import dataclasses
from typing import Annotated, Any

from pydantic import Field, WrapValidator

from calib.records.fields import Number, Text, record, says


class Guess(float):
    """A number that nobody gave: it stands until the user says better."""

    @classmethod
    def __get_pydantic_core_schema__(cls, kind: Any, handler: Any) -> Any:
        """As a number, in JSON."""
        return handler(float)


class GuessedGrades(tuple[float, ...]):
    """Numbers for the char grades that nobody gave."""

    @classmethod
    def __get_pydantic_core_schema__(cls, kind: Any, handler: Any) -> Any:
        """As a list, in JSON."""
        return handler(tuple[float, ...])


# A guess stays one, also where a record is made anew with other fields changed.
_kept = WrapValidator(lambda v, check: v if isinstance(v, (Guess, GuessedGrades)) else check(v))
# The last one checks first.
Amount = Annotated[Number, Field(ge=0, le=1_000_000_000), _kept]
Seconds = Annotated[Number, Field(ge=0, le=1_000_000_000)]
# Laying the sheet down, focusing, lining up, checking, for each load of the bed [s]: a guess.
START_UP_S = 120.0


@record
class Costs:
    """What time, parts and sheets cost a workshop; asked once.

    Every default is a guess, so that a first answer can be shown; ``guessed`` names the fields
    that still hold one. Money is in one currency throughout, whichever it is.
    """

    machine_hour: Annotated[
        Amount, says("An hour of the machine, and of whoever stays with it, in money.")
    ] = Guess(15.0)
    labour_hour: Annotated[Amount, says("An hour of handwork: pushing out, sanding, in money.")] = (
        Guess(25.0)
    )
    seconds_per_push: Annotated[
        Amount, says("Seconds to push or cut out one hanging place.", option="--push")
    ] = Guess(20.0)
    recut_part: Annotated[
        Amount, says("A part that is lost and cut again: material, time, bother, in money.")
    ] = Guess(3.0)
    # Only used where the region can't tell hanging from not cut.
    recut_share: Annotated[
        Annotated[Number, Field(ge=0, le=1), _kept],
        says("Share of the parts with a failing place that are lost, from 0 to 1."),
    ] = Guess(0.1)
    cleaning_s_per_m: Annotated[
        tuple[Seconds, Seconds, Seconds, Seconds, Seconds],
        _kept,
        says(
            "Handwork for a metre of cut at char 0, 1, 2, 3 and 4: five numbers.",
            option="--cleaning",
            allowed="give five numbers of at least 0, the seconds to clean a metre at char grades"
            " 0 to 4",
        ),
    ] = GuessedGrades((0.0, 0.0, 15.0, 40.0, 120.0))  # type: ignore[assignment]
    sheet_price: Annotated[Amount, says("A sheet, in money.")] = Guess(8.0)
    start_up_s: Annotated[
        Amount, says("Laying down, focusing and lining up for each load of the bed.")
    ] = Guess(START_UP_S)
    currency: Annotated[Text, says("Its name or sign, such as € or EUR.", max_length=20)] = ""

    @property
    def guessed(self) -> tuple[str, ...]:
        """Names of the fields that hold a guess."""
        held: list[tuple[str, Any]] = [
            (field.name, getattr(self, field.name)) for field in dataclasses.fields(self)
        ]
        return tuple(name for name, value in held if isinstance(value, (Guess, GuessedGrades)))
