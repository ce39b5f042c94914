"""A command: its options are made of the fields of the records it takes, when it is asked for."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Iterator, Sequence
from dataclasses import MISSING, replace
from typing import TYPE_CHECKING, Annotated, Any, Generic, TypeVar, get_args, get_origin

import typer
from typer.core import TyperCommand

from calib.errors import CalibError, InvalidQuantity, InvalidRecord

if TYPE_CHECKING:
    from calib.records.fields import FieldOf

T = TypeVar("T")
F = TypeVar("F", bound=Callable[..., None])

# Where a field is given that the command at hand doesn't ask for.
_HOMES = ("change-machine", "change-sheet")
# In the order in which help lists them.
COMMANDS: dict[str, Command] = {}


class Changes(dict[str, Any], Generic[T]):
    """The fields of a record that were typed; what wasn't stays as it is."""


def command(
    panel: str, example: str, *, arguments: Sequence[str] = (), leave_out: Sequence[str] = ()
) -> Callable[[F], F]:
    """Make a function a command, named as in its example.

    A parameter that is a record, or `Changes` of one, stands for an option for each of its fields;
    ``arguments`` are typed without an option's name, and ``leave_out`` aren't asked for.
    """

    def kept(function: F) -> F:
        made = Command(function, panel, example, arguments, leave_out)
        COMMANDS[str(made.name)] = made
        return function

    return kept


class Command(TyperCommand):
    """Knows its name, sentence and place in the help; the rest is made on first use."""

    def __init__(
        self,
        function: Callable[..., None],
        panel: str,
        example: str,
        arguments: Sequence[str],
        leave_out: Sequence[str],
    ) -> None:
        super().__init__(
            example.split()[1],
            help=inspect.getdoc(function),
            epilog=f"Example: {example}",
            rich_help_panel=panel,
            rich_markup_mode="rich",
        )
        self.function, self.arguments, self.leave_out = function, arguments, leave_out

    def make_context(self, *args: Any, **more: Any) -> Any:
        """Parse with all options."""
        return self.whole.make_context(*args, **more)

    @functools.cached_property
    def fields(self) -> dict[str, tuple[str, FieldOf]]:
        """Each field that is asked for: the parameter that it belongs to, and what it is."""
        return {
            field.name: (name, field)
            for name, kind in self._records.items()
            for field in _fields_of(kind)
            if field.name not in self.leave_out and _is_typed(field)
        }

    @functools.cached_property
    def whole(self) -> TyperCommand:
        """The command with all its options."""
        program = typer.Typer(add_completion=False, rich_markup_mode="rich")
        program.command(self.name, help=self.help, epilog=self.epilog)(self._typed())
        made: Any = typer.main.get_command(program)
        made.rich_help_panel = self.rich_help_panel
        return made  # type: ignore[no-any-return]

    @functools.cached_property
    def _signature(self) -> inspect.Signature:
        from calib import records
        from calib.tasks import wishes

        named = {**vars(records), **vars(wishes)}
        known = {name: kind for name, kind in named.items() if _fields_of(kind)}
        return inspect.signature(self.function, locals=known, eval_str=True)

    @functools.cached_property
    def _records(self) -> dict[str, Any]:
        kinds = {name: each.annotation for name, each in self._signature.parameters.items()}
        return {name: kind for name, kind in kinds.items() if _fields_of(kind)}

    def _typed(self) -> Callable[..., None]:
        """The function as it is typed: with fields in place of records."""

        @functools.wraps(self.function)
        def typed(**given: Any) -> None:
            said: dict[str, dict[str, Any]] = {name: {} for name in self._records}
            for name, (owner, _) in self.fields.items():
                value = given.pop(name)
                if value is not None:
                    said[owner][name] = value
            made = {name: _made(kind, said[name]) for name, kind in self._records.items()}
            self.function(**given, **made)

        typed.__signature__ = inspect.Signature(list(self._parameters()))  # type: ignore[attr-defined]
        typed.__annotations__ = {}
        return typed

    def _parameters(self) -> Iterator[inspect.Parameter]:
        for name, each in self._signature.parameters.items():
            if name not in self._records:
                yield each.replace(kind=inspect.Parameter.KEYWORD_ONLY)
            for owner, field in self.fields.values():
                if owner == name:
                    kind = each.annotation
                    yield self._parameter(
                        field,
                        needed=not _may_be_left_out(kind),
                        changes=get_origin(kind) is Changes,
                    )

    def _parameter(self, field: FieldOf, *, needed: bool, changes: bool) -> inspect.Parameter:
        from calib.typed import read, write

        needed = field.needed and (needed or field.name in self.arguments)
        unit = f" ({field.unit})" if field.unit else ""
        words = f": {', '.join(field.choices)}" if field.choices else ""
        default = field.unsaid
        if not default and field.default is True:
            default = field.option.split("/")[0][2:].replace("-", " ")
        elif not default and field.default not in (None, "", (), False, MISSING):
            default = f"{write(field, field.default)} {field.unit}".rstrip()
        if needed or changes:
            default = ""
        shown: dict[str, Any] = {
            "help": f"{field.help.rstrip('.')}{words}{unit}.",
            "show_default": default or False,
        }
        kind: Any = Any
        if field.bare is bool:
            kind = bool | None
        else:
            shown["metavar"] = _metavar(field)
        if field.bare is str:
            kind = str | None
        elif field.bare is not bool:
            shown["parser"] = reader(functools.partial(read, field))
        asked: Any = (
            typer.Argument(**{**shown, "metavar": field.words.upper()})
            if field.name in self.arguments
            else typer.Option(field.option, **shown)
        )
        return inspect.Parameter(
            field.name,
            inspect.Parameter.KEYWORD_ONLY,
            annotation=Annotated[kind, asked],
            default=inspect.Parameter.empty if needed else None,
        )

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
        for home, option in ways:
            if option.startswith("--"):
                return f"{said} Give it with {'' if home is self else f'{home.name} '}{option}."
        return said

    def _called(self, field: str) -> str:
        """What this command calls a field; nothing where it doesn't ask for it."""
        for each in self.whole.params:
            if each.name == field and each.opts[0].startswith("--"):
                return each.opts[0]
        return field.replace("_", " ") if field in self.fields else ""


def reader(parse: Callable[[str], T]) -> Callable[[str], T]:
    """Make a parser of an option, whose refusals are wrong use."""

    def parser(text: str) -> T:
        try:
            return parse(text)
        except InvalidQuantity as wrong:
            raise typer.BadParameter(str(wrong)) from None

    return parser


def _fields_of(kind: Any) -> tuple[FieldOf, ...]:
    """The fields of a record, of one that may be left out, or of changes of one."""
    from calib.records.fields import fields_of

    found = next((k for k in (kind, *get_args(kind)) if hasattr(k, "__pydantic_fields__")), None)
    return () if found is None or get_origin(kind) is Annotated else fields_of(found)


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
            raise typer.BadParameter(f"give {options} together, or neither.")
    record = kind if isinstance(kind, type) else get_args(kind)[0]
    return record(**given)


def _is_typed(field: FieldOf) -> bool:
    """Records and tables inside a record are asked for in another way."""
    kind = get_origin(field.bare) or field.bare
    return kind in (bool, int, float, str, tuple) or bool(field.choices)


def _metavar(field: FieldOf) -> str:
    parts = get_args(field.bare)
    one = {"mm": "LENGTH", "mm/s": "SPEED", "s": "SECONDS"}.get(field.unit, field.unit.upper())
    if get_origin(field.bare) is tuple:
        if parts[-1] is not Ellipsis:
            if len(parts) > 2:
                return f"{one or 'NUMBER'},..."
            return "X,Y" if field.bounds.get("ge", 0) < 0 else "SIZE"
        listed = one or ("N" if field.bounds else "A:B")
        return f"{'SIZE' if get_origin(parts[0]) is tuple and one else listed},..."
    kinds = {int: "N", float: "NUMBER", str: "TEXT"}
    return one or ("WORD" if field.choices else kinds[field.bare])
