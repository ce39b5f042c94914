"""How long ``calib --help`` takes against an empty program on the same library.

    .venv/bin/python tests/benchmarks/start_up.py

Each is started many times in turn; the ratio of the fastest times is told, since anything slower
is the computer's other work. It should stay below 2.5.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

TURNS = 15
EMPTY = """
import typer

app = typer.Typer()


@app.command()
def hello() -> None:
    \"\"\"Say hello.\"\"\"


app()
"""


def seconds(command: list[str]) -> float:
    """Time of one start [s]."""
    start = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - start


def main() -> None:
    """Start both in turn and print the ratio."""
    with tempfile.TemporaryDirectory() as folder:
        empty = Path(folder) / "empty.py"
        empty.write_text(EMPTY, encoding="utf-8")
        commands = {
            "empty program": [sys.executable, str(empty), "--help"],
            "calib": [sys.executable, "-m", "calib", "--help"],
        }
        times = {name: [] for name in commands}
        for _ in range(TURNS):
            for name, command in commands.items():
                times[name].append(seconds(command))
    for name, measured in times.items():
        print(f"{name}: {min(measured):.3f} s, fastest of {TURNS}")
    print(f"ratio: {min(times['calib']) / min(times['empty program']):.2f}")


if __name__ == "__main__":
    main()
