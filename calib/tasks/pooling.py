"""What the logbook says of a pair: its own burns, by lot, and what every other pair teaches."""

from __future__ import annotations

from dataclasses import replace

from calib.fit.kinship import product_key
from calib.fit.pool import Pool, pool_records
from calib.logbook import Book
from calib.materials import family_of
from calib.records import Burn, Machine, Operation, Sheet

# Pairs that are taken in at most, the nearest kin first: more of them would tell next to nothing
# new, and each takes about a hundredth of a second.
MOST_PAIRS = 60


def burns_by_lot(book: Book, machine: str, sheet: Sheet, operation: Operation) -> list[Burn]:
    """Burns of all lots of a sheet, each with its lot where that isn't the current one."""
    found = list(book.burns(machine, sheet.name, operation, lot=sheet.lot))
    for lot in dict.fromkeys(entry.sheet.lot for entry in book.lots(sheet.name)):
        if lot != sheet.lot:
            burns = book.burns(machine, sheet.name, operation, lot=lot)
            found += [replace(burn, lot=lot) for burn in burns]
    return found


def pool_of_book(book: Book, machine: Machine, sheet: Sheet, operation: Operation) -> Pool | None:
    """Take in what the logbook holds of other pairs."""
    names = [pair for pair in book.pairs(operation) if pair != (machine.name, sheet.name)]
    if not names:
        return None
    machines = {m.name: m for m in book.machines() if m.source == machine.source}
    sheets = {s.name: s for s in book.sheets()}
    pairs = [(machines[m], sheets[s]) for m, s in names if m in machines and s in sheets]
    pairs.sort(key=lambda pair: _distance(machine, sheet, *pair))
    if not pairs:
        return None
    return pool_records(
        (of_machine, of_sheet, book.burns(of_machine.name, of_sheet.name, operation))
        for of_machine, of_sheet in pairs[:MOST_PAIRS]
    )


def _distance(
    machine: Machine, sheet: Sheet, of_machine: Machine, of_sheet: Sheet
) -> tuple[bool, bool, bool, str, str]:
    """Sorts the nearest kin first; names break ties, so that the order is always the same."""
    return (
        product_key(of_sheet) != product_key(sheet),
        family_of(of_sheet.material) != family_of(sheet.material),
        of_machine.name != machine.name,
        of_machine.name,
        of_sheet.name,
    )
