"""What a field of a record is: type, bounds, unit and one sentence, said once, where it stands.

A record is a class whose fields are written ``name: Annotated[kind, says("One sentence.")] =
default``. The unit is the last part of the field's name. From this come the command's option, the
form's input, the JSON, the entry of the logbook and the sentence of a refusal.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Mapping
from types import UnionType
from typing import (
    Annotated,
    Any,
    Literal,
    NoReturn,
    TypeVar,
    Union,
    cast,
    dataclass_transform,
    get_args,
    get_origin,
)

from pydantic import BeforeValidator, ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as _checked
from pydantic.fields import FieldInfo

from calib.errors import InvalidRecord, Misfit, shown
from calib.records.words import GRADES
from calib.texts.say import say

T = TypeVar("T")

# Unit that the last part of a name stands for, longest first.
_UNITS = {
    "_s_per_m": "s/m",
    "_mm_s2": "mm/s²",
    "_mm_s": "mm/s",
    "_mm": "mm",
    "_pct": "%",
    "_w": "W",
    "_nm": "nm",
    "_s": "s",
}


def _bare(value: object) -> object:
    """Numbers of numpy as Python's own; true and false are no numbers."""
    if type(value).__module__ == "numpy" and hasattr(value, "item"):
        value = value.item()
    if isinstance(value, bool):
        raise ValueError(say("records.true_or_false_is_no_number"))
    return value


def _one_line(value: object) -> object:
    if isinstance(value, str) and any(ord(c) < 32 or 0xD800 <= ord(c) <= 0xDFFF for c in value):
        raise ValueError(say("records.more_than_one_line"))
    return value


Number = Annotated[float, BeforeValidator(_bare), Field(strict=True, allow_inf_nan=False)]
Whole = Annotated[int, BeforeValidator(_bare), Field(strict=True)]
Text = Annotated[str, BeforeValidator(_one_line), Field(strict=True, max_length=200)]
Words = Annotated[str, BeforeValidator(_one_line), Field(strict=True, max_length=1000)]
Name = Annotated[Text, Field(min_length=1, pattern=r"\S")]
Grade = Annotated[Whole, Field(ge=GRADES[0], le=GRADES[-1])]
Chance = Annotated[Number, Field(ge=0, le=1)]


def says(help: str, *, option: str = "", allowed: str = "", unsaid: str = "", **bounds: Any) -> Any:
    """Say one sentence of a field, and its bounds (``gt``, ``ge``, ``lt``, ``le``).

    ``option`` is what the command line calls it where that isn't the name less its unit (for yes
    and no: ``--yes/--no``), ``allowed`` what may be given where that isn't clear from type and
    bounds, and ``unsaid`` what holds when it isn't given where its default doesn't tell.
    """
    extra: dict[str, Any] = {"option": option, "allowed": allowed, "unsaid": unsaid}
    extra = {name: words for name, words in extra.items() if words}
    return Field(description=help, json_schema_extra=extra or None, **bounds)


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=())
def record(cls: type[T]) -> type[T]:
    """Make a class a record: frozen, keyword-only, checked when made and when replaced."""
    made: Any = _checked(frozen=True, kw_only=True, config=ConfigDict(extra="forbid"))(cls)
    check = made.__init__

    @functools.wraps(check)
    def checked(self: Any, **given: Any) -> None:
        try:
            check(self, **given)
        except ValidationError as wrong:
            raise _refusal(made, wrong, given) from None

    made.__init__ = checked
    return made  # type: ignore[no-any-return]


def _refusal(kind: type[Any], wrong: ValidationError, given: Any) -> InvalidRecord:
    """Say all that is wrong at once, each field once, with its place."""
    known = {field.name: field for field in fields_of(cast(Any, kind))}
    misfits: dict[str, Misfit] = {}
    for error in wrong.errors(include_url=False):
        inner = error.get("ctx", {}).get("error")
        if isinstance(inner, InvalidRecord):
            return inner
        name = str(error["loc"][0]) if error["loc"] else ""
        if not name:
            return InvalidRecord(
                say(
                    "records.is_give_its_fields",
                    record=kind.__name__,
                    given=shown(given),
                    known=", ".join(known),
                )
            )
        allowed = (
            known[name].allowed
            if name in known
            else say("records.give_only", known=", ".join(known))
        )
        missing = error["type"].startswith("missing") and len(error["loc"]) == 1
        value = given.get(name) if isinstance(given, Mapping) else error["input"]
        misfits.setdefault(name, Misfit(name, value, allowed, missing=missing))
    return InvalidRecord.of(kind.__name__, misfits.values())


def misfit(record: object, field: str, value: object, allowed: str) -> NoReturn:
    """Refuse a value that doesn't fit the other fields; it shows at ``field``."""
    raise InvalidRecord.of(type(record).__name__, [Misfit(field, value, allowed)])


def spoken(name: str) -> str:
    """A field's name as it is spoken: without the unit."""
    end = next((end for end in _UNITS if name.endswith(end)), "")
    return name.removesuffix(end).replace("_", " ")


@dataclasses.dataclass(frozen=True, kw_only=True)
class FieldOf:
    """One field as the shells need it."""

    name: str
    kind: Any
    help: str
    default: Any
    info: FieldInfo

    @property
    def needed(self) -> bool:
        """True when it has no default."""
        return self.default is dataclasses.MISSING

    @property
    def unit(self) -> str:
        """Unit of its numbers, from the name; empty for none."""
        return next((unit for end, unit in _UNITS.items() if self.name.endswith(end)), "")

    @property
    def words(self) -> str:
        """Its name as it is spoken: without the unit."""
        return spoken(self.name)

    @property
    def option(self) -> str:
        """What the command line calls it; both words where it is yes or no."""
        if self._extra("option"):
            return self._extra("option")
        option = "--" + self.words.replace(" ", "-")
        both = self.bare is bool and self.default is not False
        return f"{option}/--no{option[1:]}" if both else option

    @property
    def bare(self) -> Any:
        """Its kind without bounds, and without None where it needn't be given."""
        return bare(self.kind)

    @property
    def is_span(self) -> bool:
        """Whether it is a whole number, or two: from one to another."""
        return get_origin(self.bare) in (Union, UnionType)

    @property
    def bounds(self) -> dict[str, Any]:
        """Its ``gt``, ``ge``, ``lt``, ``le``, ``max_length``; of a list, those of its parts."""
        if get_origin(self.bare) is tuple:
            return _bounds_of(get_args(self.bare)[0])
        return _bounds_of(self.kind, self.info.metadata)

    @property
    def unsaid(self) -> str:
        """What holds when it isn't given, in words; empty where the default says it."""
        return self._extra("unsaid")

    @property
    def choices(self) -> tuple[str, ...]:
        """The words that it may be; empty where it isn't one of some."""
        if get_origin(self.bare) is not Literal:
            return ()
        return tuple(str(word) for word in get_args(self.bare) if word != "")

    @property
    def allowed(self) -> str:
        """What may be given, as an order: ``give a number from 0 to 99``."""
        return self._extra("allowed") or _allowed(self.kind, self.info.metadata)

    def _extra(self, name: str) -> str:
        extra = self.info.json_schema_extra
        return str(extra.get(name, "")) if isinstance(extra, dict) else ""


def _bounds(metadata: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for item in metadata:
        if isinstance(item, FieldInfo):
            found |= _bounds(item.metadata)
        for name in ("gt", "ge", "lt", "le", "max_length", "min_length"):
            if getattr(item, name, None) is not None:
                found[name] = getattr(item, name)
    return found


def _bounds_of(kind: Any, metadata: Any = ()) -> dict[str, Any]:
    bounds = _bounds(metadata)
    while bare(kind) is not kind:
        if get_origin(kind) is Annotated:
            kind, *more = get_args(kind)
            bounds = _bounds(more) | bounds
        else:
            kind = next(part for part in get_args(kind) if part is not type(None))
    return bounds


def bare(kind: Any) -> Any:
    """A kind without bounds, and without None where there is a choice."""
    while True:
        if get_origin(kind) is Annotated:
            kind = get_args(kind)[0]
        elif type(None) in get_args(kind):
            kind = next(part for part in get_args(kind) if part is not type(None))
        else:
            return kind


def _allowed(kind: Any, metadata: Any = ()) -> str:
    bounds = _bounds_of(kind, metadata)
    kind = bare(kind)
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Literal:
        words = ", ".join(str(word) for word in parts if word != "")
        return say("records.give_one_of", words=words)
    if kind is bool:
        return say("records.give_true_or_false")
    if kind is int:
        return say("records.give_whole_number", range=_range(bounds))
    if kind is float:
        return say("records.give_number", range=_range(bounds))
    if kind is str:
        most = bounds.get("max_length", 200)
        if bounds.get("min_length"):
            return say("records.give_name", most=most)
        return say("records.give_one_line", most=most)
    if origin is tuple and parts[-1] is Ellipsis:
        return say("records.give_list_of_entries", allowed=_allowed(parts[0]))
    if origin is tuple:
        within = _range(_bounds(get_args(parts[0])[1:]))
        if len(parts) == 2:
            return say("records.give_two_numbers", range=within)
        return say("records.give_values", count=len(parts), range=within)
    return f"give a {getattr(kind, '__name__', 'value')}"


def _range(bounds: Mapping[str, float]) -> str:
    low = say("records.above", bounds=bounds) if "gt" in bounds else ""
    low = say("records.from", bounds=bounds) if "ge" in bounds else low
    if "lt" in bounds:
        return low + say("records.and_below" if low else "records.below", bounds=bounds)
    if "le" not in bounds:
        return low
    return low + say("records.to" if "ge" in bounds else "records.and_at_most", bounds=bounds)


@functools.cache
def fields_of(kind: type[Any]) -> tuple[FieldOf, ...]:
    """The fields of a record, in their order."""
    infos: Mapping[str, FieldInfo] = kind.__pydantic_fields__
    return tuple(
        FieldOf(
            name=field.name,
            kind=infos[field.name].annotation,
            help=infos[field.name].description or "",
            default=field.default,
            info=infos[field.name],
        )
        for field in dataclasses.fields(kind)
    )


@functools.cache
def adapter(kind: type[T]) -> TypeAdapter[T]:
    """Reads and writes a record as JSON; made once."""
    return TypeAdapter(kind)


def to_json(record: Any) -> dict[str, Any]:
    """A record as JSON holds it: every field, defaults too, tuples as lists."""
    written: dict[str, Any] = adapter(cast(Any, type(record))).dump_python(record, mode="json")
    return written


def from_json(kind: type[T], document: object) -> T:
    """A record from what `to_json` gave; raises InvalidRecord naming the fields that don't fit."""
    try:
        return cast(T, adapter(cast(Any, kind)).validate_python(document))
    except ValidationError as wrong:
        raise _refusal(kind, wrong, document) from None
