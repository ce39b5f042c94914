"""The command that carries a sheet over to other machines and other people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

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
    from calib.tasks.elsewhere import carry_over, table_of_wattages, wattage_files
    from calib.tasks.folders import write_folder
    from calib.tasks.wishes import ElsewhereWish
    from calib.texts.elsewhere import (
        after_start_text,
        carried_over_data,
        carried_over_text,
        wattage_text,
    )

    if "to_machine" in typed or (watts and len(watts) == 1):
        typed.pop("paper", None)  # a start on one machine has no file
        wish = ElsewhereWish(**typed, rated_w=watts[0] if watts else None)
        carried = carry_over(book, *pair.pair, wish)  # looking stores nothing
        following = after_start_text(carried, *pair.pair, wish.to_machine)
        return carried_over_data(carried), carried_over_text(carried), following
    table = table_of_wattages(book, *pair.pair, *((watts,) if watts else ()))
    for written in write_folder(wattage_files(table, paper=typed.get("paper", "a4")), into):
        tell(f"Written: {written}")
    return table, wattage_text(table)
