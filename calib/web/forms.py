"""What forms and addresses hold, read into records by their fields."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, TypeVar, cast

from fastapi import Depends, Request

from calib.errors import InvalidQuantity, InvalidRecord, Misfit
from calib.records import Setting
from calib.records.fields import adapter, fields_of, record
from calib.tasks.boards import PURPOSES
from calib.tasks.wishes import Pair, RegionWish
from calib.texts.say import say
from calib.typed import read

T = TypeVar("T")


async def _sent(request: Request) -> dict[str, str]:
    """What a form or an address holds; a box of several lines may be typed in several lines."""
    given = await request.form() if request.method == "POST" else request.query_params
    texts = {name: value for name, value in given.items() if isinstance(value, str)}
    return {name: " ".join(value.splitlines()).strip() for name, value in texts.items()}


Sent = Annotated[dict[str, str], Depends(_sent)]


def filled(kind: type[T], sent: Mapping[str, str], **known: Any) -> T:
    """Make a record of what was filled in, each field read with its unit; empty is not given.

    Raises InvalidRecord saying of each field what doesn't fit, all at once.
    """
    given, wrong = _read(kind, sent)
    try:
        made = kind(**{**given, **known})
    except InvalidRecord as refusal:
        unread = {each.field for each in wrong}
        wrong += [each for each in refusal.misfits if each.field not in unread]
        if not wrong:
            raise
    if wrong:
        raise InvalidRecord.of("", wrong)
    return made


def changes(kind: type[Any], sent: Mapping[str, str]) -> dict[str, Any]:
    """The fields of a record that were filled in; raises InvalidRecord as `filled` does."""
    given, wrong = _read(kind, sent)
    if wrong:
        raise InvalidRecord.of("", wrong)
    return given


def _read(kind: type[Any], sent: Mapping[str, str]) -> tuple[dict[str, Any], list[Misfit]]:
    given, wrong = {}, []
    for field in fields_of(cast(Any, kind)):
        if text := sent.get(field.name, ""):
            try:
                given[field.name] = read(field, text)
            except InvalidQuantity as error:
                wrong.append(Misfit(field.name, text, "", sentence=str(error)))
    return given, wrong


@record
class Asked(Pair, RegionWish):
    """What is asked of a setting of a pair."""


@record
class AskedSetting(Setting, Asked):
    """One setting of a pair, and what is asked of it."""


def asked(kind: type[T], sent: Mapping[str, str]) -> T:
    """What is asked of a pair: of the next coupon, the next sheet, or a whole job."""
    scope, operation = sent.get("scope", "coupon"), sent.get("operation", "cut")
    if scope == "job" and not sent.get("cut_length_mm"):
        needed = say("web.whole_jobs_chance_hangs")
        raise InvalidRecord.of("", [Misfit("cut_length_mm", None, "", sentence=needed)])
    left_out = {"slowest_mm_s", "costs"} | ({"cut_length_mm"} if scope != "job" else set())
    if operation != "cut":
        # A mark's chance is the highest there is; how sure it must be is asked of cuts.
        left_out |= {"reliability", "char_at_most"}
    kept = {name: text for name, text in sent.items() if name not in left_out}
    return filled(kind, kept, next_sheet=scope == "sheet")


def typed_for(purpose: str, sent: Mapping[str, str]) -> dict[str, Any]:
    """What was filled in of the fields that a board of a purpose may have."""
    every = [changes(kind, sent) for kind in PURPOSES[purpose]]
    return {name: value for given in every for name, value in given.items()}


def query_of(kind: type[Any]) -> list[dict[str, Any]]:
    """An address's names and values, for the description of the interface."""
    shapes = adapter(cast(Any, kind)).json_schema()
    return [
        {"name": name, "in": "query", "required": name in shapes["required"], "schema": shape}
        for name, shape in shapes["properties"].items()
        if "$ref" not in str(shape)
    ]
