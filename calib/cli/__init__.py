"""The command line: parses what is typed, calls one task, shows its result.

Nothing heavy is imported here or in the modules of commands: each command loads what it uses.
"""

from __future__ import annotations

import importlib

from calib.cli.frame import app

__all__ = ["app", "main"]

# Each adds its commands; help lists them in this order, which is that of the work.
for _group in ("workshop", "boards", "results", "advice", "book"):
    importlib.import_module(f"calib.cli.{_group}")


def main() -> None:
    """Run the command line."""
    app(prog_name="calib")
