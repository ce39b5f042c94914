"""What all commands share: the program, common options, quantities, how results are shown."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer
from typer.core import TyperGroup

from calib.cli.options import COMMANDS, reader
from calib.errors import CalibError, shown
from calib.units import parse_length_mm

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
    """Makes commands when asked for; shows a refusal's sentence alone, and ends with 1."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**{**settings, "commands": COMMANDS})

    def invoke(self, ctx: Any) -> Any:
        _silence.begin()
        try:
            return super().invoke(ctx)
        except CalibError as refusal:
            tell(COMMANDS[ctx.invoked_subcommand].said(refusal))
            raise typer.Exit(1) from None
        finally:
            _silence.end()


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


@app.callback()
def _calib() -> None: ...


def many(parse: Callable[[str], T]) -> Callable[[str], tuple[T, ...]]:
    """Make a parser of lists such as ``40,60,80``."""
    one = reader(parse)

    def parser(text: str) -> tuple[T, ...]:
        return tuple(one(part) for part in text.split(","))

    return parser


length = reader(parse_length_mm)

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


def draw(pictures: Mapping[str, bytes]) -> None:
    """Write pictures, each where its name says."""
    from pathlib import Path

    from calib.tasks.folders import write_folder

    for name, content in pictures.items():
        for written in write_folder({Path(name).name: content}, Path(name).parent):
            tell(f"Picture: {written}")


def suggest(text: str, *, as_json: bool) -> None:
    """Say what to do next; not to a program."""
    if not as_json:
        tell(text)


def plain(value: Any) -> Any:
    """Turn records into what JSON can hold; the keys are the names of the fields."""
    import dataclasses
    from datetime import datetime
    from pathlib import Path

    from calib.records.fields import to_json

    if hasattr(value, "__pydantic_fields__"):
        return to_json(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(part) for part in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value) if isinstance(value, Path) else value
