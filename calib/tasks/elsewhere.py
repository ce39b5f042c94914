"""The same sheet elsewhere: another machine of the logbook, another wattage, other people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

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
from calib.logbook import Book
from calib.records import Burn, Operation
from calib.tasks.advice import pool_of_book, region_of_pair
from calib.tasks.boards import Planned, as_planned, marks_of, store
from calib.tasks.finding import find_machine
from calib.tasks.folders import Files, slug
from calib.tasks.library import starting_point
from calib.tasks.wishes import ElsewhereWish
from calib.texts.say import say


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedOver:
    """A starting point elsewhere, and the board that confirms it."""

    start: StartingPoint  # Where to begin, its interval, and the burns that confirm it
    # The board as it was stored; None for a machine that isn't in the logbook
    planned: Planned | None


def carry_over(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    wish: ElsewhereWish,
    *,
    when: datetime | None = None,
) -> CarriedOver:
    """Say where to begin with a sheet on another machine; with a time, plan the burns that confirm
    it. Raises InvalidRecord when it was burnt there, or the two aren't the same kind of laser."""
    region = region_of_pair(book, machine, sheet, operation)
    burns: Sequence[Burn] = ()
    if wish.to_machine is None:
        there = somebodys_machine(region.machine, wish.rated_w or 0.0)
    else:
        there = find_machine(book, wish.to_machine)
        burns = book.burns(there.name, region.sheet.name, region.operation)
    if there.name == region.machine.name:
        known = say("tasks.is_known_there_already", region=region)
        raise unfit("to_machine", there.name, known)
    if burns:
        raise InvalidRecord(say("tasks.has_burns", region=region, count=len(burns), there=there))
    pool = pool_of_book(book, there, region.sheet, operation)
    start = starting_point(
        transfer_region(region, there, pool),
        wish.reliability,
        wish.mark,
        offcut_mm=wish.offcut_mm,
        seed=wish.seed,
        marks=None if wish.to_machine is None else marks_of(book, there, region.sheet),
    )
    planned = None
    if when is not None and wish.to_machine is not None and start.board is not None:
        planned = as_planned(start.region, start.board, mark=wish.mark)
        store(book, [planned], when)
    return CarriedOver(start=start, planned=planned)


def table_of_wattages(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    wattages: Sequence[float] = WATTAGES,
) -> WattageTable:
    """Make the table of starting points over wattages, to hand to other people; raises
    InvalidRecord when nothing was burnt, or no wattage is given."""
    region = region_of_pair(book, machine, sheet, operation)
    pool = pool_of_book(book, region.machine, region.sheet, operation)
    return wattage_table(region, wattages, pool)


def wattage_files(table: WattageTable, *, paper: str = "a4") -> Files:
    """Make the table as files."""
    from calib.advice.wattage_page import wattage_page  # loads reportlab

    name = f"wattages-{slug(table.sheet.name)}-{table.operation_words.replace(' ', '-')}"
    return {
        f"{name}.txt": wattage_text(table).encode(),
        f"{name}.csv": wattage_csv(table).encode(),
        f"{name}.pdf": wattage_page(table, paper=paper),
    }
