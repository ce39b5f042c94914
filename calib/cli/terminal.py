"""What a command says: results to stdout, as text or JSON; all else to stderr."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

import typer

from calib.errors import CalibError
from calib.texts.say import say

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


class Silence:
    """Says at a terminal that a command goes on, unless it has spoken by then."""

    def __init__(self) -> None:
        self.timer: threading.Timer | None = None

    def begin(self) -> None:
        """Start waiting."""
        if sys.stderr.isatty():
            self.timer = threading.Timer(SILENCE_S, typer.echo, ["Working ..."], {"err": True})
            self.timer.daemon = True
            self.timer.start()

    def end(self) -> None:
        """Wait no more."""
        if self.timer is not None:
            self.timer.cancel()


silence = Silence()


def now() -> datetime:
    """The shell's clock, with its zone."""
    from datetime import datetime

    return datetime.now().astimezone()


def show(data: Any, text: str, *, as_json: bool) -> None:
    """Print a result: as JSON, or as text."""
    silence.end()
    said = json.dumps(plain(data), ensure_ascii=False, indent=2) if as_json else text
    try:
        typer.echo(said.translate(_SPELT_OUT))
    except BrokenPipeError:
        raise  # whoever read has enough
    except OSError as error:
        raise CalibError(say("cli.what_was_done_cant_be_shown", error=error)) from None


def tell(text: str) -> None:
    """Say something that isn't the result."""
    if text:
        silence.end()
        typer.echo(text.translate(_SPELT_OUT), err=True)


def confirmed(question: str) -> bool:
    """Ask at the keyboard; nobody there, or no answer, means no."""
    silence.end()
    try:
        return sys.stdin is not None and typer.confirm(question, err=True)
    except typer.Abort:
        return False


def unless_doubted(do: Callable[[bool], T], sure: bool, question: str, refusal: str) -> T:
    """Do a thing; where something speaks against it, say what, and ask first."""
    from calib.errors import NeedsYes

    try:
        return do(sure)
    except NeedsYes as doubtful:
        tell(" ".join(doubtful.doubts))
        if not confirmed(question):
            raise CalibError(refusal) from None
        return do(True)


def withdrawn(book: Book, ids: list[str], why: str, yes: bool) -> tuple[Any, str]:
    """Withdraw entries after asking; nothing of what is about them counts then."""
    if not why.strip():
        raise CalibError(say("cli.say_why_it_is_withdrawn"))
    if not yes and not confirmed(say("cli.it_wont_count_any_more")):
        raise CalibError(say("cli.nothing_was_withdrawn"))
    done = book.withdraw(ids, when=now(), why=why)
    text = say("cli.withdrawn_to_put_it_again", done=done)
    return done, say("cli.why_after_all", text=text)


def draw(pictures: Mapping[str, bytes]) -> None:
    """Write pictures, each where its name says."""
    from pathlib import Path

    from calib.tasks.files import write_folder

    for name, content in pictures.items():
        for written in write_folder({Path(name).name: content}, Path(name).parent):
            tell(f"Picture: {written}")


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
