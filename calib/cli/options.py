"""A command: its options are made of the fields of the records it takes, when it is asked for."""

from __future__ import annotations

import builtins
import functools
import importlib
import inspect
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import MISSING, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, Generic, TypeVar, get_args, get_origin

import typer
from typer.core import TyperCommand

from calib.cli.terminal import confirmed, show, tell
from calib.errors import CalibError, InvalidQuantity, InvalidRecord, NearMiss, shown
from calib.texts.say import say
from calib.units import parse_length_mm

if TYPE_CHECKING:
    from calib.records.fields import FieldOf

T = TypeVar("T")
# A result as data and as text, and what to do next; None where the command spoke itself.
Said = tuple[Any, str] | tuple[Any, str, str] | None
F = TypeVar("F", bound=Callable[..., Said])

# Where a field is given that the command at hand doesn't ask for.
_HOMES = ("machine change", "sheet change")
# Where records are that a command may take, the last of them the slowest to load.
_RECORDS = ("calib.records", "calib.tasks.wishes", "calib.logbook.bodies")
# By their words, in the order in which help lists them.
COMMANDS: dict[str, Command] = {}
# What the commands that stand in a group are about.
GROUPS = {
    "machine": say("cli.describe_machines_and_check_that_they"),
    "sheet": say("cli.describe_sheets_and_their_lots"),
    "board": say("cli.list_boards_show_one"),
    "joint": say("cli.read_what_joint_board_tells"),
    "book": say("cli.look_into_logbook"),
}


def reader(parse: Callable[[str], T]) -> Callable[[str], T]:
    """Make a parser of an option, whose refusals are wrong use."""

    def parser(text: str) -> T:
        try:
            return parse(text)
        except InvalidQuantity as wrong:
            raise typer.BadParameter(str(wrong)) from None

    return parser


def many(parse: Callable[[str], T]) -> Callable[[str], tuple[T, ...]]:
    """Make a parser of lists such as ``40,60,80``."""
    return reader(lambda text: tuple(parse(part) for part in text.split(",")))


def option(name: str, metavar: str, help: str, **more: Any) -> Any:
    """An option that is no record's field."""
    return typer.Option(name, metavar=metavar, help=help, **more)


def flag(name: str, help: str) -> Any:
    """One that is there or not."""
    return typer.Option(name, help=help)


def argument(metavar: str, help: str, **more: Any) -> Any:
    """What is typed without an option's name."""
    return typer.Argument(metavar=metavar, help=help, **more)


def _operation(text: str) -> Any:
    from calib.records.fields import fields_of
    from calib.tasks.wishes import Pair
    from calib.typed import read

    return read(next(field for field in fields_of(Pair) if field.name == "operation"), text)


length = reader(parse_length_mm)
_PLACE = option("--book", "PATH|URL", "Logbook: a file, or a postgresql:// address.",
                envvar="CALIB_BOOK", show_default="your data folder")  # fmt: skip
BookPlace = Annotated[str | None, _PLACE]
AsJson = Annotated[bool, flag("--json", "Print JSON; its keys hold the units, such as speed_mm_s.")]
BoardCode = Annotated[str, argument("BOARD", "Code of the board, or: last.")]
MachineName = Annotated[
    str | None, option("--machine", "NAME", "Name of the machine; the only one if left out.")
]
AnyOperation = Annotated[
    Any, option("--operation", "WORD", "cut, line_mark or area_mark.", parser=reader(_operation))
]
OfMachine = Annotated[str | None, option("--machine", "NAME", "Only of this machine.")]
OfSheet = Annotated[str | None, option("--sheet", "NAME", "Only of this sheet.")]
Limit = Annotated[int, option("--limit", "N", "At most so many.")]
Note = Annotated[str, option("--note", "TEXT", "Your own words.")]
Why = Annotated[str, option("--why", "TEXT", "Why, in your own words; kept with it.")]
Sure = Annotated[bool, flag("--yes", "Don't ask.")]
SessionLabel = Annotated[
    str | None,
    option("--session", "TEXT", "Name of what was burnt in one go with one set-up.",
           show_default="the date of the evening"),
]  # fmt: skip
CaliperLimit = Annotated[
    float | None,
    option("--caliper-limit", "LENGTH", "Largest error that the caliper's maker allows (mm).",
           parser=length, show_default="0.02 mm"),
]  # fmt: skip
Into = Annotated[Path | None, option("--into", "FOLDER", "Write the files there; made if missing.")]
IntoHere = Annotated[Path, option("--into", "FOLDER", "Where to; made if missing.")]


def _picture(text: str) -> str:
    from calib.tasks.files import picture_format

    try:
        picture_format(text)
    except InvalidRecord as wrong:
        raise typer.BadParameter(str(wrong)) from None
    return text


Pictures = Annotated[
    list[str] | None,
    option("--picture", "FILE", "Also draw it: .png or .svg; may be repeated.", parser=_picture),
]


class Changes(dict[str, Any], Generic[T]):
    """The fields of a record, or of several (A | B), that were typed; no others are in it."""


def command(example: str, **settings: Any) -> Callable[[F], F]:
    """Make a function a command, named as in its example: one word, or a group and a word.

    A parameter that is a record, or `Changes` of one, stands for an option for each of its fields.
    One that is called ``book`` gets the opened logbook. Every command takes ``--json``.
    ``settings`` are those of `Command`.
    """

    def kept(function: F) -> F:
        made = Command(function, example, **settings)
        COMMANDS[made.words] = made
        return function

    return kept


class _Records(dict[str, Any]):
    """The records that a function's parameters are, by name; loaded when one is asked for."""

    def __init__(self, function: Callable[..., Any]) -> None:
        super().__init__(Book=Any)
        self.known = {**vars(builtins), **function.__globals__}

    def __missing__(self, name: str) -> Any:
        for home in () if name in self.known else _RECORDS:
            if hasattr(module := importlib.import_module(home), name):
                return getattr(module, name)
        raise KeyError(name)


class Plain:
    """Help without names of types: what is typed after an option is named, and nothing else."""

    def get_params(self, ctx: Any) -> list[Any]:
        """All that may be typed, none with the name of its type."""
        found: list[Any] = super().get_params(ctx)  # type: ignore[misc]
        for one in found:
            one.display_type = lambda ctx: ""
        return found


class _WithOptions(Plain, TyperCommand):
    pass


class Command(TyperCommand):
    """Knows its name, sentence and place in the help; the rest is made on first use.

    ``arguments`` are typed without an option's name, and ``leave_out`` aren't asked for. Help shows
    the fields of ``panels`` under titles of their own.
    """

    def __init__(
        self,
        function: Callable[..., Said],
        example: str,
        *,
        arguments: Sequence[str] = ("name", "sheet"),
        leave_out: Sequence[str] = (),
        hidden: bool = False,
        panels: Mapping[str, Sequence[str]] = MappingProxyType({}),
    ) -> None:
        _, name, *more = example.split()
        self.words = f"{name} {more[0]}" if name in GROUPS else name
        super().__init__(
            self.words.split()[-1],
            help=inspect.getdoc(function),
            epilog=f"Example: {example}",
            rich_markup_mode="rich",
            hidden=hidden,
        )
        self.function, self.arguments, self.leave_out = function, arguments, leave_out
        self.panels = {field: title for title, fields in panels.items() for field in fields}

    def make_context(self, *args: Any, **more: Any) -> Any:
        """Parse with all options."""
        return self.whole.make_context(*args, **more)

    @functools.cached_property
    def whole(self) -> TyperCommand:
        """The command with all its options."""
        program = typer.Typer(add_completion=False, rich_markup_mode="rich")
        program.command(self.name, cls=_WithOptions, help=self.help, epilog=self.epilog)(
            self._typed()
        )
        return typer.main.get_command(program)  # type: ignore[return-value]

    @functools.cached_property
    def _signature(self) -> inspect.Signature:
        return inspect.signature(self.function, locals=_Records(self.function), eval_str=True)

    @functools.cached_property
    def _records(self) -> dict[str, Any]:
        known = self._signature.parameters
        return {n: each.annotation for n, each in known.items() if _fields_of(each.annotation)}

    @functools.cached_property
    def fields(self) -> dict[str, tuple[str, FieldOf]]:
        """Each field that is asked for: the parameter that it belongs to, and what it is."""
        found: dict[str, tuple[str, FieldOf]] = {}
        for name, kind in self._records.items():
            for field in _fields_of(kind):
                if field.name not in self.leave_out and _is_typed(field):
                    found.setdefault(field.name, (name, field))
        return found

    def _typed(self) -> Callable[..., None]:
        """The function as it is typed: with fields in place of records."""

        @functools.wraps(self.function)
        def typed(*, as_json: bool, place: str | None = None, **given: Any) -> None:
            said: dict[str, dict[str, Any]] = {name: {} for name in self._records}
            for name, (owner, _) in self.fields.items():
                value = given.pop(name)
                if value is not None:
                    said[owner][name] = value
            known = self._signature.parameters
            given |= {n: v for n, v in {"as_json": as_json, "place": place}.items() if n in known}
            try:
                opened: Any = nullcontext()
                if "book" in known:
                    from calib.logbook import open_book

                    opened = open_book(place or None)
                with opened as book:
                    result = self._run(book, given, said)
                if result is not None:
                    data, text, *following = result
                    show(data, text, as_json=as_json)
                    if not as_json:  # what to do next is no business of a program
                        tell("".join(following))
            except CalibError as refusal:
                tell(self.said(refusal))
                raise typer.Exit(1) from None

        typed.__signature__ = inspect.Signature(list(self._parameters()))  # type: ignore[attr-defined]
        typed.__annotations__ = {}
        return typed

    def _run(self, book: Any, given: dict[str, Any], said: dict[str, dict[str, Any]]) -> Said:
        """Run the function; a name that isn't there but is like one that is, is asked about."""
        known = {"book": book} if "book" in self._signature.parameters else {}
        try:
            if book is not None:
                self._choose(book, said)
            made = {name: _made(kind, said[name]) for name, kind in self._records.items()}
            return self.function(**given, **made, **known)
        except NearMiss as near:
            if not confirmed(say("cli.there_is_no", given=shown(near.given), near=near)):
                raise
            given, *fields = (
                {name: near.like if value == near.given else value for name, value in one.items()}
                for one in (given, *said.values())
            )
            return self._run(book, given, dict(zip(said, fields, strict=True)))

    def _choose(self, book: Any, said: dict[str, dict[str, Any]]) -> None:
        """Take the machine and sheet that were used last where they aren't named, and say so."""
        from calib.tasks.pairs import chosen_pair
        from calib.tasks.wishes import Named

        for name, kind in self._records.items():
            of_pair = any(issubclass(one, Named) for one in _kinds_of(kind))
            names = {part: said[name].get(part) for part in ("machine", "sheet")}
            if of_pair and None in names.values() and book.machines() and book.sheets():
                chosen = chosen_pair(book, **names)
                if chosen.how:
                    said[name] |= {"machine": chosen.machine, "sheet": chosen.sheet}
                    tell(chosen.how)

    def _parameters(self) -> Iterator[inspect.Parameter]:
        for name, each in self._signature.parameters.items():
            if name not in (*self._records, "book", "place", "as_json"):
                yield each.replace(kind=inspect.Parameter.KEYWORD_ONLY)
            for owner, field in self.fields.values():
                if owner == name:
                    yield self._parameter(field, each.annotation)
        if {"book", "place"} & set(self._signature.parameters):
            yield _parameter("place", BookPlace, None)
        yield _parameter("as_json", AsJson, False)

    def _parameter(self, field: FieldOf, kind: Any) -> inspect.Parameter:
        from calib.typed import read, write

        is_argument = field.name in self.arguments
        # Of one record: what isn't typed stays as it is. Of several, each has its defaults.
        changes = get_origin(kind) is Changes and not get_args(get_args(kind)[0])
        needed = field.needed and (is_argument or not _may_be_left_out(kind))
        unit = f" ({field.unit})" if field.unit else ""
        words = f": {', '.join(field.choices)}" if field.choices else ""
        default = field.unsaid
        if not default and field.default is True:
            default = field.option.split("/")[0][2:].replace("-", " ")
        elif not default and field.default not in (None, "", (), False, MISSING):
            default = f"{write(field, field.default)} {field.unit}".rstrip()
        settings: dict[str, Any] = {
            "help": f"{field.help.rstrip('.')}{words}{unit}.",
            "show_default": (not needed and not changes and default) or False,
        }
        if field.name in self.panels:
            settings["rich_help_panel"] = self.panels[field.name]
        if field.bare is not bool:
            settings["metavar"] = field.words.upper() if is_argument else _metavar(field)
        if field.bare not in (bool, str):
            settings["parser"] = reader(functools.partial(read, field))
        typed: Any = {bool: bool | None, str: str | None}.get(field.bare, Any)
        asked: Any = (
            typer.Argument(**settings) if is_argument else typer.Option(field.option, **settings)
        )
        left_out = inspect.Parameter.empty if needed else None
        return _parameter(field.name, Annotated[typed, asked], left_out)

    def said(self, refusal: CalibError) -> str:
        """A refusal in the words of this command: options in place of fields."""
        from calib.typed import write

        misfits = refusal.misfits if isinstance(refusal, InvalidRecord) else ()
        sentences = []
        for each in misfits:
            _, field = self.fields.get(each.field, ("", None))
            value = "" if field is None else write(field, each.value)
            one = replace(each, missing=each.missing or each.value is None)
            sentences.append(one.said(self._called(each.field) or each.field, value))
        said = " ".join(sentences) or str(refusal)
        homes = (self, *(COMMANDS[name] for name in _HOMES))
        ways = ((home, home._called(refusal.ask)) for home in homes if refusal.ask)
        for home, called in ways:
            if called.startswith("--"):
                where = "" if home is self else f"calib {home.words} "
                return say("cli.give_it", said=said, where=where, called=called)
        return said

    def _called(self, field: str) -> str:
        """What this command calls a field; nothing where it doesn't ask for it."""
        for each in self.whole.params:
            if each.name == field and each.opts[0].startswith("--"):
                return each.opts[0]
        return field.replace("_", " ") if field in self.fields else ""


def _parameter(name: str, kind: Any, default: Any) -> inspect.Parameter:
    return inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, annotation=kind, default=default)


def _kinds_of(kind: Any) -> list[Any]:
    """The record that a parameter is, or may be, or is changes of; several of a union."""
    if get_origin(kind) is Annotated:
        return []
    parts = [part for one in get_args(kind) for part in (one, *get_args(one))]
    return [one for one in (kind, *parts) if hasattr(one, "__pydantic_fields__")]


def _fields_of(kind: Any) -> tuple[FieldOf, ...]:
    from calib.records.fields import fields_of

    return tuple(field for one in _kinds_of(kind) for field in fields_of(one))


def _may_be_left_out(kind: Any) -> bool:
    return get_origin(kind) is Changes or type(None) in get_args(kind)


def _made(kind: Any, given: dict[str, Any]) -> Any:
    if get_origin(kind) is Changes:
        return Changes(given)
    if _may_be_left_out(kind):
        if not given:
            return None
        needed = [field for field in _fields_of(kind) if field.needed]
        if any(field.name not in given for field in needed):
            options = " and ".join(field.option for field in needed)
            raise typer.BadParameter(say("cli.give_together_or_neither", options=options))
    record = kind if isinstance(kind, type) else get_args(kind)[0]
    return record(**given)


def _is_typed(field: FieldOf) -> bool:
    """Records and tables inside a record are asked for in another way."""
    kind = get_origin(field.bare) or field.bare
    return kind in (bool, int, float, str, tuple) or field.is_span or bool(field.choices)


def _metavar(field: FieldOf) -> str:
    parts = get_args(field.bare)
    one = {"mm": "LENGTH", "mm/s": "SPEED", "s": "SECONDS"}.get(field.unit, field.unit.upper())
    if field.is_span:
        return say("cli.n_or_n_n")
    if get_origin(field.bare) is tuple:
        if parts[-1] is not Ellipsis:
            if len(parts) > 2:
                return f"{one or 'NUMBER'},..."
            return "X,Y" if field.bounds.get("ge", 0) < 0 else "SIZE"
        words = "max_length" in field.bounds
        listed = one or ("TEXT" if words else "N" if field.bounds else "A:B")
        return f"{'SIZE' if get_origin(parts[0]) is tuple and one else listed},..."
    kinds = {int: "N", float: "NUMBER", str: "TEXT"}
    return one or ("WORD" if field.choices else kinds[field.bare])
