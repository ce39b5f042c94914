"""The maker's own drawing: what is burnt how, and what that takes."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, File, Request, UploadFile
from starlette.responses import RedirectResponse, Response

from calib.errors import BadFile, CalibError, InvalidRecord
from calib.pictures.drawing import colour_of, drawing_svg
from calib.records import OPERATIONS, Operation, Setting
from calib.tasks.jobs import job_report, take_drawing_in, time_this_job
from calib.tasks.standing import standing
from calib.tasks.wishes import JobWish, Named
from calib.texts.jobs import time_ratio_text
from calib.texts.say import say
from calib.units import parse_number
from calib.web.asking import done
from calib.web.desk import Draft, desk_of, now
from calib.web.forms import Sent, filled

router = APIRouter(include_in_schema=False)
# What can become of a class, in the order of the choices; left out is said by an empty word.
_CHOICES: dict[str, Operation | None] = {
    **{operation: operation for operation in OPERATIONS},
    "none": None,
}


@router.get("/drawing")
def ask_drawing(request: Request, sent: Sent) -> Response:
    """What does my drawing take?"""
    here = desk_of(request)
    return here.ask(request, "drawing.html", standing=standing(here.book), typed=sent)


@router.post("/drawing")
def take_drawing(request: Request, sent: Sent, drawing: Annotated[UploadFile, File()]) -> Response:
    """Read a drawing; it is kept while the page is open, and never stored."""
    here = desk_of(request)
    names = filled(Named, sent)
    by_group = sent.get("classes_by") == "group"
    read = take_drawing_in(drawing.file.read(), "group" if by_group else "colour")
    word = here.keep_large((drawing.filename or "drawing", read))
    query = {"machine": names.machine or "", "sheet": names.sheet or ""}
    return RedirectResponse(f"/drawing/{word}?{urlencode(query)}", 303)


@router.get("/drawing/{word}")
def drawn(request: Request, word: str, sent: Sent) -> Response:
    """Show a drawing by its classes; with an operation for each, what it takes."""
    here = desk_of(request)
    kept = here.large(word)
    if not isinstance(kept, tuple):
        raise BadFile(say("web.this_drawing_isnt_kept_any_more"))
    name, drawing = kept
    typed = {"parts": "", "price": "", "took_min": "", **sent}
    operations = _operations(drawing, sent)
    shown: dict[str, Any] = {"report": None, "problem": ""}
    if any(operations.values()):
        try:
            shown["report"] = _report(here.book, sent, drawing, operations)
        except InvalidRecord as refusal:
            shown["errors"] = {one.field: one.said("It") for one in refusal.misfits}
            shown["problem"] = "" if shown["errors"] else str(refusal)
        except CalibError as refusal:
            shown["problem"] = str(refusal)
    report = shown["report"]
    features = report.features.features if report and report.features else ()
    return here.ask(
        request,
        "drawn.html",
        title=name,
        word=word,
        drawing=drawing,
        operations=operations,
        picture=drawing_svg(drawing, operations, features),
        colours=[colour_of(one) for one in drawing.classes],
        features=features,
        standing=standing(here.book),
        typed=typed,
        marks={
            one: {
                "number": number,
                "area": operations[one] == "area_mark",
                "given": bool(_own(sent, number)),
            }
            for number, one in enumerate(drawing.classes)
            if operations.get(one) not in (None, "cut")
        },
        **shown,
    )


@router.post("/drawing/{word}/took")
def took(request: Request, word: str, sent: Sent) -> Response:
    """Record what the stopwatch said of this job."""
    here = desk_of(request)
    kept = here.large(word)
    if not isinstance(kept, tuple):
        raise BadFile(say("web.this_drawing_isnt_kept_any_more"))
    name, drawing = kept
    asked = {name: text for name, text in sent.items() if name != "took_min"}
    address = f"/drawing/{word}?{urlencode(asked)}"
    minutes = sent.get("took_min", "")
    report = _report(here.book, sent, drawing, _operations(drawing, sent))
    try:
        machine, seconds = filled(Named, sent).machine, 60.0 * parse_number(minutes)
        ratio = time_this_job(here.book, machine, report, seconds, when=now(), label=name)
    except CalibError as refusal:
        errors = {"took_min": str(refusal)}
        draft = Draft(status=422, typed={"took_min": minutes}, problem=None, errors=errors)
        return RedirectResponse(f"{address}&again={here.keep_answer(draft)}", 303)
    return done(request, address, time_ratio_text(ratio))


def _operations(drawing: Any, sent: dict[str, str]) -> dict[str, Operation | None]:
    return {
        one: _CHOICES[sent[f"class-{number}"]]
        for number, one in enumerate(drawing.classes)
        if sent.get(f"class-{number}") in _CHOICES
    }


def _own(sent: dict[str, str], number: int) -> dict[str, str]:
    """What was typed of the setting of one class, by the names of its fields."""
    names = ("power_pct", "speed_mm_s", "line_pitch_mm")
    return {name: sent[f"{name}-{number}"] for name in names if sent.get(f"{name}-{number}")}


def _mark_setting(own: dict[str, str], number: int) -> Setting:
    """The setting of one class; what doesn't fit is said at the field of that class."""
    try:
        return filled(Setting, own)
    except InvalidRecord as refusal:
        wrong = [replace(one, field=f"{one.field}-{number}") for one in refusal.misfits]
        raise InvalidRecord.of("", wrong) from None


def _report(book: Any, sent: dict[str, str], drawing: Any, operations: dict[str, Any]) -> Any:
    every = {one: operations.get(one) for one in drawing.classes}
    cut = None
    if sent.get("power_pct") or sent.get("speed_mm_s"):
        cut = filled(Setting, sent)
    kept = {name: text for name, text in sent.items() if name in ("parts", "price", "sheets")}
    marks = {
        one: _mark_setting(own, number)
        for number, one in enumerate(drawing.classes)
        if every[one] not in (None, "cut") and (own := _own(sent, number))
    }
    wish = filled(JobWish, kept, operations=every, cut=cut, marks=marks)
    return job_report(filled(Named, sent).of(book), drawing, wish)
