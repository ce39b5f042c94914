"""The command that carries a sheet over to other machines and other people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from calib import tasks, texts
from calib.cli.options import Changes, Into, Said, command, many, option
from calib.cli.terminal import tell
from calib.units import parse_power_w

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.tasks.wishes import ElsewhereWish, FileWish, Pair


@command(
    "calib transfer 'birch 3' --machine bench --to large",
    leave_out=("seed", "rated_w", "offcut_mm", "address", "one_file_per_setting", "piece_edge"),
)
def transfer(
    book: Book,
    pair: Pair,
    typed: Changes[ElsewhereWish | FileWish],
    watts: Annotated[
        Any,
        option("--watts", "W,...", "Somebody's machine: its rated power; several: a table.",
               parser=many(parse_power_w), show_default="a table from 10 to 150"),
    ] = None,
    into: Into = None,
) -> Said:  # fmt: skip
    """Say where to begin with a sheet on another machine, or at the wattages of other people."""
    paper = typed.pop("paper", "a4")
    if "to_machine" in typed or (watts and len(watts) == 1):  # a start on one machine has no file
        wish = tasks.wishes.ElsewhereWish(**typed, rated_w=watts[0] if watts else None)
        start = tasks.boards.carry_over(pair.of(book), wish)
        following = texts.planned.after_start_text(start, pair, wish.to_machine)
        return texts.planned.start_data(start), texts.planned.start_text(start), following
    table = tasks.boards.table_of_wattages(pair.of(book), *((watts,) if watts else ()))
    files = tasks.boards.wattage_files(table, paper=paper) if into else {}
    for written in tasks.files.write_folder(files, into):
        tell(f"Written: {written}")
    return table, texts.planned.wattage_text(table)
