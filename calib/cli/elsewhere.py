"""Commands that carry a sheet over to other machines and other people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from calib.cli.options import Into, Said, command, many, option
from calib.cli.terminal import now, tell
from calib.units import parse_power_w

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.tasks.wishes import ElsewhereWish, FileWish, Pair

PANEL = "Elsewhere"


@command(PANEL, "calib carry-over 'birch 3' --machine bench --to large", leave_out=("seed",))
def carry_over(book: Book, pair: Pair, wish: ElsewhereWish, into: Into = None) -> Said:
    """Say where to begin with a sheet on another machine, and plan the burns that confirm it."""
    from calib.report.elsewhere import carried_over_data, carried_over_text
    from calib.tasks.elsewhere import carry_over
    from calib.tasks.folders import check_folder, write_folder
    from calib.tasks.wishes import FileWish

    check_folder(into)
    carried = carry_over(book, *pair.pair, wish, when=now(), files=FileWish())
    written = write_folder(carried.planned.files if carried.planned else {}, into)
    return {**carried_over_data(carried), "files": written}, carried_over_text(carried)


@command(
    PANEL,
    "calib wattages 'birch 3' --into to-hand-on",
    leave_out=("address", "one_file_per_setting"),
)
def wattages(
    book: Book,
    pair: Pair,
    wish: FileWish,
    watts: Annotated[
        Any,
        option("--watts", "W,...", "Rated watts of the rows.", parser=many(parse_power_w),
               show_default="10 to 150"),
    ] = None,
    into: Into = None,
) -> Said:  # fmt: skip
    """Make a table of where to begin at other wattages, to hand to other people."""
    from calib.report.elsewhere import wattage_text
    from calib.tasks.elsewhere import table_of_wattages, wattage_files
    from calib.tasks.folders import write_folder

    table = table_of_wattages(book, *pair.pair, *((watts,) if watts else ()))
    for written in write_folder(wattage_files(table, paper=wish.paper), into):
        tell(f"Written: {written}")
    return table, wattage_text(table)
