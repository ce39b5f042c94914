"""Machines, sheets, materials, lots: looked at first, then recorded."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from calib.errors import unfit
from calib.records import Machine, Sheet
from calib.records.fields import fields_of
from calib.tasks.current import kept_settings
from calib.tasks.page import standing
from calib.tasks.wishes import MaterialWish
from calib.tasks.workshop import add_machine, add_sheet, assumptions, change_sheet, check_material
from calib.typed import write
from calib.web.desk import desk_of, now
from calib.web.forms import Sent, changes, filled

router = APIRouter(include_in_schema=False)
_TOLD = "told later: nothing at the machine is new"


@router.get("/machine/new")
def ask_machine(request: Request) -> Response:
    """Here is my machine."""
    return desk_of(request).ask(request, "machine_new.html")


@router.post("/machine/new")
def new_machine(request: Request, sent: Sent) -> Response:
    """Take a machine down."""
    machine = filled(Machine, sent)
    add_machine(desk_of(request).book, machine, when=now())
    return RedirectResponse(f"/machine?{urlencode({'name': machine.name})}", 303)


@router.get("/machine")
def machine(request: Request, name: Annotated[str, Query(max_length=200)]) -> Response:
    """Show a machine and what is assumed of it; what was skipped can be told here."""
    here = desk_of(request)
    found = here.book.machine(name)
    return here.ask(
        request,
        "machine.html",
        machine=found,
        assumed=assumptions(found),
        typed=_written(found),
    )


def _written(machine: Machine) -> dict[str, str]:
    return {field.name: write(field, getattr(machine, field.name)) for field in fields_of(Machine)}


@router.post("/machine")
def tell_more(request: Request, sent: Sent) -> Response:
    """Record what wasn't told of a machine before."""
    here = desk_of(request)
    told = changes(Machine, sent)
    name = told.pop("name", "")
    found = here.book.machine(name)
    # What stood in the form already was rounded to be shown, and is nothing new.
    before = _written(found)
    new = {field: value for field, value in told.items() if sent[field] != before[field]}
    if new:
        here.book.change_setup(name, when=now(), what="other", why=_TOLD, **new)
    return RedirectResponse(f"/machine?{urlencode({'name': name})}", 303)


@router.get("/sheet/new")
def ask_sheet(request: Request) -> Response:
    """I have a new sheet."""
    return desk_of(request).ask(request, "sheet_new.html")


@router.post("/sheet/new")
def new_sheet(request: Request, sent: Sent) -> Response:
    """Look at its hazards, and record it; what may not be burnt is refused."""
    sheet = filled(Sheet, sent)
    add_sheet(desk_of(request).book, sheet, when=now())
    return RedirectResponse(f"/sheet?{urlencode({'name': sheet.name})}", 303)


@router.get("/material")
def material(request: Request, sent: Sent) -> Response:
    """May this go under a laser?"""
    here = desk_of(request)
    if "material" not in sent:
        return here.ask(request, "material.html", hazard=None, material="")
    wish = filled(MaterialWish, sent)
    hazard = check_material(wish)
    return here.show("material.html", hazard=hazard, material=wish.material, typed=sent)


@router.get("/lot")
def ask_lot(request: Request) -> Response:
    """I have a new lot of a sheet."""
    here = desk_of(request)
    return here.ask(request, "lot.html", sheets=here.book.sheets())


@router.post("/lot")
def change_lot(request: Request, sent: Sent) -> Response:
    """Take the lot down; the kept settings of the earlier one stay to be looked at."""
    if not sent.get("lot"):
        raise unfit("lot", "", "give the new lot a name, such as its month")
    # Another lot was not measured by the earlier one's caliper.
    changed = {"measured_mm": None, **changes(Sheet, sent)}
    name = changed.pop("name", "")
    sheet = change_sheet(desk_of(request).book, name, when=now(), **changed)
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
        kept=kept_settings(here.book, sheet=found.name),
        machines=here.book.machines(),
    )


@router.get("/change")
def ask_change(request: Request) -> Response:
    """Something at the machine is new."""
    here = desk_of(request)
    stands = standing(here.book)
    typed = {"name": stands.chosen({})[1]}
    return here.ask(request, "change.html", machines=stands.machines, typed=typed)


@router.post("/change")
def change_machine(request: Request, sent: Sent) -> Response:
    """Record what is new; the earlier set-up stays in the logbook."""
    what, why = sent.pop("what", ""), sent.pop("why", "")
    changed = changes(Machine, sent)
    name = changed.pop("name", "")
    desk_of(request).book.change_setup(name, when=now(), what=what, why=why, **changed)  # type: ignore[arg-type]
    return RedirectResponse("/done/change", 303)
