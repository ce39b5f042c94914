"""What it takes to start commands, against an empty program on the same library.

    .venv/bin/python tests/benchmarks/start_up.py [tree to compare with, and its Python]

Each command is asked about a small logbook and started in turn with the empty program; the least
of the processor's times is told, which other work on the computer changes least, and its ratio to
the empty program's, and the same of loading the modules that the command loads, without running it.
``--help`` should stay below 2.5. Of a second tree of calib, whose commands may have other names,
the same is told beside it, on a logbook of its own, with what share of it the first one takes.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

TURNS = 3
EMPTY = """
import typer

app = typer.Typer()


@app.command()
def hello() -> None:
    \"\"\"Say hello.\"\"\"


app()
"""
LOAD = """
import contextlib, importlib, sys
for name in sys.argv[1:]:
    with contextlib.suppress(Exception):
        importlib.import_module(name)
"""
TUBE = ("bench", "--watts", "60", "--bed", "600x400", "--top-speed", "400")
BIRCH = ("birch 3", "--material", "birch plywood", "--thickness", "3")
GRID = ("--powers", "40,60,80", "--speeds", "3,6,9,12,18,24", "--slowest", "3")
# Of each command the names that it has or had, the newest first.
MACHINE = (("machine", "add", *TUBE), ("add-machine", *TUBE))
SHEET = (("sheet", "add", *BIRCH), ("add-sheet", *BIRCH))
CODE = "CODE"  # stands for the code of the burnt board
ASKED = {
    "--help": (("--help",),),
    "plan": (("plan", "--burns", "6"),),
    "record": (("record", CODE, "results.csv"), ("take-down", CODE, "results.csv")),
    "recommend": (("recommend", "--reliability", "0.8"),),
    "list": (("book", "list"), ("board", "list"), ("list",)),
}


class Tree:
    """One tree of calib, with a logbook that holds a burnt grid."""

    def __init__(self, root: Path, python: str, folder: Path) -> None:
        self.python, self.folder = python, folder
        self.settings = {**os.environ, "PYTHONPATH": str(root), "CALIB_BOOK": str(folder / "book")}
        # Threads that wait for one another count as the processor's time.
        self.settings["OPENBLAS_NUM_THREADS"] = "1"
        # Compiled at the first start and not again, as once it is installed.
        self.settings["PYTHONDONTWRITEBYTECODE"] = ""
        self.settings["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
        folder.mkdir()
        for ways in (MACHINE, SHEET):
            self.run(*ways)
        grid = json.loads(self.run(("plan", *GRID, "--json")).stdout)["grid"]
        self.code = grid["board_id"]
        lines = ["cell,through,char,mark,note"]
        for cell in grid["cells"]:
            falls = cell["power_pct"] > 5.0 * cell["speed_mm_s"]
            lines.append(f"{cell['label']},{'through,1' if falls else 'no,'},,")
        (folder / "results.csv").write_text("\n".join([*lines, ""]), encoding="utf-8")
        self.run(*ASKED["record"])

    def run(self, *ways: tuple[str, ...]) -> subprocess.CompletedProcess[bytes]:
        """Run the first command that this tree knows."""
        for words in ways:
            done = self.start(words, "-X", "importtime")
            if done.returncode == 0:
                return done
        raise SystemExit(f"calib {' '.join(ways[0])}: {done.stderr.decode()}")

    def start(self, words: tuple[str, ...], *flags: str) -> subprocess.CompletedProcess[bytes]:
        words = tuple(self.code if word == CODE else word for word in words)
        return self.python_with(*flags, "-m", "calib", *words)

    def python_with(self, *words: str) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            [self.python, *words], cwd=self.folder, env=self.settings, capture_output=True
        )


def imported(done: subprocess.CompletedProcess[bytes]) -> list[str]:
    """Modules that a command loaded, innermost first; what starts it is left out."""
    lines = [line for line in done.stderr.decode().splitlines() if line.startswith("import time:")]
    names = [line.rpartition("|")[2].strip() for line in lines[1:]]
    return [name for name in names if not name.endswith("__main__")]


def seconds(work: Callable[[], object]) -> float:
    """The processor's time of one start [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    work()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Start everything in turn and print the table."""
    here = Path(__file__).resolve().parents[2]
    others = [(Path(sys.argv[1]), sys.argv[2])] if len(sys.argv) > 2 else []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        empty = folder / "empty.py"
        empty.write_text(EMPTY, encoding="utf-8")
        trees = [
            Tree(root, python, folder / str(number))
            for number, (root, python) in enumerate([(here, sys.executable), *others])
        ]
        heads = "".join(f"{head:>12}" for head in ("whole [s]", "ratio", "imports [s]", "ratio"))
        print(f"{'command':<10}{'empty [s]':>10}{heads * len(trees)}")
        for command, ways in ASKED.items():
            works = [lambda: trees[0].python_with(str(empty), "--help")]
            for tree in trees:
                done = tree.run(*ways)
                words, names = tuple(done.args[5:]), imported(done)
                works.append(lambda tree=tree, words=words: tree.start(words))
                works.append(lambda tree=tree, names=names: tree.python_with("-c", LOAD, *names))
            took = [[seconds(work) for work in works] for _ in range(TURNS)]
            least, *own = (min(column) for column in zip(*took, strict=True))
            line = "".join(f"{each:>12.3f}{each / least:>12.2f}" for each in own)
            shares = [f"{mine / other:.0%}" for mine, other in zip(own[:2], own[2:], strict=False)]
            print(
                f"{command:<10}{least:>10.3f}{line}   {' and '.join(shares)}".rstrip(), flush=True
            )


if __name__ == "__main__":
    main()
