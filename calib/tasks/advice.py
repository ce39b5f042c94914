"""What the burns of a pair say: its region, a recommendation with its promise, jobs after it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from calib.advise.recommendation import Recommendation
from calib.errors import InvalidRecord
from calib.fit.region import Region
from calib.hazards import check_hazard
from calib.logbook import Book
from calib.records import Burn, Machine, Operation, Setting
from calib.tasks.boards import find_pair
from calib.tasks.library import fit_region, recommend


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionWish:
    """What is asked of a region.

    Parameters
    ----------
    aim
        ``fastest`` or ``cleanest``.
    reliability
        Chance that the promise shall hold.
    char_at_most
        Worst char grade that is fine; None when char doesn't matter.
    mark
        Wanted mark grade.
    cut_length_mm
        Length of a whole job [mm]; None for the next coupon.
    next_sheet
        True when it shall hold on the next sheet of the lot.
    """

    aim: str = "fastest"
    reliability: float = 0.99
    char_at_most: int | None = None
    mark: int = 2
    cut_length_mm: float | None = None
    next_sheet: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """A recommendation, and the promise that was stored with it.

    Parameters
    ----------
    region
        What it rests on.
    recommendation
        The setting and what is promised of it.
    promise_id
        Code of the promise in the logbook.
    """

    region: Region
    recommendation: Recommendation
    promise_id: str


def region_of_pair(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    *,
    lot: str | None = None,
) -> Region:
    """Fit the region of a pair from all its burns.

    Parameters
    ----------
    book
        The logbook.
    machine, sheet
        Names of the pair; None: the only one.
    operation
        ``cut``, ``line_mark`` or ``area_mark``.
    lot
        Only burns of this lot; None: of all lots.

    Returns
    -------
    Region
        With no burns it is what is believed before.

    Raises
    ------
    LogbookError
        When machine or sheet aren't there.
    RefusedMaterial, DeclarationNeeded
        When the sheet may not be burnt.
    """
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, operation)
    burns = book.burns(of_machine.name, of_sheet.name, operation, lot=lot)
    return fit_region(of_machine, of_sheet, operation, burns)


def recommended(region: Region, wish: RegionWish) -> Recommendation:
    """Recommend a setting of a region; nothing is stored. Raises as ``recommend`` does."""
    return recommend(
        region,
        aim=wish.aim,
        reliability=wish.reliability,
        char_at_most=wish.char_at_most,
        mark=wish.mark,
        cut_length_mm=wish.cut_length_mm,
        next_sheet=wish.next_sheet,
    )


def advise(
    book: Book,
    machine: str | None,
    sheet: str | None,
    operation: Operation,
    wish: RegionWish,
    *,
    when: datetime,
) -> Advice:
    """Recommend a setting for a pair, and store what is promised before its results can come in.

    Parameters
    ----------
    book
        The logbook.
    machine, sheet
        Names of the pair; None: the only one.
    operation
        ``cut``, ``line_mark`` or ``area_mark``.
    wish
        What is asked of the setting.
    when
        When it is promised.

    Returns
    -------
    Advice
        The recommendation and its promise.

    Raises
    ------
    NotEnoughEvidence
        When nothing can be promised; it names the burns that would settle it. Nothing is stored.
    LogbookError
        When machine or sheet aren't there.
    """
    region = region_of_pair(book, machine, sheet, operation)
    recommendation = recommended(region, wish)
    promise_id = book.add_promise(
        recommendation.promise, machine=region.machine.name, sheet=region.sheet.name, when=when
    )
    return Advice(region=region, recommendation=recommendation, promise_id=promise_id)


def settle(
    book: Book,
    promise_id: str,
    *,
    when: datetime,
    note: str = "",
) -> Setting:
    """Settle on a setting that was promised: from now on it is the one for its pair.

    Parameters
    ----------
    book
        The logbook.
    promise_id
        Code of the promise, or its beginning.
    when
        When it was settled.
    note
        The user's own words.

    Returns
    -------
    Setting
        The setting.

    Raises
    ------
    InvalidRecord
        When no promise, or more than one, begins so.
    """
    found = [entry for entry in book.promises() if entry.id.startswith(promise_id.casefold())]
    if len(found) != 1 or not promise_id:
        raise InvalidRecord(
            f"promise {promise_id!r} is the beginning of {len(found)} promises in the logbook: list"
            " them, and give more of one's code."
        )
    entry = found[0]
    setting = entry.promise.setting
    book.settle(
        entry.machine,
        entry.sheet,
        entry.promise.operation,
        setting,
        when=when,
        promise_id=entry.id,
        note=note,
    )
    return setting


def take_down_job(
    book: Book,
    machine: str | None,
    sheet: str | None,
    burns: tuple[Burn, ...],
    *,
    when: datetime,
    note: str = "",
) -> str:
    """Take down how a whole job at one setting came out.

    Parameters
    ----------
    book
        The logbook.
    machine, sheet
        Names of the pair; None: the only one.
    burns
        How many parts came out how; all of source ``job``.
    when
        When it was run.
    note
        The user's own words.

    Returns
    -------
    str
        Code of the job.

    Raises
    ------
    LogbookError, InvalidRecord
        When the pair isn't there, or the burns aren't a job's.
    """
    of_machine, of_sheet = find_pair(book, machine, sheet)
    kept = _promise_for(book, of_machine, of_sheet.name, burns)
    return book.add_job(
        of_machine.name, of_sheet.name, burns, when=when, note=note, promise_id=kept
    )


def _promise_for(book: Book, machine: Machine, sheet: str, burns: tuple[Burn, ...]) -> str | None:
    """The newest promise of this setting: the job is what it was made for."""
    for entry in book.promises(machine=machine.name, sheet=sheet):
        same = burns and entry.promise.operation == burns[0].operation
        if same and entry.promise.setting == burns[0].setting:
            return entry.id
    return None
