"""The command line: parses what is typed, calls one task, shows its result.

Nothing heavy is imported here or in the modules of commands: each command loads what it uses.
"""

from __future__ import annotations

import importlib
import io
import sys

from calib.cli.frame import app

__all__ = ["app", "main"]

# Each adds its commands; help lists them in this order, which is that of the work.
_GROUPS = (
    "workshop", "sheets", "boards", "results", "advice", "jobs", "joints", "elsewhere", "checks",
    "looking_back", "book", "keeping", "serve",
)  # fmt: skip
for _group in _GROUPS:
    importlib.import_module(f"calib.cli.{_group}")


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that can't show ² or · shows ? instead of failing.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    app(prog_name="calib")
