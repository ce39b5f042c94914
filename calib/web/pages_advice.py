"""Plan and look, the region with its slider, a setting, jobs."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request
from fastapi import Form as InForm
from starlette.responses import RedirectResponse, Response

from calib.errors import InvalidRecord, NeedsYes, shown
from calib.hazards import board_cautions
from calib.records import KINDS, Setting
from calib.tasks.advice import Advised, advise, chosen_on, doubts_of, keep, record_job
from calib.tasks.boards import Planned, first_questions
from calib.tasks.pairs import KeptSetting, OpenPair
from calib.tasks.regions import region_view, somewhere
from calib.tasks.standing import standing
from calib.tasks.wishes import BoardWish, JobCounts, Named, Pair
from calib.texts.say import say
from calib.texts.words import setting_words
from calib.web.asking import Ask, Form, page
from calib.web.board_svg import board_svg
from calib.web.desk import Desk, desk_of, now
from calib.web.forms import Asked, Sent, asked, filled
from calib.web.region_svg import region_key_svgs, region_svg
from calib.web.showing import advice_shown, look_shown, planned_shown

router = APIRouter(include_in_schema=False)
_DOING = [(name, kind.doing) for name, kind in KINDS.items()]


@router.get("/plan")
def ask_plan(request: Request, sent: Sent) -> Response:
    """I want to find a sheet's settings."""
    here = desk_of(request)
    filled(Pair, sent)
    # Who comes back to it from the board that was shown finds what was typed.
    return here.ask(request, "plan.html", standing=standing(here.book), typed=sent)


@router.get("/plan/look")
def look_at_plan(request: Request, sent: Sent) -> Response:
    """Plan the next board and show it to scale; nothing is stored yet."""
    here = desk_of(request)
    planned = _proposal(here, sent)
    picture = board_svg(planned.grid, (), settings=True)
    doubts = first_questions(here.pair(filled(Pair, sent)).region)
    shown, grid = planned_shown(planned), planned.grid
    own = board_cautions(grid.machine, grid.sheet, grid.operation, grid.air)
    return here.show("planned.html", picture=picture, form=sent, doubts=doubts, own=own, **shown)


@router.post("/plan")
def keep_plan(request: Request, sent: Sent) -> Response:
    """Store the board that was looked at, and go to its files."""
    here = desk_of(request)
    planned, seen = _proposal(here, sent), sent.get("seen", "")
    if planned.grid.board_id != seen:
        raise InvalidRecord(say("web.board_isnt_what_would_be_planned", seen=shown(seen)))
    here.book.add_board(planned.grid, when=now(), forecasts=planned.forecasts)
    return RedirectResponse(f"/board/{planned.grid.board_id}", 303)


def _proposal(here: Desk, sent: dict[str, str]) -> Planned:
    pair = filled(Pair, sent)
    left_out = {"slowest_mm_s"}
    left_out |= {"line_pitch_mm"} if KINDS[pair.operation].shape != "area" else set()
    left_out |= {"char_at_most"} if pair.operation != "cut" else set()
    kept = {name: text for name, text in sent.items() if name not in left_out}
    return here.proposal(here.pair(pair), filled(BoardWish, {"burns": "6", **kept}, split=False))


@router.get("/look")
def look(request: Request, sent: Sent) -> Response:
    """Show where it works."""
    here = desk_of(request)
    form = asked(Asked, sent)
    stands = standing(here.book)
    if form.sheet is None and len(stands.sheets) != 1:
        operation = Ask(name="operation", label=say("web.i_want"), kind="radios", options=_DOING)
        asks = (operation, "pair")
        which = Form(action="/look", method="get", button=say("web.show_me"), asks=asks)
        return page(request, say("web.show_me_where_it_works"), which)
    pair = here.pair(form)
    region, in_use = pair.region, pair.kept
    kept = here.with_alarms([in_use])[0] if in_use else None
    advised = here.advice(pair, form)
    view = region_view(
        region,
        form,
        passes=kept.setting.passes if kept else None,
        advised=advised.setting if advised else None,
        chance=advised.chance if advised else 1.0,
        kept=kept.setting if kept else None,
    )
    start = view.kept or view.recommendation or somewhere(view)
    told = look_shown(region, form, start)
    return here.ask(
        request,
        "look.html",
        region=region,
        view=view,
        start=start,
        picture=region_svg(view, start, told["out"]["short"]),
        keys=region_key_svgs(
            view,
            advised=f"advised: {setting_words(advised.setting)}" if advised else "",
            kept=_kept_words(kept) if kept else "",
        ),
        kept=kept,
        form=form,
        typed=sent,
        **told,
    )


def _kept_words(kept: KeptSetting) -> str:
    said = f"kept: {setting_words(kept.setting)}"
    return said + (say("web.out_of_date") if kept.not_current else "")


@router.get("/setting")
def ask_setting(request: Request, sent: Sent) -> Response:
    """Tell me what to set."""
    here = desk_of(request)
    filled(Pair, sent)
    return here.ask(request, "setting.html", standing=standing(here.book), typed=sent)


@router.get("/setting/look")
def look_at_setting(request: Request, sent: Sent) -> Response:
    """Recommend a setting, with what speaks against keeping it; nothing is stored."""
    here = desk_of(request)
    return _setting_page(here, sent, *_advised(here, sent))


def _advised(here: Desk, sent: dict[str, str]) -> tuple[OpenPair, Advised]:
    """What is recommended, or what holds at a setting of one's own."""
    form = asked(Asked, sent)
    pair = here.pair(form)
    if sent.get("power_pct") or sent.get("speed_mm_s"):
        return pair, chosen_on(pair, filled(Setting, sent), form)
    return pair, advise(pair, form)


@router.post("/setting")
def keep_setting(
    request: Request,
    sent: Sent,
    sure: Annotated[bool, InForm()] = False,
    seen: Annotated[str, InForm()] = "",
) -> Response:
    """Keep the setting that was looked at; ask first where something speaks against it."""
    here = desk_of(request)
    pair, advised = _advised(here, sent)
    if seen != _seen(advised):
        raise InvalidRecord(say("web.setting_isnt_what_would_be_recommended", seen=shown(seen)))
    try:
        keep(pair, advised, when=now(), sure=sure)
    except NeedsYes:
        return _setting_page(here, sent, pair, advised, status=409)
    return RedirectResponse("/done/kept", 303)


def _seen(advised: Advised) -> str:
    """What stands on the screen, to be compared with what the server works out."""
    at, rec = advised.setting, advised.recommendation
    pitch = "" if at.line_pitch_mm is None else f" {at.line_pitch_mm:g}"
    chance = 0.0 if rec is None else rec.chance
    return f"{at.power_pct:g} {at.speed_mm_s:g} {at.passes}{pitch} {chance:.4f}"


def _setting_page(
    here: Desk, sent: Sent, pair: OpenPair, advised: Advised, status: int = 200
) -> Response:
    doubts = doubts_of(pair, advised, now())
    if alarm := here.alarm(pair.machine.name):
        doubts = (*doubts, alarm)
    form = {name: value for name, value in sent.items() if name not in ("seen", "sure")}
    return here.show(
        "advice.html", status, region=pair.region, setting=advised.setting, form=form,
        hazard=pair.check(),
        doubts=doubts, asked=status != 200, seen=_seen(advised), **advice_shown(advised),
    )  # fmt: skip


@router.get("/job")
def ask_job(request: Request, sent: Sent) -> Response:
    """A job is done."""
    here = desk_of(request)
    stands = standing(here.book)
    kept = here.with_alarms(one for one in stands.kept if one.operation == "cut")
    return here.ask(request, "job.html", standing=stands, kept=kept, typed=sent)


@router.post("/job")
def job_done(request: Request, sent: Sent) -> Response:
    """Record how a job came out."""
    here = desk_of(request)
    pair = filled(Named, sent).of(here.book)
    setting, counts = filled(Setting, sent), filled(JobCounts, sent)
    record_job(pair, setting, counts, when=now(), note=sent.get("note", ""))
    return RedirectResponse("/done/job", 303)
