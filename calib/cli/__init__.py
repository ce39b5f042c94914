"""The command line: parses what is typed, calls one task, shows its result.

Nothing heavy is imported here or in the modules of commands: each command loads what it uses.
"""

from __future__ import annotations

import importlib
import io
import sys
from typing import Any

import typer
from typer.core import TyperGroup

from calib.cli.options import COMMANDS
from calib.cli.terminal import silence, tell
from calib.errors import CalibError

__all__ = ["app", "main"]

# Each adds its commands; help lists them in this order, which is that of the work.
for _group in (
    "workshop", "boards", "results", "advice", "jobs", "joints", "elsewhere", "checks", "book",
    "serve",
):  # fmt: skip
    importlib.import_module(f"calib.cli.{_group}")


class _Program(TyperGroup):
    """Makes commands when asked for; shows a refusal's sentence alone, and ends with 1."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**{**settings, "commands": COMMANDS})

    def invoke(self, ctx: Any) -> Any:
        silence.begin()
        try:
            return super().invoke(ctx)
        except CalibError as refusal:
            tell(COMMANDS[ctx.invoked_subcommand].said(refusal))
            raise typer.Exit(1) from None
        finally:
            silence.end()


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


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that can't show ² or · shows ? instead of failing.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    app(prog_name="calib")
