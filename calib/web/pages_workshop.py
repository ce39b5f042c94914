"""Machines, sheets, materials, lots: looked at first, then taken down."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from calib import tasks
from calib.web.desk import desk_of, form_page, now
from calib.web.forms import ChangeForm, LotForm, MachineForm, MaterialForm, SheetForm

router = APIRouter(include_in_schema=False)


@router.get("/machine/new")
def ask_machine(request: Request) -> Response:
    """Here is my machine."""
    return desk_of(request).show("machine_new.html")


@router.post("/machine/new")
def add_machine(request: Request, form: Annotated[MachineForm, Form()]) -> Response:
    """Take a machine down, and say what is assumed of it."""
    here = desk_of(request)
    form_page(request, "machine_new.html")
    assumed = tasks.add_machine(here.book, form.record, when=now())
    return here.show("machine.html", machine=form.record, assumed=assumed)


@router.get("/sheet/new")
def ask_sheet(request: Request) -> Response:
    """I have a new sheet."""
    return desk_of(request).show("sheet_new.html")


@router.post("/sheet/new")
def add_sheet(request: Request, form: Annotated[SheetForm, Form()]) -> Response:
    """Look at its hazards, and take it down; what may not be burnt is refused."""
    here = desk_of(request)
    form_page(request, "sheet_new.html")
    hazard = tasks.add_sheet(here.book, form.record, when=now())
    return here.show("sheet.html", sheet=form.record, hazard=hazard)


@router.get("/material")
def ask_material(request: Request) -> Response:
    """May this go under a laser?"""
    return desk_of(request).show("material.html", hazard=None, material="")


@router.post("/material")
def check_material(request: Request, form: Annotated[MaterialForm, Form()]) -> Response:
    """Say what is known of a material."""
    here = desk_of(request)
    form_page(request, "material.html", hazard=None, material=form.material)
    hazard = tasks.check_material(form.material, form.source, declaration=form.declaration)
    return here.show("material.html", hazard=hazard, material=form.material, typed=dict(form))


@router.get("/lot")
def ask_lot(request: Request) -> Response:
    """I have a new lot of a sheet."""
    here = desk_of(request)
    return here.show("lot.html", sheets=here.book.sheets())


@router.post("/lot")
def change_lot(request: Request, form: Annotated[LotForm, Form()]) -> Response:
    """Take the lot down; the settled settings of the earlier one stay to be looked at."""
    here = desk_of(request)
    form_page(request, "lot.html", sheets=here.book.sheets())
    sheet = tasks.change_sheet(here.book, form.sheet, when=now(), **form.changed)
    settled = tasks.kept_settings(here.book, sheet=sheet.name)
    return here.show(
        "lot_taken.html", sheet=sheet, settled=settled, machines=here.book.machines(), typed={}
    )


@router.get("/change")
def ask_change(request: Request) -> Response:
    """Something at the machine is new."""
    here = desk_of(request)
    return here.show("change.html", machines=here.book.machines())


@router.post("/change")
def change_machine(request: Request, form: Annotated[ChangeForm, Form()]) -> Response:
    """Take down what is new; the earlier set-up stays in the logbook."""
    here = desk_of(request)
    form_page(request, "change.html", machines=here.book.machines())
    here.book.change_setup(form.machine, when=now(), what=form.what, note=form.note, **form.changed)
    return RedirectResponse("/done/change", 303)
