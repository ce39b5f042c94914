"""The track record over a logbook: what was stated before burning against what came out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.logbook import Book, Entry, Filters, Forecast, PromisedJob
from calib.logbook.events import outcome_of
from calib.records import COUPON_CUT_MM, Burn
from calib.tasks.files import Files
from calib.tasks.forecasts import forecasts
from calib.tasks.library import fit_region
from calib.tasks.pictures import picture_format

if TYPE_CHECKING:
    from calib.advise.track_record import Told, TrackRecord

# What may be looked at, and the beginnings of the events that belong to it.
WHATS = {
    "through": ("through",),
    "char": ("char_at_most",),
    "mark": ("mark_",),
    "promises": (),
}
# A part counts for a coupon's promise, and a job for a whole job's, when its cut path differs from
# the promised one by less than this share: the chances then differ by less than can be told.
SAME_LENGTH = 0.25
_PAGE = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackRecordWish:
    """Which track record is wanted.

    Parameters
    ----------
    what
        ``through``, ``char``, ``mark``: forecasts of the cells of boards; ``promises``: of jobs
        that were run on a promise.
    machine, sheet
        Only of this machine, of this sheet; None for all.
    leave_one_out
        True forecasts each board anew from all others of its pair, as calib would today, in place
        of what was stated when it was planned.
    """

    what: str = "through"
    machine: str | None = None
    sheet: str | None = None
    leave_one_out: bool = False

    def __post_init__(self) -> None:
        if self.what not in WHATS:
            raise InvalidRecord(f"what is {self.what!r}: give one of {', '.join(WHATS)}.")
        if self.leave_one_out and self.what == "promises":
            raise InvalidRecord(
                f"what is {self.what!r} with leave_one_out: promises can't be made anew; leave one"
                " of the two out."
            )


def track_record(book: Book, wish: TrackRecordWish) -> TrackRecord:
    """Compare what was stated beforehand with what came out, over the whole logbook.

    Parameters
    ----------
    book
        The logbook.
    wish
        Which record is wanted.

    Returns
    -------
    TrackRecord
        The calibration table, Brier score and log loss, and what they are compared with.

    Raises
    ------
    NotEnoughEvidence
        When nothing of the kind was both stated and read.
    LogbookError
        When machine or sheet aren't there.
    """
    from calib.advise.track_record import track_record as compared  # loads scikit-learn

    if wish.machine is not None:
        book.machine(wish.machine)
    if wish.sheet is not None:
        book.sheet(wish.sheet)
    told, notes = _told(book, wish)
    if not told:
        raise NotEnoughEvidence(_NOTHING[wish.what])
    record = compared(told)
    return replace(record, notes=(*record.notes, *notes))


_NOTHING = {
    "through": "No cut was both forecast and read: plan a board, burn it, take down what came out.",
    "char": "No char was both forecast and read: plan a board, burn it, take down its char.",
    "mark": "No mark was both forecast and read: plan a board of marks, and take it down.",
    "promises": (
        "No job was run on a promise yet: ask for a setting with recommend, run a job at it, and"
        " take it down with take-down-job."
    ),
}


def track_record_pictures(record: TrackRecord, title: str, names: Sequence[str]) -> Files:
    """Draw stated against observed shares.

    Parameters
    ----------
    record
        From ``track_record``.
    title
        Headline.
    names
        Names of files that end in .png or .svg.

    Returns
    -------
    mapping of str to bytes
        One picture per name; the same record gives the same bytes.

    Raises
    ------
    InvalidRecord
        When a name ends otherwise.
    """
    if not names:
        return {}
    kinds = {name: picture_format(name) for name in names}
    from calib.picture import TrackRow, track_record_picture  # loads matplotlib

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
        return _of_jobs(book.promised_jobs(machine=wish.machine, sheet=wish.sheet))
    if wish.leave_one_out:
        return list(_left_out(book, wish)), ()
    found = book.forecasts(machine=wish.machine, sheet=wish.sheet)
    return [told for forecast in found for told in _of_forecast(forecast, wish.what)], ()


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


def _read_boards(book: Book, wish: TrackRecordWish) -> Iterator[Entry]:
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


def _of_jobs(jobs: Sequence[PromisedJob]) -> tuple[list[Told], tuple[str, ...]]:
    told: list[Told] = []
    passed_over = 0
    for job in jobs:
        found = _of_job(job)
        told += found
        passed_over += not found
    if not passed_over:
        return told, ()
    jobs_words = "job isn't" if passed_over == 1 else "jobs aren't"
    return told, (
        f"{passed_over} {jobs_words} counted: the cut path wasn't about the promised one, or what"
        " was promised wasn't read.",
    )


def _of_job(job: PromisedJob) -> list[Told]:
    """What a job says of its promise: part by part, or, for a whole job, all or nothing."""
    from calib.advise.track_record import Told

    chance = job.promise.chance
    outcomes = [(_kept(burn, job), burn) for burn in job.burns]
    if any(kept is None for kept, _ in outcomes):
        return []
    if job.promise.scope == "job":
        lengths = [_length_mm(burn) * burn.count for burn in job.burns]
        if not _about(sum(lengths), job.promise.cut_length_mm or 0.0):
            return []
        return [Told(chance=chance, came=all(kept for kept, _ in outcomes), group=job.job)]
    if not all(_about(_length_mm(burn), COUPON_CUT_MM) for burn in job.burns):
        return []
    return [
        Told(chance=chance, came=bool(kept), group=job.job, count=burn.count)
        for kept, burn in outcomes
    ]


def _kept(burn: Burn, job: PromisedJob) -> bool | None:
    """Whether a burn kept the promise; None when it can't be told."""
    promise = job.promise
    if promise.operation != "cut":
        return None if burn.mark is None else burn.mark == promise.mark
    if burn.through is None:
        return None
    if promise.char_at_most is None or burn.through != "through":
        return burn.through == "through"
    return None if burn.char is None else burn.char <= promise.char_at_most


def _length_mm(burn: Burn) -> float:
    return COUPON_CUT_MM if burn.cut_length_mm is None else burn.cut_length_mm


def _about(length_mm: float, promised_mm: float) -> bool:
    return abs(length_mm - promised_mm) <= SAME_LENGTH * promised_mm
