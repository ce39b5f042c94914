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

from calib.cli.options import COMMANDS, GROUPS, Plain
from calib.cli.terminal import silence
from calib.texts.say import say

__all__ = ["app", "main"]

# Each adds its commands; help lists them in this order, which is that of the work.
for _module in (
    "plan",
    "record",
    "advice",
    "job",
    "serve",
    "transfer",
    "workshop",
    "board",
    "book",
):
    importlib.import_module(f"calib.cli.{_module}")


class _Group(Plain, TyperGroup):
    pass


class _Program(_Group):
    """The everyday commands, and the groups of the others."""

    def __init__(self, **settings: Any) -> None:
        made: dict[str, Any] = {words: each for words, each in COMMANDS.items() if " " not in words}
        for name, about in GROUPS.items():
            made[name] = _Group(
                name=name,
                commands={
                    words.split()[1]: each
                    for words, each in COMMANDS.items()
                    if words.split()[0] == name
                },
                help=about,
                no_args_is_help=True,
                rich_help_panel="More",
                rich_markup_mode="rich",
            )
        super().__init__(**{**settings, "commands": made})

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Without a command: what is open."""
        bare = not args or args[0] in ("--book", "--json")
        return super().parse_args(ctx, ["overview", *args] if bare else args)

    def invoke(self, ctx: Any) -> Any:
        silence.begin()
        try:
            return super().invoke(ctx)
        finally:
            silence.end()


app = typer.Typer(
    name="calib",
    cls=_Program,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    help=say("cli.find_lasers_cut_and_mark_settings"),
    epilog="Example: calib plan 'birch 3' --burns 6 --offcut 200x150 --into board-1",
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
