"""What all commands share: the program, common options, quantities, how results are shown."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer
from typer.core import TyperGroup

from calib.errors import CalibError, InvalidQuantity, shown
from calib.units import (
    parse_length_mm,
    parse_percent,
    parse_power_w,
    parse_size_mm,
    parse_speed_mm_s,
)

if TYPE_CHECKING:
    from datetime import datetime

    from calib.logbook import Book

T = TypeVar("T")

# What would steer a terminal or turn its text round, as names from elsewhere may hold it: C0 but
# tab and line feed, DEL, C1 (ECMA-48), and the marks that embed or override a direction (UAX 9).
_STEERING = [*range(9), *range(11, 32), *range(127, 160), *range(0x202A, 0x202F),
             *range(0x2066, 0x206A)]  # fmt: skip
_SPELT_OUT = {code: f"\\u{code:04x}" for code in _STEERING}


# A command that has said nothing for so long says that it goes on [s].
SILENCE_S = 2.0


class _Silence:
    """Says at a terminal that a command goes on, unless it has spoken by then."""

    def __init__(self) -> None:
        self.timer: threading.Timer | None = None

    def begin(self) -> None:
        if sys.stderr.isatty():
            self.timer = threading.Timer(SILENCE_S, typer.echo, ["Working ..."], {"err": True})
            self.timer.daemon = True
            self.timer.start()

    def end(self) -> None:
        if self.timer is not None:
            self.timer.cancel()


_silence = _Silence()


class _Program(TyperGroup):
    """Shows the sentence of a refusal alone, and ends with 1."""

    def invoke(self, ctx: Any) -> Any:
        _silence.begin()
        try:
            return super().invoke(ctx)
        except CalibError as refusal:
            from calib.cli.wording import in_options

            tell(in_options(str(refusal), self._options(ctx)))
            raise typer.Exit(1) from None
        finally:
            _silence.end()

    def _options(self, ctx: Any) -> dict[str, str]:
        """Options of the command at hand, and those of other commands with the command's name."""
        from calib.cli.wording import HOMES

        own = ctx.invoked_subcommand
        found: dict[str, str] = {}
        for name in (*HOMES, own):
            command = self.get_command(ctx, name)
            for parameter in command.params if command else ():
                found |= dict.fromkeys(parameter.opts, "" if name == own else name)
        return found


app = typer.Typer(
    name="calib",
    cls=_Program,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    help=(
        "Find a laser's cut and mark settings for a sheet with few burns and a stated chance."
        " Lengths are in mm, speeds in mm/s, powers in % of full; other units may be written:"
        " 1/4 in, 720 mm/min."
    ),
    epilog="Example: calib plan --burns 6 --offcut 200x150 --into board-1",
)


def quantity(parse: Callable[[str], T]) -> Callable[[str], T]:
    """Make a parser of options out of one of `calib.units`."""

    def parser(text: str) -> T:
        try:
            return parse(text)
        except InvalidQuantity as wrong:
            raise typer.BadParameter(str(wrong)) from None

    return parser


def many(parse: Callable[[str], T]) -> Callable[[str], tuple[T, ...]]:
    """Make a parser of lists such as ``40,60,80``."""
    one = quantity(parse)

    def parser(text: str) -> tuple[T, ...]:
        return tuple(one(part) for part in text.split(","))

    return parser


def whole(text: str) -> int:
    """Read a whole number."""
    try:
        return int(text)
    except ValueError:
        raise InvalidQuantity(f"{shown(text)} can't be read: write a whole number.") from None


def signed_length(text: str) -> float:
    """Read a length with its sign [mm]: ``-2``, ``+1.5 mm``."""
    bare = text.strip()
    value = parse_length_mm(bare.lstrip("+-"))
    return -value if bare.startswith("-") else value


length, speed = quantity(parse_length_mm), quantity(parse_speed_mm_s)
percent, size = quantity(parse_percent), quantity(parse_size_mm)
watts = quantity(parse_power_w)

BookPlace = Annotated[
    str | None,
    typer.Option(
        "--book",
        envvar="CALIB_BOOK",
        metavar="PATH|URL",
        show_default="your data folder",
        help="Logbook: a file, or a postgresql:// address.",
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print JSON; its keys hold the units, such as speed_mm_s.")
]
SheetName = Annotated[
    str | None,
    typer.Argument(metavar="SHEET", help="Name of the sheet; the only one if left out."),
]
MachineName = Annotated[
    str | None,
    typer.Option(
        "--machine", metavar="NAME", help="Name of the machine; the only one if left out."
    ),
]
BoardCode = Annotated[str, typer.Argument(metavar="BOARD", help="Code of the board, or: last.")]
OperationName = Annotated[
    str,
    typer.Option("--operation", metavar="WORD", help="cut, line_mark or area_mark."),
]
Note = Annotated[str, typer.Option("--note", metavar="TEXT", help="Your own words.")]
Why = Annotated[
    str, typer.Option("--why", metavar="TEXT", help="Why something is corrected; kept with it.")
]
SittingLabel = Annotated[
    str | None,
    typer.Option(
        "--sitting",
        metavar="TEXT",
        show_default="the date of the evening",
        help="Name of what was burnt in one go with one set-up.",
    ),
]
Reliability = Annotated[
    float,
    typer.Option(
        "--reliability",
        metavar="CHANCE",
        help="Chance, from 0 to 1, that the promise shall hold.",
    ),
]
CharAtMost = Annotated[
    int | None,
    typer.Option(
        "--char-at-most",
        metavar="GRADE",
        show_default="char doesn't matter",
        help="Worst char that is fine: 0 clean, 1 tan, 2 brown, 3 black, 4 flaking.",
    ),
]
MarkGrade = Annotated[
    int,
    typer.Option(
        "--mark",
        metavar="GRADE",
        help="Wanted mark: 0 nothing, 1 faint, 2 clear, 3 heavy, 4 scorched.",
    ),
]


def open_book(place: str | None) -> Book:
    """Open the logbook; use it with ``with``."""
    from calib.logbook import open_book as opened

    return opened(place or None)


def now() -> datetime:
    """The shell's clock, with its zone."""
    from datetime import datetime

    return datetime.now().astimezone()


def checked_operation(word: str) -> Any:
    """Check an operation as typed; `line-mark` is understood too."""
    from calib.records import OPERATIONS

    name = word.strip().casefold().replace("-", "_").replace(" ", "_")
    if name not in OPERATIONS:
        raise typer.BadParameter(
            f"{shown(word)} is no operation: give one of {', '.join(OPERATIONS)}.",
            param_hint="--operation",
        )
    return name


def show(data: Any, text: str, *, as_json: bool) -> None:
    """Print a result: as JSON, or as text."""
    _silence.end()
    said = json.dumps(plain(data), ensure_ascii=False, indent=2) if as_json else text
    try:
        typer.echo(said.translate(_SPELT_OUT))
    except BrokenPipeError:
        raise  # whoever read has enough
    except OSError as error:
        raise CalibError(
            f"What was done can't be shown ({error.strerror}): make room where it is written."
        ) from None


def tell(text: str) -> None:
    """Say something that isn't the result."""
    if text:
        _silence.end()
        typer.echo(text.translate(_SPELT_OUT), err=True)


def confirmed(question: str) -> bool:
    """Ask at the keyboard; nobody there, or no answer, means no."""
    try:
        return typer.confirm(question, err=True)
    except typer.Abort:
        return False


def suggest(text: str, *, as_json: bool) -> None:
    """Say what to do next; not to a program."""
    if not as_json:
        tell(text)


def plain(value: Any) -> Any:
    """Turn records into what JSON can hold; the keys are the names of the fields."""
    import dataclasses
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(part) for part in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value) if isinstance(value, Path) else value
