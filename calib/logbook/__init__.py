"""The logbook: machines, sheets, boards, burns, promises and jobs, kept so that nothing is lost.

    from calib.logbook import open_book

    with open_book(path_or_url_or_None) as book:
        book.add_machine(machine, when=now, note="")
        book.change_setup("bench", when=now, what="lens", note="", lens_mm=50.8)
        book.machine("bench"), book.machines(), book.setups("bench")
        book.add_sitting("bench", Sitting(label="monday", air=True), when=now, why="")
        book.sittings("bench")

        book.add_sheet(sheet, when=now, note="")            # again with a new lot: a new version
        book.sheet("birch 3"), book.sheets(material="birch plywood", thickness_mm=3.0)
        book.lots("birch 3")

        book.add_board(grid, when=now, forecasts={"A1": {"through": 0.83}})
        book.board("AB12"), book.boards(Filters(machine="bench"), limit=50, offset=0)
        book.record("AB12", readings, when=now, sitting="", why="")
        book.strike_out("AB12", ["A1"], when=now, why="not burnt after all")
        book.readings("AB12")
        book.tap("AB12", key, reading, saw=look_id, when=now)           # never stored twice
        book.take_back_tap("AB12", key, target, when=now)
        book.looks("AB12")                                  # with those that stand apart
        book.undo(when=now, board_id="AB12")                # or machine=, sheet=, or both

        book.burns("bench", "birch 3", "cut", lot=None, since=None)     # for the fit
        book.history("bench", "birch 3", "cut")
        book.forecasts(machine=None, sheet=None, unread=False)          # for the track record
        book.promised_jobs(machine=None, sheet=None)                    # for the track record

        promise_id = book.add_promise(promise, machine="bench", sheet="birch 3", when=now)
        book.promises(machine=None, sheet=None)
        book.add_job("bench", "birch 3", burns, when=now, note="", promise_id=None)
        book.settle("bench", "birch 3", "cut", setting, when=now, promise_id=None, note="")
        book.settled("bench", "birch 3", "cut")

        book.keep("costs", {"machine_hour": 15.0}, when=now)            # newest of a kind counts
        book.kept("costs", label=None, machine=None, sheet=None)

        book.add_note("text", when=now, machine=None, sheet=None, board_id=None)
        book.attach("AB12", "a1.jpg", content, when=now, cell="A1")
        book.photographs("AB12"), book.photograph(photograph_id)        # records; bytes

        book.search(Filters(text="knot", material="mdf", outcome="through"), limit=50, offset=0)

        document = export_json(book)                        # a dict; document_text() for a file
        report = import_json(book, read_document(text), when=now, answers={}, dry_run=False)
        export_csv(book)                                    # all burns that count, for people

        backup(book, backup_path(book.path, now))           # one SQLite file, opened and counted
    restore(backup_file, path_or_url)                       # what was there is kept

Every call that writes stores all or nothing, at a time that the caller gives (``when``, with its
zone). Names of machines and sheets are those that the workshop gave. Errors are
`calib.LogbookError` and `calib.InvalidRecord`. What is handed back is described in
`calib.logbook.entries`, the events of forecasts in `calib.logbook.events`.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calib.logbook.backup import backup, backup_path, restore
    from calib.logbook.document_check import read_document
    from calib.logbook.entries import (
        Conflict,
        Entry,
        Filters,
        Forecast,
        HistoryLine,
        ImportReport,
        Page,
        Photograph,
        PromisedJob,
        PromiseEntry,
        Recorded,
        Settled,
        SetupEntry,
        SheetEntry,
        Sitting,
    )
    from calib.logbook.exchange import document_text, export_csv, export_json
    from calib.logbook.merge import import_json
    from calib.logbook.readings import Looked
    from calib.logbook.store import Book, open_book
    from calib.logbook.taps import CellChanged, Tapped

_HOMES = {
    "calib.logbook.entries": (
        "Conflict", "Entry", "Filters", "Forecast", "HistoryLine", "ImportReport", "Page",
        "Photograph", "PromiseEntry", "PromisedJob", "Recorded", "Settled", "SetupEntry",
        "SheetEntry", "Sitting",
    ),
    "calib.logbook.store": ("Book", "open_book"),
    "calib.logbook.readings": ("Looked",),
    "calib.logbook.taps": ("CellChanged", "Tapped"),
    "calib.logbook.backup": ("backup", "backup_path", "restore"),
    "calib.logbook.exchange": ("document_text", "export_csv", "export_json"),
    "calib.logbook.document_check": ("read_document",),
    "calib.logbook.merge": ("import_json",),
}  # fmt: skip
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}
__all__ = [
    "Book",
    "CellChanged",
    "Conflict",
    "Entry",
    "Filters",
    "Forecast",
    "HistoryLine",
    "ImportReport",
    "Looked",
    "Page",
    "Photograph",
    "PromiseEntry",
    "PromisedJob",
    "Recorded",
    "Settled",
    "SetupEntry",
    "SheetEntry",
    "Sitting",
    "Tapped",
    "backup",
    "backup_path",
    "document_text",
    "export_csv",
    "export_json",
    "import_json",
    "open_book",
    "read_document",
    "restore",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'calib.logbook' has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value
