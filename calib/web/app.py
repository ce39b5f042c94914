"""The application: routes put together, and how every refusal is shown."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.staticfiles import StaticFiles

from calib.errors import (
    BadFile,
    CalibError,
    DeclarationNeeded,
    InvalidQuantity,
    InvalidRecord,
    LogbookError,
    Misfit,
    NeedsYes,
    NotEnoughEvidence,
    RefusedMaterial,
    shown,
)
from calib.logbook import CellChanged
from calib.records.fields import spoken, to_json
from calib.texts.say import say
from calib.web import (
    api,
    pages_advice,
    pages_boards,
    pages_book,
    pages_checks,
    pages_desk,
    pages_drawing,
    pages_keeping,
    pages_making,
    pages_workshop,
)
from calib.web.desk import STATIC, Desk, Draft, desk_of
from calib.web.door import Door, Refused
from calib.web.models import ErrorBody, FieldError, Problem

_LATER = "public, max-age=31536000, immutable"
# What each error is called in answers, and its status; the first that fits.
_KINDS: tuple[tuple[type[CalibError], str, int], ...] = (
    (CellChanged, "cell_changed", 409),
    (RefusedMaterial, "refused_material", 409),
    (DeclarationNeeded, "declaration_needed", 409),
    (NeedsYes, "needs_yes", 409),
    (NotEnoughEvidence, "not_enough_evidence", 409),
    (BadFile, "bad_file", 422),
    (InvalidQuantity, "invalid", 422),
    (InvalidRecord, "invalid", 422),
    (LogbookError, "logbook", 409),
    (CalibError, "not_possible", 409),
)
PARTS = (
    api, pages_desk, pages_workshop, pages_boards, pages_advice, pages_drawing, pages_checks,
    pages_book, pages_keeping, pages_making,
)  # fmt: skip
# Where the form stands whose answer can't be taken; it is shown there again, as it was filled in.
# A redirect leads there, so that going back never asks to send a form once more.
_FORMS = {
    **{path: path for path in (
        "/start", "/machine/new", "/machine", "/sheet/new", "/material", "/plan", "/setting",
        "/job", "/lot", "/change", "/check", "/elsewhere", "/logbook", "/drawing", "/look",
        "/undo", "/withdraw", "/sessions", "/costs", "/questions", "/restore", "/import",
        "/sheet/change", "/joints", "/kerf", "/results", "/stair", "/proof", "/cause", "/wattages",
        "/machine/moves",
    )},
    "/plan/look": "/plan",
    "/setting/look": "/setting",
    "/lot/plan": "/lot/taken",
    "/redo": "/undo",
    "/backup": "/keeping",
    "/verify": "/keeping",
    "/import/take": "/import",
    "/setting/none": "/setting",
}  # fmt: skip
# Forms that store nothing are sent as addresses.
_LOOKS = (
    "/plan/look", "/setting/look", "/material", "/look", "/cause", "/wattages", "/machine/moves",
)  # fmt: skip
_INSIDE = re.compile(r"(/board/[^/]+)/(?:results|photographs)|(/joint/[^/]+)")
# What such a page is about.
_PAIR = ("sheet", "machine", "operation")
_ABOUT = {
    "/machine": ("name",),
    "/machine/moves": ("name",),
    "/lot/taken": ("sheet",),
    "/look": _PAIR,
    "/undo": ("board", "machine", "sheet"),
    "/withdraw": ("entry", "board", *_PAIR),
    "/sessions": ("machine",),
    "/restore": ("file",),
    "/import": ("file",),
    "/sheet/change": ("name",),
}
# What the framework says of a field, in our words.
_MISSING = {"missing", "string_too_short"}
_NO_WHOLE = {"int_parsing", "int_from_float"}
_STATUS_KINDS = {404: "not_found", 405: "not_allowed"}
# Where the framework's own words wouldn't say what to do.
_STATUS_WORDS = {
    400: say("web.what_was_sent_cant_be_read"),
    405: say("web.this_address_cant_be_used"),
}


class Assets(StaticFiles):
    """The shipped assets; browsers keep them, since their address changes with them."""

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        """Answer with a file."""
        response = super().file_response(*args, **kwargs)
        response.headers["Cache-Control"] = _LATER
        return response


def make_app(desk: Desk, hosts: frozenset[str]) -> Door:
    """Put the application together."""
    app = FastAPI(
        title="calib",
        summary=say("web.boards_burns_and_advice"),
        version="1",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
    )
    app.state.desk = desk
    for part in PARTS:
        app.include_router(part.router)
    app.mount("/static", Assets(directory=STATIC), name="static")
    app.add_exception_handler(CalibError, _calib_error)
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(RequestValidationError, _wrong_request)
    app.add_exception_handler(Exception, _defect)

    def answer(request: Request, refused: Refused) -> Response:
        problem = Problem(kind=refused.kind, message=str(refused.detail))
        return _answer(desk, request, refused.status_code, problem)

    return Door(app, gate=desk.gate, hosts=hosts, answer=answer)


def _answer(desk: Desk, request: Request, status: int, problem: Problem) -> Response:
    """Answer a program with JSON, a person with a page."""
    if request.url.path.startswith("/api/"):
        body = to_json(ErrorBody(error=problem))
        return JSONResponse(body, status_code=status)
    return desk.show("refused.html", status, problem=problem)


async def _calib_error(request: Request, error: Exception) -> Response:
    kind, status = next((k, s) for cls, k, s in _KINDS if isinstance(error, cls))
    if kind == "logbook" and request.method == "GET":
        kind, status = "not_found", 404
    misfits = error.misfits if isinstance(error, InvalidRecord) else ()
    to_person = not request.url.path.startswith("/api/")
    message = " ".join(each.said(spoken(each.field)) for each in misfits if to_person)
    problem = Problem(
        kind=kind,
        message=message or str(error),
        fields=tuple(
            FieldError(
                field=each.field,
                message=say("web.this_is_needed") if each.missing else _misfit_words(each),
            )
            for each in misfits
        ),
        next_burns=getattr(error, "next_burns", ()),
        reading=api.outcome(error.looked) if isinstance(error, CellChanged) else None,
    )
    return await _again_or(request, status, problem)


def _misfit_words(misfit: Misfit) -> str:
    """What doesn't fit, beside its field; of what isn't given only what to give."""
    if misfit.value in (None, "") and not misfit.sentence:
        return f"{misfit.allowed[:1].upper()}{misfit.allowed[1:]}."
    return misfit.said("It")


async def _again_or(request: Request, status: int, problem: Problem) -> Response:
    """Show the form again that can't be taken, or the problem on a page of its own."""
    desk, path = desk_of(request), request.url.path
    inside = _INSIDE.fullmatch(path) if request.method == "POST" else None
    address = inside[1] or inside[2] if inside else _FORMS.get(path)
    looks = path in _LOOKS and "again" not in request.query_params
    if address is None or (request.method == "GET" and not looks):
        return _answer(desk, request, status, problem)
    sent = await request.form() if request.method == "POST" else request.query_params
    typed = {name: value for name, value in sent.items() if isinstance(value, str)}
    errors = {one.field: one.message for one in problem.fields}
    draft = Draft(status=status, typed=typed, problem=problem, errors=errors)
    query = {"again": desk.keep_answer(draft)}
    query |= {name: typed[name] for name in _ABOUT.get(address, ()) if name in typed}
    return RedirectResponse(f"{address}?{urlencode(query)}", 303)


async def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    kind = getattr(error, "kind", _STATUS_KINDS.get(error.status_code, "not_possible"))
    message = _STATUS_WORDS.get(error.status_code, str(error.detail))
    if error.status_code == 404:
        message = say("web.there_is_nothing", request=request)
    return _answer(
        desk_of(request), request, error.status_code, Problem(kind=kind, message=message)
    )


async def _wrong_request(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    to_person = not request.url.path.startswith("/api/")
    fields = tuple(
        FieldError(
            field=".".join(str(part) for part in one["loc"][1:]),
            message=_field_words(one, to_person),
        )
        for one in error.errors()
    )
    named = "; ".join(
        f"{f.field or say('web.what_was_sent')}: {f.message.rstrip('.')}" for f in fields[:5]
    )
    problem = Problem(
        kind="invalid", message=say("web.what_was_sent_cant_be_taken", named=named), fields=fields
    )
    return await _again_or(request, 422, problem)


def _field_words(error: Mapping[str, Any], to_person: bool) -> str:
    if error["type"] == "value_error":
        return str(error["ctx"]["error"])
    if error["type"] in _MISSING:
        return say("web.this_is_needed")
    if error["type"] in _NO_WHOLE:
        return say("web.cant_be_read", input=shown(error["input"]))
    given, bounds = shown(error["input"]), error.get("ctx", {})
    if error["type"] == "literal_error":
        expected = str(bounds["expected"]).removeprefix("'', ").replace("'", "")
        return say("web.isnt_one_of", input=given, expected=expected)
    if error["type"] == "greater_than_equal":
        return say("web.too_small", input=given, least=bounds["ge"])
    if error["type"] == "less_than_equal":
        return say("web.too_large", input=given, most=bounds["le"])
    return say("web.cant_be_taken", input=given) if to_person else str(error["msg"])


async def _defect(request: Request, _error: Exception) -> Response:
    problem = Problem(kind="defect", message=say("web.calib_failed"))
    return _answer(desk_of(request), request, 500, problem)
