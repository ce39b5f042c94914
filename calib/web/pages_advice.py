"""Plan and look, the region with its slider, a setting, jobs."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from starlette.responses import RedirectResponse, Response

from calib.errors import InvalidRecord, NeedsYes
from calib.tasks.advice import advise_on, settle, take_down_job
from calib.tasks.current import doubts_of
from calib.tasks.finding import find_promise
from calib.tasks.look import region_look
from calib.tasks.page import hazard_of, last_promised, standing
from calib.web.board_svg import board_svg
from calib.web.desk import Desk, desk_of, now
from calib.web.forms import BoardForm, JobForm, PairForm, WishForm
from calib.web.region_svg import region_svg
from calib.web.showing import advice_shown, look_shown, planned_shown

router = APIRouter(include_in_schema=False)


@router.get("/plan")
def ask_plan(request: Request, form: Annotated[PairForm, Query()]) -> Response:
    """I want to find a sheet's settings."""
    here = desk_of(request)
    # Who comes back to it from the board that was shown finds what was typed.
    typed = {**request.query_params, **form.query}
    return here.ask(request, "plan.html", standing=standing(here.book), typed=typed)


@router.get("/plan/look")
def look_at_plan(request: Request, form: Annotated[BoardForm, Query()]) -> Response:
    """Plan the next board and show it to scale; nothing is stored yet."""
    here = desk_of(request)
    planned = here.proposal(form.pair, form.board_wish)
    picture = board_svg(planned.grid, ())
    return here.show("planned.html", picture=picture, form=form.query, **planned_shown(planned))


@router.post("/plan")
def keep_plan(request: Request, form: Annotated[BoardForm, Form()]) -> Response:
    """Store the board that was looked at, and go to its files."""
    here = desk_of(request)
    planned = here.proposal(form.pair, form.board_wish)
    if planned.grid.board_id != form.seen:
        raise InvalidRecord(
            f"board {form.seen!r} isn't what would be planned now: something was taken down"
            " meanwhile. Look at the board again."
        )
    here.book.add_board(planned.grid, when=now(), forecasts=planned.forecasts)
    return RedirectResponse(f"/board/{planned.grid.board_id}", 303)


@router.get("/look")
def look(request: Request, form: Annotated[WishForm, Query()]) -> Response:
    """Show where it works."""
    here = desk_of(request)
    stands = standing(here.book)
    if form.sheet is None and len(stands.sheets) != 1:
        return here.show("which.html", standing=stands, to="/look")
    region = here.region(*form.pair)
    last = last_promised(here.book, region.machine.name, region.sheet.name, form.operation)
    advised = last.promise.setting if last else None
    shown = region_look(region, form.wish, start=advised)
    return here.show(
        "look.html",
        look=shown,
        picture=region_svg(shown, advised),
        last=last,
        form=form,
        typed=form.query,
        **look_shown(region, form.wish, shown),
    )


@router.get("/setting")
def ask_setting(request: Request, form: Annotated[WishForm, Query()]) -> Response:
    """Tell me what to set."""
    here = desk_of(request)
    return here.ask(request, "setting.html", standing=standing(here.book), typed=form.query)


@router.post("/setting")
def recommend(request: Request, form: Annotated[WishForm, Form()]) -> Response:
    """Recommend a setting, and store what is promised of it."""
    here = desk_of(request)
    region = here.region(*form.pair)
    advice = advise_on(here.book, region, form.wish, when=now())
    here.remember(advice)
    return RedirectResponse(f"/promise/{advice.promise_id}", 303)


@router.get("/promise/{promise_id}")
def promise(request: Request, promise_id: str) -> Response:
    """Show a setting with what was promised of it, and what speaks against keeping it."""
    return _promise_page(desk_of(request), promise_id)


def _promise_page(here: Desk, promise_id: str, status: int = 200) -> Response:
    entry = find_promise(here.book, promise_id)
    advice = here.remembered(entry.id)
    shown = {} if advice is None else advice_shown(advice)
    hazard = hazard_of(here.book, entry.machine, entry.sheet, entry.promise.operation)
    doubts = doubts_of(here.book, entry)
    return here.show(
        "promise.html", status, entry=entry, hazard=hazard, doubts=doubts, asked=status != 200,
        **shown,
    )  # fmt: skip


@router.post("/promise/{promise_id}/settle")
def settle_on(request: Request, promise_id: str, sure: Annotated[bool, Form()] = False) -> Response:
    """Settle on a promised setting; ask first where something speaks against it."""
    here = desk_of(request)
    try:
        settle(here.book, promise_id, when=now(), sure=sure)
    except NeedsYes:
        return _promise_page(here, promise_id, status=409)
    return RedirectResponse("/done/settled", 303)


@router.get("/job")
def ask_job(request: Request, form: Annotated[PairForm, Query()]) -> Response:
    """A job is done."""
    here = desk_of(request)
    return here.ask(request, "job.html", standing=standing(here.book), typed=form.query)


@router.post("/job")
def job_done(request: Request, form: Annotated[JobForm, Form()]) -> Response:
    """Take down how a job came out."""
    here = desk_of(request)
    take_down_job(
        here.book, form.machine, form.sheet, form.setting, form.counts, when=now(), note=form.note
    )
    return RedirectResponse("/done/job", 303)
