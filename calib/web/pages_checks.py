"""New lots, check strips, other machines, cards, and how often calib was right."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from calib.errors import CalibError
from calib.tasks.advice import judge_lot
from calib.tasks.boards import PlannedFor, plan_for
from calib.tasks.cards import machine_card_files, sheet_card_files, sheet_card_of_pair
from calib.tasks.checks import check_machine, strip_chart
from calib.tasks.looking_back import track_record
from calib.tasks.standing import standing
from calib.tasks.wishes import Named, TrackRecordWish
from calib.web.desk import desk_of, download, now
from calib.web.forms import Sent, filled, typed_for
from calib.web.showing import track_shown

router = APIRouter(include_in_schema=False)
What = Literal["through", "char", "mark", "jobs"]


@router.post("/lot/plan")
def lot_board(request: Request, sent: Sent) -> Response:
    """Plan the few burns that try a new lot, about the working setting."""
    here = desk_of(request)
    planned = plan_for(here.book, "lot", typed_for("lot", sent), when=now(), with_files=False)
    return RedirectResponse(f"/board/{planned.boards[0].grid.board_id}", 303)


@router.get("/lot/verdict")
def lot_verdict(request: Request, sent: Sent) -> Response:
    """Keep the setting, go slower, or test again?"""
    here = desk_of(request)
    pair = filled(Named, sent).of(here.book)
    _ = pair.old_lots  # says so where there is none
    verdict = judge_lot(pair)
    return here.show("lot_verdict.html", verdict=verdict, machine=pair.machine, sheet=pair.sheet)


@router.get("/check")
def check(request: Request, sent: Sent) -> Response:
    """Does the machine still do what the logbook says?"""
    here = desk_of(request)
    stands, named = standing(here.book), filled(Named, sent)
    try:
        record, why = check_machine(here.book, named.machine, named.sheet), ""
    except CalibError as refusal:  # without strips the page says how to make one
        record, why = None, str(refusal)
    return here.ask(request, "check.html", record=record, why=why, standing=stands, typed=sent)


@router.post("/check")
def strip_board(request: Request, sent: Sent) -> Response:
    """Plan a check strip on a sheet that is well known."""
    here = desk_of(request)
    planned = plan_for(here.book, "check", typed_for("check", sent), when=now(), with_files=False)
    return RedirectResponse(f"/board/{planned.boards[0].grid.board_id}", 303)


@router.get("/check/chart.png")
def chart(request: Request, sent: Sent) -> Response:
    """Draw the control chart."""
    named = filled(Named, sent)
    record = check_machine(desk_of(request).book, named.machine, named.sheet)
    (picture,) = strip_chart(record, ["chart.png"]).values()
    return Response(picture, media_type="image/png")


@router.get("/elsewhere")
def ask_elsewhere(request: Request, sent: Sent) -> Response:
    """The same sheet on another machine: where to begin?"""
    here = desk_of(request)
    return here.ask(request, "elsewhere.html", standing=standing(here.book), typed=sent)


@router.post("/elsewhere")
def elsewhere(request: Request, sent: Sent) -> Response:
    """Give a starting point, and plan the burns that confirm it."""
    here = desk_of(request)
    # A machine of the logbook goes before bare watts.
    watts = {} if not sent.get("to_machine") else {"rated_w": ""}
    typed = typed_for("transfer", {**sent, **watts})
    planned = plan_for(here.book, "transfer", typed, when=now(), with_files=False)
    return RedirectResponse(f"/elsewhere/start?kept={here.keep_answer(planned)}", 303)


@router.get("/elsewhere/start")
def carried_over(request: Request, kept: Annotated[str, Query(max_length=40)] = "") -> Response:
    """Show the starting point that was worked out."""
    here = desk_of(request)
    found = here.answer(kept)
    if not isinstance(found, PlannedFor):  # forgotten with a restart
        return RedirectResponse("/elsewhere", 303)
    return here.show("carried.html", start=found.start, planned=next(iter(found.boards), None))


@router.get("/card")
def card(request: Request, sent: Sent) -> Response:
    """Give the card of a sheet and machine, or of all its sheets: one page for the wall."""
    if sent.get("every"):
        made_of_all = machine_card_files(desk_of(request).book, sent.get("machine"), when=now())
        ((name, content),) = made_of_all.items()
        return download(name, content, "application/pdf")
    made = sheet_card_of_pair(filled(Named, sent).of(desk_of(request).book), when=now())
    ((name, content),) = sheet_card_files(made).items()
    return download(name, content, "application/pdf")


@router.get("/track")
def track(request: Request, what: What = "through") -> Response:
    """How often was calib right?"""
    here = desk_of(request)
    try:
        shown = track_shown(track_record(here.book, TrackRecordWish(what=what)))
    except CalibError as refusal:  # an empty record is a page too
        shown = {"record": None, "why": str(refusal)}
    return here.show("track.html", what=what, **shown)
