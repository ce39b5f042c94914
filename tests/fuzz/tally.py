"""Send an input to a reader and judge what came of it."""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from hostile import Grammar, bend, encoded, grow

from calib.errors import CalibError

CALIB = str(Path(__file__).resolve().parents[2] / "calib")
# An input takes no longer than this [s], of the processor's time: other programs don't count.
HANGS_S = 2.0
# A message longer than this isn't read by anybody.
LONGEST_MESSAGE = 2000
# So much of an input is shown [bytes].
SHOWN = 400
_ENDS = (".", "!", "?", "'", '"')
_UNWORDED = ("Traceback", "object at 0x", "NoneType", "__init__")


@dataclass(frozen=True, kw_only=True)
class Reader:
    """One reader of text from outside.

    ``read`` returns what it read, raises one of ``refuses`` for a bad input, and anything else is
    a defect, an assertion of its own included. ``share`` is how many of 1000 inputs are sent to
    it; ``examples`` is the corpus to begin with, ``words`` those of its format.
    """

    name: str
    share: float
    read: Callable[[bytes], Any]
    grammar: Grammar
    examples: Sequence[bytes]
    words: Sequence[str] = ()
    refuses: tuple[type[Exception], ...] = (CalibError,)
    make: Callable[[Random], bytes] | None = None
    longest: int = 4096
    longest_sent: int = 200_000

    def new(self, random: Random) -> bytes:
        """Grow an input from the grammar."""
        if self.make is not None:
            return self.make(random)
        return encoded(grow(self.grammar, random), random)

    def next(self, data: bytes, random: Random) -> bytes:
        """Make the next input: grown, or bent from one that is there."""
        if random.random() < 0.4:
            data = self.new(random)
        return bend(data, random, self.words) if random.random() < 0.5 else data


@dataclass(kw_only=True)
class Tally:
    """What came of the inputs that were sent to a reader."""

    sent: int = 0
    accepted: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    defects: dict[str, list[Any]] = field(default_factory=dict)

    def send(self, reader: Reader, data: bytes) -> None:
        """Send one input, and note what came of it."""
        begun = time.process_time()
        defect = ""
        try:
            reader.read(data)
            self.accepted += 1
        except reader.refuses as refusal:
            self.refused += 1
            defect = wrong_message(message_of(refusal)) and (
                f"no sentence ({wrong_message(message_of(refusal))}) {_place(refusal)}"
            )
        except Exception as error:
            defect = f"{type(error).__name__} {_place(error)}"
        took = time.process_time() - begun
        self.slowest_s = max(self.slowest_s, took)
        self.sent += 1
        if took > HANGS_S:
            defect = f"took more than {HANGS_S:g} s"
        if defect:
            self.note(defect, data)

    def note(self, defect: str, data: bytes) -> None:
        """Note a defect: how often, and the shortest input, as far as it is shown."""
        shown = data[:SHOWN].hex()
        times, shortest = self.defects.get(defect, (0, shown))
        self.defects[defect] = [times + 1, min(shortest, shown, key=len)]


def message_of(refusal: Exception) -> str:
    """What the user is told."""
    return str(getattr(refusal, "message", "") or refusal)


def wrong_message(message: str) -> str:
    """What is wrong with a message; empty when it is a sentence that can be printed."""
    if len(message.split()) < 3 or not message.endswith(_ENDS):
        return "too few words, or no end"
    if not message.replace("\n", "").isprintable():
        return "not printable"
    if len(message) > LONGEST_MESSAGE:
        return "too long"
    return next((f"says {word}" for word in _UNWORDED if word in message), "")


def _place(error: Exception) -> str:
    """Where in calib an error was raised."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if frame.filename.startswith(CALIB)] or frames[-1:]
    where = ours[-1].filename.removeprefix(CALIB).lstrip("/")
    return f"at {where}:{ours[-1].lineno}, {ours[-1].name}"
