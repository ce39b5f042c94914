"""Send every reader of text from outside bad input of all kinds, guided by coverage.

    .venv/bin/python tests/fuzz/readers.py [inputs in all; 1000000] [seed; 1] [part of a name]

Each reader gets its share of the inputs (`reader_list.py`), more where reading is quick. An input
is grown from the grammar of its format, or bent from one that is there; the library atheris keeps
those that reach a line or a branch of calib that none before it reached, and goes on from there.
It is installed on first use, from requirements/fuzz.txt into `.venv/fuzz`. The same seed sends the
same inputs. Some inputs are long, to see what grows too fast.

A defect is any error but calib's own, a message that is no sentence, more than 2 s of the processor
or 300 MB for an input, and anything stored from a bad one. The table shows, reader by reader, how
many distinct lines of calib the kept inputs reach, and the slowest input. It ends with 1 when there
is any defect.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import sysconfig
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from reader_list import readers_in
from tally import CALIB, Reader, Tally

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
_ENVIRONMENT = ROOT / ".venv" / "fuzz"
# A reader is started again after an input that ended it, so often.
_TRIES = 4
_HEADS = ("reader", "inputs", "accepted", "refused", "lines", "slowest [ms]", "defects")


@dataclass(kw_only=True)
class Line:
    """What came of one reader."""

    name: str
    sent: int = 0
    accepted: int = 0
    refused: int = 0
    lines: int = 0
    slowest_s: float = 0.0
    defects: dict[str, list[Any]] = field(default_factory=dict)

    def add(self, said: dict[str, Any]) -> None:
        """Add what one process said last."""
        for name in ("sent", "accepted", "refused"):
            setattr(self, name, getattr(self, name) + said[name])
        self.slowest_s = max(self.slowest_s, said["slowest_s"])
        for defect, (times, shown) in said["defects"].items():
            before = self.defects.get(defect, (0, shown))
            self.defects[defect] = [before[0] + times, min(before[1], shown, key=len)]


def main() -> int:
    """Fuzz all readers; 0 when no defect is found."""
    given = sys.argv[1:]
    count, seed = (int(word) for word in (*given[:2], *("1000000", "1")[len(given[:2]) :]))
    wanted, begun = "".join(given[2:3]), time.monotonic()
    # Where it can be, in memory: a logbook waits for the disk at every change.
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(dir=memory) as folder:
        readers = readers_in(Path(folder))
        shares = sum(reader.share for reader in readers.values())
        lines = []
        for number, reader in enumerate(readers.values()):
            if wanted in reader.name:
                own = Path(folder) / str(number)
                lines.append(fuzz(reader, math.ceil(count * reader.share / shares), seed, own))
    print(table(lines))
    for line in lines:
        for defect, (times, shown) in line.defects.items():
            print(f"{line.name}: {defect}, {times} x: {bytes.fromhex(shown)!r}")
    print(f"{sum(line.sent for line in lines)} inputs, seed {seed}, in", end=" ")
    print(f"{(time.monotonic() - begun) / 60.0:.1f} min.")
    return 1 if any(line.defects for line in lines) else 0


def fuzz(reader: Reader, count: int, seed: int, folder: Path) -> Line:
    """Fuzz one reader in a process of its own, again after an input that ends it."""
    line, corpus = Line(name=reader.name), folder / "corpus"
    corpus.mkdir(parents=True)
    for number, example in enumerate(reader.examples):
        (corpus / f"example-{number}").write_bytes(example)
    for once_more in range(_TRIES):
        said = {}
        for said in _guided(reader.name, count - line.sent, seed + 1000 * once_more, corpus):
            found = len(said["defects"])
            _tell(f"{reader.name}: {line.sent + said['sent']} of {count}, {found} defects")
        line.add(said or vars(Tally()))
        for stopped in folder.glob("stopped-*"):
            what = "used too much memory" if "oom" in stopped.name else "did not come back"
            line.defects[what] = [1, stopped.read_bytes()[:200].hex()]
            stopped.unlink()
        if line.sent >= count:
            break
        line.defects.setdefault(f"ended the process after {line.sent} inputs", [1, ""])
    line.lines = lines_reached(reader, corpus)
    return line


def _guided(name: str, count: int, seed: int, corpus: Path) -> Iterator[dict[str, Any]]:
    """Start the other side; give each tally that it writes."""
    libraries = [str(ROOT), str(HERE), sysconfig.get_paths()["purelib"]]
    words = [str(_python()), str(HERE / "guided.py"), name, str(count), str(seed), str(corpus)]
    variables = {**os.environ, "PYTHONPATH": os.pathsep.join(libraries), "PYTHONHASHSEED": "0"}
    variables["OPENBLAS_NUM_THREADS"] = "1"
    said = corpus.parent / "said.txt"
    with said.open("w") as errors:
        process = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=errors, text=True, env=variables
        )
        assert process.stdout
        with process.stdout:
            yield from map(json.loads, process.stdout)
        process.wait()
    if process.returncode:
        _tell(said.read_text(errors="replace")[-2000:])


def _python() -> Path:
    python = _ENVIRONMENT / "bin" / "python"
    if not (_ENVIRONMENT / "done").is_file():
        _tell("Installing requirements/fuzz.txt into .venv/fuzz ...")
        subprocess.run([sys.executable, "-m", "venv", "--clear", str(_ENVIRONMENT)], check=True)
        pins = ROOT / "requirements" / "fuzz.txt"
        subprocess.run([str(python), "-m", "pip", "install", "-qq", "-r", str(pins)], check=True)
        (_ENVIRONMENT / "done").touch()
    return python


def lines_reached(reader: Reader, corpus: Path) -> int:
    """How many lines of calib the kept inputs reach."""
    reached: set[tuple[str, int]] = set()

    def inside(frame: FrameType, event: str, _: Any) -> Any:
        if event == "line":
            reached.add((frame.f_code.co_filename, frame.f_lineno))
        return inside

    def enter(frame: FrameType, *_: Any) -> Any:
        return inside if frame.f_code.co_filename.startswith(CALIB) else None

    tally = Tally()
    for path in sorted(corpus.iterdir()):
        sys.settrace(enter)
        try:
            tally.send(reader, path.read_bytes())
        finally:
            sys.settrace(None)
    return len(reached)


def table(lines: list[Line]) -> str:
    """The table that is printed."""
    rows = [
        (line.name, line.sent, line.accepted, line.refused, line.lines,
         f"{1000.0 * line.slowest_s:.0f}", sum(times for times, _ in line.defects.values()))
        for line in lines
    ]  # fmt: skip
    return "\n".join(
        f"{row[0]:<26}" + "".join(f"{value:>14}" for value in row[1:]) for row in (_HEADS, *rows)
    )


def _tell(text: str) -> None:
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


if __name__ == "__main__":
    raise SystemExit(main())
