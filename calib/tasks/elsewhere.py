"""The same sheet elsewhere: another machine of the logbook, another wattage, other people."""

from __future__ import annotations

from collections.abc import Sequence

from calib.advice.transfer import StartingPoint, transfer_region
from calib.advice.wattage_table import (
    WATTAGES,
    WattageTable,
    somebodys_machine,
    wattage_csv,
    wattage_table,
    wattage_text,
)
from calib.errors import InvalidRecord, unfit
from calib.tasks.finding import find_machine
from calib.tasks.folders import Files, slug
from calib.tasks.library import starting_point
from calib.tasks.pairs import OpenPair
from calib.tasks.pools import pool_of_book
from calib.tasks.wishes import ElsewhereWish
from calib.texts.say import say


def carry_over(pair: OpenPair, wish: ElsewhereWish) -> StartingPoint:
    """Say where to begin with a sheet on another machine, and the board that confirms it; nothing
    is stored. Raises InvalidRecord when it was burnt there, or the two aren't the same kind of
    laser."""
    region, marks = pair.region, None
    if wish.to_machine is None:
        there = somebodys_machine(region.machine, wish.rated_w or 0.0)
    else:
        there = find_machine(pair.book, wish.to_machine)
    if there.name == region.machine.name:
        known = say("tasks.is_known_there_already", region=region)
        raise unfit("to_machine", there.name, known)
    if wish.to_machine is not None:
        target = OpenPair(pair.book, there.name, region.sheet.name, pair.operation)
        marks, count = target.marks, len(pair.book.burns(*target.key))
        if count:
            raise InvalidRecord(say("tasks.has_burns", region=region, count=count, there=there))
    pool = pool_of_book(pair.book, there, region.sheet, pair.operation)
    return starting_point(
        transfer_region(region, there, pool),
        wish.reliability,
        wish.mark,
        offcut_mm=wish.offcut_mm,
        seed=wish.seed,
        marks=marks,
    )


def table_of_wattages(pair: OpenPair, wattages: Sequence[float] = WATTAGES) -> WattageTable:
    """Make the table of starting points over wattages, to hand to other people; raises
    InvalidRecord when nothing was burnt, or no wattage is given."""
    pool = pool_of_book(pair.book, pair.machine, pair.sheet, pair.operation)
    return wattage_table(pair.region, wattages, pool)


def wattage_files(table: WattageTable, *, paper: str = "a4") -> Files:
    """Make the table as files."""
    from calib.advice.wattage_page import wattage_page  # loads reportlab

    name = f"wattages-{slug(table.sheet.name)}-{table.operation_words.replace(' ', '-')}"
    return {
        f"{name}.txt": wattage_text(table).encode(),
        f"{name}.csv": wattage_csv(table).encode(),
        f"{name}.pdf": wattage_page(table, paper=paper),
    }
