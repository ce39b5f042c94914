"""The logbook: a list of entries that is only ever added to, so that nothing is lost.

    with open_book(path_or_url_or_None) as book:
        book.add_machine(machine, when=now)             # and change_setup, add_session
        book.add_sheet(sheet, when=now)                 # again with a new lot: a change of it
        book.add_board(grid, when=now, forecasts={"A1": {"through": 0.83}})
        book.record("AB12", readings, when=now)         # or tap, never stored twice; strike_out
        book.keep("bench", "birch 3", "cut", setting, when=now, advice=None)    # None: no more
        book.add_job("bench", "birch 3", burns, when=now)
        book.undo(when=now, board_id="AB12")            # or machine=, sheet=, or both; redo
        book.withdraw([entry_id], when=now, why="planned by mistake")           # any entry
        book.burns("bench", "birch 3", "cut")           # for the fit
        import_text(book, export_text(another_book), when=now)
        book.questions(), book.answer("machine bench (2)", "same", when=now)
        backup(book, backup_path(book.path, now))       # one SQLite file, opened and checked
    restore(backup_file, path_or_url)                   # what was there is kept

Every call that writes stores all or nothing, at a time that the caller gives, with its zone. Errors
are `calib.LogbookError` where what is named isn't in the logbook or can't be done there, and
`calib.InvalidRecord` where what is given can't be. `calib.logbook.ledger` says what an entry is and
which of them stand, `calib.logbook.bodies` what they hold, `calib.logbook.entries` what is handed
back.
"""

from calib.logbook.backup import backup, backup_path, restore
from calib.logbook.boards import CellChanged
from calib.logbook.bodies import Session
from calib.logbook.book import Book, open_book
from calib.logbook.entries import (
    Filters,
    HistoryLine,
    ImportReport,
    Kept,
    Line,
    Looked,
    Photograph,
    Question,
    Recorded,
    Tapped,
)  # fmt: skip
from calib.logbook.exchange import export_csv, export_text, import_text

__all__ = [
    "Book", "CellChanged", "Filters", "HistoryLine", "ImportReport", "Kept", "Line", "Looked",
    "Photograph", "Question", "Recorded", "Session", "Tapped", "backup", "backup_path",
    "export_csv", "export_text", "import_text", "open_book", "restore",
]  # fmt: skip
