"""Machines, sheets, materials, lots: looked at first, then taken down."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Query, Request
from fastapi.exceptions import RequestValidationError
from pydantic import ValidationError
from starlette.responses import RedirectResponse, Response

from calib.tasks.current import kept_settings
from calib.tasks.page import standing
from calib.tasks.workshop import add_machine, add_sheet, assumptions, change_sheet, check_material
from calib.web.desk import desk_of, now
from calib.web.forms import (
    TOLD_LATER,
    ChangeForm,
    LotForm,
    MachineForm,
    MaterialForm,
    MoreForm,
    SheetForm,
)

router = APIRouter(include_in_schema=False)
_TOLD = "told later: nothing at the machine is new"


@router.get("/machine/new")
def ask_machine(request: Request) -> Response:
    """Here is my machine."""
    return desk_of(request).ask(request, "machine_new.html")


@router.post("/machine/new")
def new_machine(request: Request, form: Annotated[MachineForm, Form()]) -> Response:
    """Take a machine down."""
    add_machine(desk_of(request).book, form.record, when=now())
    return RedirectResponse(f"/machine?{urlencode({'name': form.name})}", 303)


@router.get("/machine")
def machine(request: Request, name: Annotated[str, Query(max_length=200)]) -> Response:
    """Show a machine and what is assumed of it; what was skipped can be told here."""
    here = desk_of(request)
    found = here.book.machine(name)
    told = {field: getattr(found, field) for field in TOLD_LATER}
    typed = {field: f"{value:g}" for field, value in told.items() if value is not None}
    return here.ask(request, "machine.html", machine=found, assumed=assumptions(found), typed=typed)


@router.post("/machine")
def tell_more(request: Request, form: Annotated[MoreForm, Form()]) -> Response:
    """Take down what wasn't told of a machine before."""
    here = desk_of(request)
    found = here.book.machine(form.name)
    changed = {name: value for name, value in form.told.items() if value != getattr(found, name)}
    if changed:
        here.book.change_setup(form.name, when=now(), what="other", note=_TOLD, **changed)
    return RedirectResponse(f"/machine?{urlencode({'name': form.name})}", 303)


@router.get("/sheet/new")
def ask_sheet(request: Request) -> Response:
    """I have a new sheet."""
    return desk_of(request).ask(request, "sheet_new.html")


@router.post("/sheet/new")
def new_sheet(request: Request, form: Annotated[SheetForm, Form()]) -> Response:
    """Look at its hazards, and take it down; what may not be burnt is refused."""
    here = desk_of(request)
    add_sheet(here.book, form.record, when=now())
    return RedirectResponse(f"/sheet?{urlencode({'name': form.name})}", 303)


@router.get("/material")
def material(request: Request) -> Response:
    """May this go under a laser?"""
    here = desk_of(request)
    if "material" not in request.query_params:
        return here.ask(request, "material.html", hazard=None, material="")
    try:
        form = MaterialForm.model_validate(dict(request.query_params))
    except ValidationError as wrong:
        errors = [{**one, "loc": ("query", *one["loc"])} for one in wrong.errors()]
        raise RequestValidationError(errors) from None
    hazard = check_material(form.material, form.source, declaration=form.declaration)
    return here.show("material.html", hazard=hazard, material=form.material, typed=dict(form))


@router.get("/lot")
def ask_lot(request: Request) -> Response:
    """I have a new lot of a sheet."""
    here = desk_of(request)
    return here.ask(request, "lot.html", sheets=here.book.sheets())


@router.post("/lot")
def change_lot(request: Request, form: Annotated[LotForm, Form()]) -> Response:
    """Take the lot down; the settled settings of the earlier one stay to be looked at."""
    here = desk_of(request)
    sheet = change_sheet(here.book, form.sheet, when=now(), **form.changed)
    return RedirectResponse(f"/lot/taken?{urlencode({'sheet': sheet.name})}", 303)


@router.get("/lot/taken")
def lot_taken(request: Request, sheet: Annotated[str, Query(max_length=200)]) -> Response:
    """Offer the few burns that try the lot."""
    here = desk_of(request)
    found = here.book.sheet(sheet)
    return here.ask(
        request,
        "lot_taken.html",
        sheet=found,
        settled=kept_settings(here.book, sheet=found.name),
        machines=here.book.machines(),
    )


@router.get("/change")
def ask_change(request: Request) -> Response:
    """Something at the machine is new."""
    here = desk_of(request)
    stands = standing(here.book)
    typed = {"machine": stands.chosen({})[1]}
    return here.ask(request, "change.html", machines=stands.machines, typed=typed)


@router.post("/change")
def change_machine(request: Request, form: Annotated[ChangeForm, Form()]) -> Response:
    """Take down what is new; the earlier set-up stays in the logbook."""
    here = desk_of(request)
    here.book.change_setup(form.machine, when=now(), what=form.what, note=form.note, **form.changed)
    return RedirectResponse("/done/change", 303)
