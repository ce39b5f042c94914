"""The track record over a logbook: what was stated before burning against what came out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from calib.errors import NotEnoughEvidence
from calib.logbook import Book, Filters, Forecast, Line, PromisedJob
from calib.logbook.events import outcome_of
from calib.tasks.current import kept_promise, why_not_counted
from calib.tasks.folders import Files
from calib.tasks.forecasts import forecasts
from calib.tasks.library import fit_region
from calib.tasks.next_steps import LOT_NOTE, STRIP_NOTE
from calib.tasks.pictures import picture_format
from calib.tasks.wishes import TrackRecordWish

if TYPE_CHECKING:
    from calib.advise.track_record import Told, TrackRecord

# What may be looked at, and the beginnings of the events that belong to it.
WHATS = {
    "through": ("through",),
    "char": ("char_at_most",),
    "mark": ("mark_",),
    "promises": (),
}
_PAGE = 1000


def track_record(book: Book, wish: TrackRecordWish) -> TrackRecord:
    """Compare what was stated beforehand with what came out, over the whole logbook.

    Raises NotEnoughEvidence when nothing of the kind was both stated and read; LogbookError when
    machine or sheet aren't there.
    """
    from calib.advise.track_record import track_record as compared  # loads scikit-learn

    if wish.machine is not None:
        book.machine(wish.machine)
    if wish.sheet is not None:
        book.sheet(wish.sheet)
    told, notes = _told(book, wish)
    if not told:
        raise NotEnoughEvidence(" ".join((_NOTHING[wish.what], *notes)))
    record = compared(told)
    return replace(record, notes=(*record.notes, *notes))


_NOTHING = {
    "through": "No cut was both forecast and read: plan a board, burn it, take down what came out.",
    "char": "No char was both forecast and read: plan a board, burn it, take down its char.",
    "mark": "No mark was both forecast and read: plan a board of marks, and take it down.",
    "promises": (
        "No job says yet whether a promise held: ask for a setting with recommend, run a job at it,"
        " and take it down with take-down-job."
    ),
}


def track_record_pictures(record: TrackRecord, title: str, names: Sequence[str]) -> Files:
    """Draw stated against observed shares.

    Raises InvalidRecord when a name ends otherwise.
    """
    if not names:
        return {}
    kinds = {name: picture_format(name) for name in names}
    from calib.pictures.charts import TrackRow, track_record_picture  # loads matplotlib

    rows = [
        TrackRow(stated=row.stated, observed=row.came, low=row.low, high=row.high, count=row.count)
        for row in record.rows
    ]
    return {
        name: track_record_picture(rows, title=title, format=kind) for name, kind in kinds.items()
    }


def track_record_title(wish: TrackRecordWish) -> str:
    """Headline of a track record: of what, for whom."""
    what = {
        "through": "Cuts: chance of falling free",
        "char": "Char: chance of no worse than a grade",
        "mark": "Marks: chance of the wanted grade, and of nothing deeper",
        "promises": "Promises: jobs that were run on one",
    }[wish.what]
    for_whom = [name for name in (wish.sheet, wish.machine) if name is not None]
    again = ", each board forecast from the others" if wish.leave_one_out else ""
    return f"{what}{again}" + (f" ({' on '.join(for_whom)})" if for_whom else "")


def _told(book: Book, wish: TrackRecordWish) -> tuple[list[Told], tuple[str, ...]]:
    if wish.what == "promises":
        return _of_jobs(book, wish)
    if wish.leave_one_out:
        return list(_left_out(book, wish)), ()
    found = book.forecasts(machine=wish.machine, sheet=wish.sheet)
    # Boards that try a lot or a machine stand on its edge, and are no plans of a sheet.
    return [
        told
        for forecast in found
        if not {LOT_NOTE, STRIP_NOTE} & set(forecast.notes)
        for told in _of_forecast(forecast, wish.what)
    ], ()


def _belongs(event: str, what: str) -> bool:
    return event.startswith(WHATS[what])


def _of_forecast(forecast: Forecast, what: str) -> Iterator[Told]:
    from calib.advise.track_record import Told

    if forecast.outcome is not None and _belongs(forecast.event, what):
        yield Told(chance=forecast.chance, came=forecast.outcome, group=forecast.board)


def _left_out(book: Book, wish: TrackRecordWish) -> Iterator[Told]:
    """Forecast every read board from all other burns of its pair."""
    from calib.advise.track_record import Told

    marks = _wanted_marks(book, wish)
    for entry in _read_boards(book, wish):
        grid = book.board(entry.id)
        if {LOT_NOTE, STRIP_NOTE} & set(grid.notes):
            continue
        others = book.burns(entry.machine, entry.sheet, grid.operation, without_board=entry.id)
        if not others:
            continue
        region = fit_region(grid.machine, grid.sheet, grid.operation, others)
        chances = forecasts(region, grid, marks.get(entry.id, 2))
        for reading in book.readings(entry.id):
            for event, chance in chances[reading.cell].items():
                came = outcome_of(event, reading)
                if came is not None and _belongs(event, wish.what):
                    yield Told(chance=chance, came=came, group=entry.id)


def _read_boards(book: Book, wish: TrackRecordWish) -> Iterator[Line]:
    filters = Filters(machine=wish.machine, sheet=wish.sheet)
    offset, total = 0, 1
    while offset < total:
        page = book.boards(filters, limit=_PAGE, offset=offset)
        offset, total = offset + _PAGE, page.total
        for entry in page.entries:
            if entry.read and (entry.operation == "cut") == (wish.what != "mark"):
                yield entry


def _wanted_marks(book: Book, wish: TrackRecordWish) -> dict[str, int]:
    """The mark grade that each board was planned for, as its forecasts tell."""
    found = book.forecasts(machine=wish.machine, sheet=wish.sheet, unread=True)
    events = {f.board: f.event.removeprefix("mark_") for f in found if f.event.startswith("mark_")}
    return {board: int(grade[-1]) for board, grade in events.items()}


def _of_jobs(book: Book, wish: TrackRecordWish) -> tuple[list[Told], tuple[str, ...]]:
    jobs = book.promised_jobs(machine=wish.machine, sheet=wish.sheet)
    reasons = Counter(why_not_counted(job.promise, job.burns) for job in jobs)
    told = [told for job in jobs for told in _of_job(job)]
    run = Filters(machine=wish.machine, sheet=wish.sheet, kinds=("job",))
    unpromised = book.search(run, limit=1).total - len(jobs)
    reasons["no chance was stated for its setting, lot and set-up before it was run"] += unpromised
    isnt = {True: "job isn't", False: "jobs aren't"}
    return told, tuple(
        f"{count} {isnt[count == 1]} counted: {why}."
        for why, count in reasons.items()
        if why and count
    )


def _of_job(job: PromisedJob) -> list[Told]:
    """What a job says of its promise: part by part, or, for a whole job, all or nothing."""
    from calib.advise.track_record import Told

    if why_not_counted(job.promise, job.burns):
        return []
    chance = job.promise.chance
    outcomes = [(bool(kept_promise(job.promise, burn)), burn.count) for burn in job.burns]
    if job.promise.scope == "job":
        return [Told(chance=chance, came=all(kept for kept, _ in outcomes), group=job.job)]
    return [Told(chance=chance, came=kept, group=job.job, count=count) for kept, count in outcomes]
