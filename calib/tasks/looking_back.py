"""The track record over a logbook: what was stated before burning against what came out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from calib.errors import NotEnoughEvidence
from calib.logbook import Book, Filters
from calib.logbook.bodies import outcome_of
from calib.tasks.advice import came_out, why_not_counted
from calib.tasks.boards import forecasts
from calib.tasks.files import Files, PictureFormat, pictures_named
from calib.tasks.library import fit_region
from calib.tasks.pairs import find_machine, find_sheet
from calib.tasks.results import LOT_NOTE, STRIP_NOTE
from calib.tasks.wishes import TrackRecordWish
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.advice.track_record import TrackRecord

# What may be looked at, and the beginnings of the events that belong to it.
WHATS = {"through": ("through",), "char": ("char_at_most",), "mark": ("mark_",), "jobs": ()}
_PAGE = 1000
# Stated chance, whether it came so, of which board or job, how often.
_Told = tuple[float, bool, str, int]


def track_record(book: Book, wish: TrackRecordWish) -> TrackRecord:
    """Compare what was stated beforehand with what came out, over the whole logbook; raises
    NotEnoughEvidence when nothing of the kind was both stated and read."""
    from calib.advice import track_record as advice  # loads scikit-learn

    if wish.machine is not None:
        wish = replace(wish, machine=find_machine(book, wish.machine).name)
    if wish.sheet is not None:
        wish = replace(wish, sheet=find_sheet(book, wish.sheet).name)
    notes: tuple[str, ...] = ()
    told: Iterable[_Told]
    if wish.what == "jobs":
        told, notes = _of_jobs(book, wish)
    elif wish.leave_one_out:
        told = _left_out(book, wish)
    else:
        told = (
            (one.chance, one.outcome, one.board, 1)
            for one in book.forecasts(machine=wish.machine, sheet=wish.sheet)
            if one.outcome is not None and not _is_check(one.notes)
            if one.event.startswith(WHATS[wish.what])
        )
    compared = [advice.Told(chance=p, came=came, group=of, count=n) for p, came, of, n in told]
    if not compared:
        raise NotEnoughEvidence(" ".join((_NOTHING[wish.what], *notes)))
    record = advice.track_record(compared)
    return replace(record, notes=(*record.notes, *notes))


_NOTHING = {
    "through": say("tasks.no_cut_was_both_forecast"),
    "char": say("tasks.no_char_was_both_forecast"),
    "mark": say("tasks.no_mark_was_both_forecast"),
    "jobs": say("tasks.no_job_says_yet_whether_stated"),
}


def track_record_pictures(record: TrackRecord, title: str, names: Sequence[str]) -> Files:
    """Draw stated against observed shares."""

    def draw(format: PictureFormat) -> bytes:
        from calib.pictures.charts import track_record_picture  # loads matplotlib

        return track_record_picture(record.rows, title=title, format=format)

    return pictures_named(names, draw)


def track_record_title(wish: TrackRecordWish) -> str:
    """Headline of a track record: of what, for whom."""
    what = {
        "through": say("tasks.cuts_chance_of_falling_free"),
        "char": say("tasks.char_chance_of_no_worse"),
        "mark": say("tasks.marks_chance_of_wanted_grade"),
        "jobs": say("tasks.jobs_that_were_run_at_kept"),
    }[wish.what]
    for_whom = [name for name in (wish.sheet, wish.machine) if name is not None]
    again = say("tasks.each_board_forecast_from_others") if wish.leave_one_out else ""
    return f"{what}{again}" + (f" ({' on '.join(for_whom)})" if for_whom else "")


def _is_check(notes: Sequence[str]) -> bool:
    """Whether a board tries a lot or a machine: that stands on the edge, and plans no sheet."""
    return bool({LOT_NOTE, STRIP_NOTE} & set(notes))


def _left_out(book: Book, wish: TrackRecordWish) -> Iterator[_Told]:
    """Forecast every read board from all other burns of its pair."""
    stated = book.forecasts(machine=wish.machine, sheet=wish.sheet, unread=True)
    # The mark grade that each board was planned for, as its forecasts tell.
    marks = {one.board: int(one.event[-1]) for one in stated if one.event.startswith("mark_")}
    filters = Filters(machine=wish.machine, sheet=wish.sheet)
    offset, total = 0, 1
    while offset < total:
        page = book.boards(filters, limit=_PAGE, offset=offset)
        offset, total = offset + _PAGE, page.total
        for entry in page.entries:
            if not entry.read or (entry.operation == "cut") != (wish.what != "mark"):
                continue
            grid = book.board(entry.id)
            others = book.burns(entry.machine, entry.sheet, grid.operation, without=[entry.id])
            if not others or _is_check(grid.notes):
                continue
            region = fit_region(grid.machine, grid.sheet, grid.operation, others, air=grid.air)
            chances = forecasts(region, grid, marks.get(entry.id, 2))
            for reading in book.readings(entry.id):
                for event, chance in chances[reading.cell].items():
                    came = outcome_of(event, reading)
                    if came is not None and event.startswith(WHATS[wish.what]):
                        yield chance, came, entry.id, 1


def _of_jobs(book: Book, wish: TrackRecordWish) -> tuple[list[_Told], tuple[str, ...]]:
    """What jobs say of a stated chance: part by part, or, for a whole job, all or nothing."""
    jobs = book.advised_jobs(machine=wish.machine, sheet=wish.sheet)
    told: list[_Told] = []
    reasons: Counter[str] = Counter()
    for job in jobs:
        if why := why_not_counted(job.advice, job.burns):
            reasons[why] += 1
            continue
        chance = job.advice.chance
        outcomes = [(bool(came_out(job.advice, burn)), burn.count) for burn in job.burns]
        if job.advice.scope == "job":
            outcomes = [(all(kept for kept, _ in outcomes), 1)]
        told += [(chance, kept, job.job, n) for kept, n in outcomes]
    run = Filters(machine=wish.machine, sheet=wish.sheet, kinds=("job",))
    unadvised = book.search(run, limit=1).total - len(jobs)
    reasons[say("tasks.no_chance_was_stated_for_its_setting")] = unadvised
    return told, tuple(
        say("tasks.job_isnt_counted", why=why)
        if count == 1
        else say("tasks.jobs_arent_counted", count=count, why=why)
        for why, count in reasons.items()
        if count
    )
