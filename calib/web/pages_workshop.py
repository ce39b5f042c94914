"""Machines, sheets, materials, lots: looked at first, then recorded."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from calib.errors import InvalidRecord, Misfit, unfit
from calib.logbook import Book
from calib.records import Machine, Sheet
from calib.records.fields import fields_of
from calib.tasks.files import trial_files, zipped
from calib.tasks.pairs import kept_settings
from calib.tasks.standing import standing
from calib.tasks.wishes import MaterialWish, TimedMoves
from calib.tasks.workshop import (
    add_machine,
    add_sheet,
    assumptions,
    begin,
    change_sheet,
    check_material,
    proposed_name,
    timed_acceleration,
    usual_materials,
)
from calib.texts.say import say
from calib.typed import write
from calib.web.asking import Ask, Form, Ways, page, some
from calib.web.desk import desk_of, download, now
from calib.web.forms import Sent, changes, filled

router = APIRouter(include_in_schema=False)
_TOLD = say("web.told_later_nothing_at_machine")


def start_page(request: Request, **shown: Any) -> Response:
    """Ask for a machine, a sheet, or both."""
    here = desk_of(request)
    asks_machine = not here.book.machines()
    is_first = not here.book.sheets()
    usual = {
        "title": say("web.your_first_board") if is_first else say("web.new_sheet"),
        "lead": say("web.your_machine_and_your_sheet") if asks_machine else say("web.what_it"),
        "action": "/start",
        "button": say("web.show_me_first_board"),
        "asks_machine": asks_machine,
        "asks_sheet": True,
        "machines": [(one.name, one.name) for one in here.book.machines()],
        "materials": usual_materials(),
    }
    return here.ask(request, "start.html", **{**usual, **shown})


@router.get("/start")
def ask_both(request: Request) -> Response:
    """Ask for what a first board needs."""
    return start_page(request)


@router.post("/start")
def start(request: Request, sent: Sent) -> Response:
    """Record machine and sheet, and show the first board for them."""
    here = desk_of(request)
    known = sent.get("machine")
    wrong: list[Misfit] = []
    machine, sheet = None, None
    try:
        machine = here.book.machine(known) if known else _machine(here.book, sent)
    except InvalidRecord as refusal:
        wrong += refusal.misfits
    try:
        sheet = _sheet(here.book, {**sent, "name": sent.get("sheet_name", "")})
    except InvalidRecord as refusal:
        names = {"name": "sheet_name"}
        wrong += [replace(one, field=names.get(one.field, one.field)) for one in refusal.misfits]
    if machine is None or sheet is None:
        raise InvalidRecord.of("", wrong)
    begin(here.book, machine, sheet, when=now())
    query = {"sheet": sheet.name, "machine": machine.name, "burns": "6"}
    return RedirectResponse(f"/plan/look?{urlencode(query)}", 303)


def _machine(book: Book, sent: dict[str, str]) -> Machine:
    """What was filled in of a machine; named by what it is where nobody named it."""
    machine = filled(Machine, {**sent, "name": sent.get("name") or "?"})
    if sent.get("name"):
        return machine
    words = f"{machine.rated_w:g} W {'CO2' if machine.source == 'co2' else machine.source}"
    return replace(machine, name=proposed_name(words, book.machines()))


def _sheet(book: Book, sent: dict[str, str]) -> Sheet:
    """The same of a sheet."""
    sheet = filled(Sheet, {**sent, "name": sent.get("name") or "?"})
    if sent.get("name"):
        return sheet
    words = f"{sheet.material} {sheet.thickness_mm:g} mm"
    return replace(sheet, name=proposed_name(words, book.sheets()))


@router.get("/machine/new")
def ask_machine(request: Request) -> Response:
    """Here is my machine."""
    shown = {"title": say("web.here_is_my_machine"), "lead": "", "action": "/machine/new"}
    return start_page(
        request, **shown, button=say("web.record_it"), asks_machine=True, asks_sheet=False
    )


@router.post("/machine/new")
def new_machine(request: Request, sent: Sent) -> Response:
    """Record a machine."""
    book = desk_of(request).book
    machine = _machine(book, sent)
    add_machine(book, machine, when=now())
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
        setups=reversed(here.book.setups(name)),
        typed=_written(found),
    )


def _written(machine: Machine) -> dict[str, str]:
    return {field.name: write(field, getattr(machine, field.name)) for field in fields_of(Machine)}


@router.get("/machine/files")
def machine_files(request: Request, name: str) -> Response:
    """Give the files that are tried on a new machine."""
    return download("trial.zip", zipped(trial_files(desk_of(request).book.machine(name))))


@router.get("/machine/moves")
def timed_moves(request: Request, sent: Sent) -> Response:
    """How fast does the head speed up?"""
    found = desk_of(request).book.machine(sent.get("name", ""))
    told, known = "", {"name": found.name}
    if sent.get("short_s") or sent.get("long_s"):
        acceleration = timed_acceleration(found, filled(TimedMoves, sent))
        told = say("web.acceleration_is_about", acceleration=acceleration)
        known["acceleration_mm_s2"] = f"{acceleration:g}"
    form = Form(action="/machine/moves", method="get", button=say("web.work_it_out"), typed=sent,
                asks=some(TimedMoves), known={"name": found.name})  # fmt: skip
    keep = Form(action="/machine", button=say("web.record_it"), known=known) if told else None
    files = (f"/machine/files?{urlencode({'name': found.name})}", say("web.its_trial_files"),
             say("web.trial_line_and_moves_to_time"))  # fmt: skip
    title, lead = say("web.how_fast_does_head_speed_up"), say("web.run_moves_and_time_them")
    return page(request, title, lead, Ways(ways=[files]), form, told, keep, of=found.name)


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
    shown = {
        "title": say("web.i_have_new_sheet"),
        "lead": "",
        "action": "/sheet/new",
        "machines": [],
    }
    button = say("web.look_whether_it_may_be_burnt")
    return start_page(request, **shown, button=button, asks_machine=False)


@router.post("/sheet/new")
def new_sheet(request: Request, sent: Sent) -> Response:
    """Look at its hazards, and record it; what may not be burnt is refused."""
    book = desk_of(request).book
    sheet = _sheet(book, sent)
    add_sheet(book, sheet, when=now())
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
def ask_lot(request: Request, sent: Sent) -> Response:
    """I have a new lot of a sheet."""
    names = [(one.name, one.name) for one in desk_of(request).book.sheets()]
    sheet = Ask(name="name", label=say("web.of_which_sheet"), kind="choose", options=names)
    form = Form(
        action="/lot",
        button=say("web.record_it"),
        asks=[sheet, *some(Sheet, "lot", "measured_mm")],
        typed={"name": sent.get("sheet", "")},
    )
    return page(request, say("web.i_have_new_lot_of_sheet"), form)


@router.post("/lot")
def change_lot(request: Request, sent: Sent) -> Response:
    """Record the lot; the kept settings of the earlier one stay to be looked at."""
    if not sent.get("lot"):
        raise unfit("lot", "", say("web.give_new_lot_name"))
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
        kept=here.with_alarms(kept_settings(here.book, sheet=found.name)),
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
