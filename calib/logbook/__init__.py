"""The logbook: a list of entries that is only ever added to, so that nothing is lost.

    from calib.logbook import open_book

    with open_book(path_or_url_or_None) as book:
        book.add_machine(machine, when=now, note="")
        book.change_setup("bench", when=now, what="lens", note="", lens_mm=50.8)
        book.machine("bench"), book.machines(), book.setups("bench")
        book.add_session("bench", Session(label="monday", air=True), when=now, why="")

        book.add_sheet(sheet, when=now, note="")            # again with a new lot: a change of it
        book.sheet("birch 3"), book.sheets(material="birch plywood", thickness_mm=3.0)
        book.lots("birch 3")

        book.add_board(grid, when=now, forecasts={"A1": {"through": 0.83}})
        book.board("AB12"), book.boards(Filters(machine="bench"), limit=50, offset=0)
        book.record("AB12", readings, when=now, session="", why="")
        book.readings("AB12"), book.looks("AB12")           # looks: what stands apart too
        book.tap("AB12", key, reading, saw="", when=now)    # never stored twice
        book.take_back_tap("AB12", key, target, when=now)
        book.strike_out("AB12", ["A1"], when=now, why="not burnt after all")
        book.attach("AB12", "a1.jpg", content, when=now, cell="A1")

        book.undo(when=now, board_id="AB12")                # or machine=, sheet=, or both
        book.redo(when=now, board_id="AB12")
        book.withdraw([entry_id], when=now, why="planned by mistake")   # any entry

        book.burns("bench", "birch 3", "cut", lot=None)     # for the fit
        book.forecasts(machine=None, sheet=None), book.advised_jobs()  # for the track record
        book.history("bench", "birch 3", "cut")
        book.search(Filters(text="knot", material="mdf", outcome="through"), limit=50, offset=0)

        kept_id = book.keep("bench", "birch 3", "cut", setting, when=now, advice=None, note="")
        book.kept("bench", "birch 3"), book.kept("bench", "birch 3", earlier=True)
        book.keep("bench", "birch 3", "cut", None, when=now)   # no setting any more
        book.add_job("bench", "birch 3", burns, when=now, note="", kept_id=None)
        book.store("costs", {"machine_hour": 15.0}, when=now), book.stored("costs")
        book.add_note("text", when=now, machine=None, sheet=None, board_id=None)

        text = export_text(book)                            # entries as lines of JSON
        report = import_text(book, text, when=now, dry_run=False)
        book.questions(), book.answer("machine bench (2)", "same", when=now)
        export_csv(book)                                    # all burns that count, for people

        backup(book, backup_path(book.path, now))           # one SQLite file, opened and checked
    restore(backup_file, path_or_url)                       # what was there is kept

Every call that writes stores all or nothing, at a time that the caller gives (``when``, with its
zone). Names of machines and sheets are those that the workshop gave. Errors are
`calib.LogbookError` where what is named isn't in the logbook or can't be done there, and
`calib.InvalidRecord` where what is given can't be. `calib.logbook.ledger` says what an entry is and
which of them stand, `calib.logbook.bodies` what they hold; what is handed back is described in
`calib.logbook.entries`, the events of forecasts in `calib.logbook.events`.
"""

from calib.logbook.backup import backup, backup_path, restore
from calib.logbook.boards import CellChanged
from calib.logbook.bodies import Session
from calib.logbook.entries import (
    AdvisedJob,
    Filters,
    Forecast,
    HistoryLine,
    ImportReport,
    Kept,
    Line,
    Looked,
    Page,
    Photograph,
    Question,
    Recorded,
    SetupEntry,
    SheetEntry,
    Stored,
    Tapped,
    Undoable,
)  # fmt: skip
from calib.logbook.exchange import export_csv, export_text, import_text
from calib.logbook.store import Book, open_book

__all__ = [
    "AdvisedJob", "Book", "CellChanged", "Filters", "Forecast", "HistoryLine", "ImportReport",
    "Kept", "Line", "Looked", "Page", "Photograph", "Question", "Recorded", "Session", "SetupEntry",
    "SheetEntry", "Stored", "Tapped", "Undoable", "backup", "backup_path", "export_csv",
    "export_text", "import_text", "open_book", "restore",
]  # fmt: skip
