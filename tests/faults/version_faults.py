"""Faults of the version: entries that a newer program wrote."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from fault_bench import Bench, Line, look_after, rows_in, told

from calib.logbook import open_book


def newer_version(bench: Bench) -> Line:
    """A logbook with entries of a later program is refused, and left as it is."""
    line = Line(fault="newer version refused")
    for number, place in bench.copies("newer"):
        was, before = place.read_bytes(), rows_in(place)
        kind, v = ("look", 9000 + number) if number % 2 else (f"kind {number}", 1)
        _add_entry(place, kind, v)
        content = place.read_bytes()
        said = told(lambda place=place: open_book(place).close())  # type: ignore[misc]
        if place.read_bytes() != content or f"{kind!r}, version {v}" not in said:
            raise RuntimeError("a newer logbook was not left as it was")
        place.write_bytes(was)
        look_after(line, place, before, said)
    return line


def _add_entry(place: Path, kind: str, v: int) -> None:
    with sqlite3.connect(place) as connection:
        connection.execute(
            "INSERT INTO entries (id, at, kind, v, slot, about, machine, sheet, body, batch, why)"
            " VALUES ('z', '2099-01-01T00:00:00.000000Z', ?, ?, '', '', '', '', '{}', '', '')",
            (kind, v),
        )
    connection.close()
