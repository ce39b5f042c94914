"""The logbook: search, notes, a sheet's story, and the short pages that lead on."""

from __future__ import annotations

from contextlib import suppress
from datetime import date, datetime, time, timedelta
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Query, Request
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from calib.errors import NotEnoughEvidence, unfit
from calib.hazards import check_hazard
from calib.logbook import Book, Filters
from calib.logbook.entries import KINDS, OUTCOMES
from calib.records import Operation
from calib.tasks.joints import joint_of_comb
from calib.tasks.wishes import Pair
from calib.texts.say import say
from calib.web.asking import Ways, page
from calib.web.desk import desk_of, now
from calib.web.forms import Sent, filled
from calib.web.showing import history_rows

router = APIRouter(include_in_schema=False)
_PAGE = 25
Kind = Literal["", "board", "job", "check_strip", "note"]
# What was done, and what one may want next: a sentence, and the address it leads to.
_DONE: dict[str, tuple[str, tuple[tuple[str, str, str], ...]]] = {
    "job": (
        say("web.job_is_in_logbook"),
        (("/look", say("web.show_me_where_it_works"), say("web.region_with_these_parts")),
         ("/setting", say("web.tell_me_what_to_set"), say("web.does_job_move_advice"))),
    ),
    "kept": (
        say("web.kept_this_is_setting"),
        (("/proof", say("web.plan_proof"), say("web.kept_setting_on_piece_like_work")),
         ("/job", say("web.job_is_done"), say("web.its_parts_tell_whether_stated_chance"))),
    ),
    "change": (
        say("web.new_set_up_is_in_logbook"),
        (("/plan", say("web.test_sheet_again"), say("web.small_board_at_settings")),),
    ),
}  # fmt: skip


# Outcomes whose own word says little without its column.
_SAID = {"no": say("web.not_cut"), "unread": say("web.not_read_yet")}


@router.get("/logbook")
def logbook(
    request: Request,
    text: Annotated[str, Query(max_length=200)] = "",
    skip: Annotated[int, Query(ge=0, le=1_000_000)] = 0,
    kind: Annotated[Kind, Query()] = "",
    outcome: Annotated[str, Query(max_length=20)] = "",
    operation: Annotated[Operation | Literal[""], Query()] = "",
    since: Annotated[str, Query(max_length=20)] = "",
    until: Annotated[str, Query(max_length=20)] = "",
) -> Response:
    """Search the logbook, newest first; ``until`` is the last day that is shown."""
    here = desk_of(request)
    filters = Filters(
        text=text or None, outcome=outcome or None, kinds=(kind,) if kind else KINDS,
        operation=operation or None,
        since=_midnight("since", since) if since else None,
        until=_midnight("until", until) + timedelta(days=1) if until else None,
    )  # fmt: skip
    page = here.book.search(filters, limit=_PAGE, offset=skip)
    said = {
        "text": text, "kind": kind, "outcome": outcome, "operation": operation,
        "since": since, "until": until,
    }  # fmt: skip
    asked = urlencode({name: words for name, words in said.items() if words})
    after = skip + _PAGE if page.total > skip + _PAGE else 0
    sheets = here.book.sheets()
    return here.ask(request, "logbook.html", page=page, text=text, said_of=said,
                    asked=asked, said_outcomes=_SAID,
                    outcomes=[(one, _SAID.get(one, one)) for one in OUTCOMES],
                    sheet_names=[(one.name, one.name) for one in sheets],
                    machine_names=[(one.name, one.name) for one in here.book.machines()],
                    skip=skip, after=after,
                    before=skip - _PAGE, sheets=sheets, machines=here.book.machines())  # fmt: skip


def _midnight(name: str, text: str) -> datetime:
    """Where a day begins on this computer's clock."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise unfit(name, text, say("web.write_a_day")) from None
    if not 1970 < day.year < 3000:
        raise unfit(name, text, say("web.write_a_day"))
    return datetime.combine(day, time()).astimezone()


@router.post("/logbook")
def add_note(
    request: Request, sent: Sent, note: Annotated[str, Form(max_length=10_000)]
) -> Response:
    """Record a note."""
    # Browsers send the lines of a form apart as CR LF (WHATWG HTML, form submission).
    about = {"machine": sent.get("machine") or None, "sheet": sent.get("sheet") or None}
    desk_of(request).book.add_note(note.replace("\r\n", "\n"), when=now(), **about)
    return RedirectResponse("/logbook", 303)


@router.get("/sheet")
def sheet(request: Request, name: Annotated[str, Query(max_length=200)]) -> Response:
    """Show a sheet: hazards, lots, kept settings, and all that was recorded of it."""
    here = desk_of(request)
    found = here.book.sheet(name)
    return here.ask(
        request,
        "sheet.html",
        sheet=found,
        hazard=check_hazard(found),
        lots=here.book.lots(name),
        states=here.states(found.name),
        joints=_joints(here.book, name),
        machines=here.book.machines(),
    )


def _joints(book: Book, sheet: str) -> list[tuple[str, str]]:
    """The joint boards of a sheet, newest first, each with the slot to draw for a press fit."""
    found = []
    for one in book.stored("comb", sheet=sheet):
        if one.label:
            words = say("web.not_read_yet")
            with suppress(NotEnoughEvidence):
                joint = joint_of_comb(book, one.label)[1]
                if joint.press and joint.press.slot_minus_stock:
                    slot_mm = joint.stock.value_mm + joint.press.slot_minus_stock.value_mm
                    words = say("web.press_fit_slot", slot_mm=slot_mm)
            found.append((one.label, words))
    return found


@router.get("/history")
def history(request: Request, sent: Sent) -> Response:
    """Tell all that was ever recorded of a pair, corrected things too."""
    here = desk_of(request)
    form = filled(Pair, sent)
    pair = form.of(here.book)
    rows = history_rows(here.book.history(*pair.key), pair.sheet.material)
    return here.show("history.html", rows=rows, sheet=pair.sheet, machine=pair.machine,
                     operation=form.operation)  # fmt: skip


@router.get("/hang")
def hang(request: Request) -> Response:
    """Parts have begun to hang: what to look at, in which order."""
    here = desk_of(request)
    return here.show("hang.html")


@router.get("/done/{what}")
def done(request: Request, what: str) -> Response:
    """Say what was done, and what one may want next."""
    if what not in _DONE:
        raise HTTPException(404)
    words, ways = _DONE[what]
    return page(request, "Done", words, Ways(ways=[*ways, ("/", say("web.back_to_desk"), "")]))
