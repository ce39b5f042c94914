"""Kerf of a pair: from the measured coupons of its boards and from its combs."""

from __future__ import annotations

from datetime import datetime

from calib.errors import NotEnoughEvidence
from calib.joints.caliper import Caliper, Estimate
from calib.joints.kerf import KerfLaw, KerfPoint, kerf_by_energy, kerf_from_coupons
from calib.logbook import Book, Filters
from calib.records import Machine, Setting
from calib.records.fields import to_json
from calib.tasks.finding import find_pair

_MOST_BOARDS = 1000


def kerf_points(
    book: Book, machine: str, sheet: str, caliper: Caliper | None = None
) -> tuple[KerfPoint, ...]:
    """Kerf of each setting of which coupons were measured, over all boards of a pair."""
    found: list[KerfPoint] = []
    page = book.boards(Filters(machine=machine, sheet=sheet, operation="cut"), limit=_MOST_BOARDS)
    for entry in page.entries:
        readings = book.readings(entry.id)
        measured = [r for r in readings if r.width_mm is not None or r.height_mm is not None]
        if measured:
            grid = book.board(entry.id)
            found += kerf_from_coupons(grid.machine, measured, grid.cells, caliper=caliper)
    return tuple(sorted(found, key=lambda p: (p.line_energy_j_mm, p.setting.power_pct, repr(p))))


def kerf_law_of_pair(
    book: Book, machine: str, sheet: str, caliper: Caliper | None = None
) -> KerfLaw | None:
    """Kerf against line energy on a pair."""
    points = kerf_points(book, machine, sheet, caliper)
    return kerf_by_energy(points, caliper=caliper) if points else None


def learn_kerf(
    book: Book,
    machine: str | None,
    sheet: str | None,
    *,
    when: datetime,
    caliper: Caliper | None = None,
) -> tuple[KerfLaw, tuple[KerfPoint, ...]]:
    """Work out the kerf against line energy from all measured coupons, and keep it with the pair.

    Raises NotEnoughEvidence when no coupon was measured.
    """
    of_machine, of_sheet = find_pair(book, machine, sheet)
    pair = (of_machine.name, of_sheet.name)
    points = kerf_points(book, *pair, caliper)
    if not points:
        raise NotEnoughEvidence(
            f"No coupon of {of_sheet.name} on {of_machine.name} was measured: lay a caliper over a"
            " few coupons that dropped out, and take their width and height down with the"
            " board's results."
        )
    law = kerf_by_energy(points, caliper=caliper)
    content = to_json(law)
    kept = book.kept("kerf", machine=pair[0], sheet=pair[1])
    if not kept or dict(kept[0].content) != content:
        book.keep("kerf", content, when=when, machine=pair[0], sheet=pair[1])
    return law, points


def kerf_at(book: Book, machine: Machine, sheet: str, setting: Setting) -> Estimate | None:
    """Kerf at a setting, from coupons where some were measured."""
    law = kerf_law_of_pair(book, machine.name, sheet)
    return None if law is None else law.at_setting(machine, setting)
