"""The way in, the desk from which everything starts, and letting phones in."""

from __future__ import annotations

from typing import Annotated, Any

import segno
from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from calib.texts.say import say
from calib.web.asking import done
from calib.web.desk import desk_of
from calib.web.door import COOKIE, session_of
from calib.web.gate import SESSION_LASTS_S
from calib.web.pages_workshop import start_page

router = APIRouter(include_in_schema=False)


@router.get("/")
def desk(request: Request) -> Response:
    """Every sheet with its setting and its next step."""
    here = desk_of(request)
    states = here.states()
    if not states:
        return start_page(request)
    return here.show("desk.html", states=states)


@router.get("/enter/{token}")
def doorstep(request: Request, token: str) -> Response:
    """Ask before the token is used up: what only previews an address must not use it."""
    here = desk_of(request)
    return here.show("enter.html", 200 if here.gate.is_good(token) else 410, token=token,
                     good=here.gate.is_good(token))  # fmt: skip


@router.post("/enter/{token}")
def enter(request: Request, token: str) -> Response:
    """Use the token up and hand the session's cookie over."""
    here = desk_of(request)
    session = here.gate.enter(token)
    if session is None:
        return here.show("enter.html", 410, token=token, good=False)
    response = RedirectResponse("/", 303)
    response.set_cookie(
        COOKIE, session, max_age=int(SESSION_LASTS_S), httponly=True, samesite="strict", path="/"
    )
    return response


@router.get("/phones")
def phones(request: Request, kept: Annotated[str, Query(max_length=40)] = "") -> Response:
    """Say how a phone is let in; with the way in that was just made for one."""
    here = desk_of(request)
    shown: dict[str, Any] = {"code": "", "address": "", "guests": here.gate.guests}
    address = here.answer(kept)
    if isinstance(address, str):
        shown["address"] = address
        shown["code"] = segno.make(address, micro=False).svg_inline(
            scale=5, border=4, dark="#000", light="#fff", omitsize=True
        )
    return here.ask(request, "phones.html", **shown)


@router.post("/phones/out")
def lock_out(request: Request) -> Response:
    """End the sessions of all devices but this one."""
    desk_of(request).gate.lock_out(but=session_of(request.headers))
    return done(request, "/phones", say("web.every_other_device_is_locked_out"))


@router.post("/phones")
def invite(request: Request) -> Response:
    """Make a way in for one more phone."""
    here = desk_of(request)
    if not here.phone_address:
        return RedirectResponse("/phones", 303)
    address = f"{here.phone_address}/enter/{here.gate.new_token()}"
    return RedirectResponse(f"/phones?kept={here.keep_answer(address)}", 303)
