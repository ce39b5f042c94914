"""Joints, kerf, focus, wattages, machines and sheets as they are, and what else a board has."""

from __future__ import annotations

from typing import Annotated, Any, cast
from urllib.parse import urlencode

from fastapi import APIRouter, File, Request, UploadFile
from fastapi import Form as InForm
from starlette.responses import Response

from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.records import KINDS, Setting, Sheet
from calib.tasks.advice import keep_none
from calib.tasks.boards import plan_focus_board, plan_stair
from calib.tasks.checks import sheet_or_machine
from calib.tasks.elsewhere import table_of_wattages, wattage_files
from calib.tasks.files import drawn_files, resume_files
from calib.tasks.finding import find_board, find_pair
from calib.tasks.folders import zipped
from calib.tasks.joints import (
    caliper_of,
    comb_files,
    comb_readings,
    comb_taken,
    find_comb,
    joint_of_comb,
    learn_kerf,
    plan_comb_board,
    record_comb,
)
from calib.tasks.wishes import CheckWish, CombWish, FocusWish, Named, Pair
from calib.tasks.workshop import change_sheet
from calib.texts.joints import joint_lines
from calib.texts.words import date_words, operation_words, setting_words, speed_words
from calib.typed import write
from calib.units import parse_length_mm
from calib.web.asking import Ask, Form, Picture, Table, Told, Ways, done, page, some
from calib.web.desk import desk_of, download, now
from calib.web.forms import Sent, changes, filled

router = APIRouter(include_in_schema=False)
_OPERATIONS = [(name, kind.doing) for name, kind in KINDS.items()]
_FEELS = (("tight", "tight: not by hand"), ("snug", "snug: holds"), ("loose", "loose: falls out"),
          ("", "not tried"))  # fmt: skip
_FACES = (("top", "at the face the beam came from"), ("bottom", "at the other face"),
          ("across", "with the jaws over the whole thickness"))  # fmt: skip


@router.get("/machines")
def machines(request: Request) -> Response:
    """Which machines are there?"""
    rows = [
        ((one.name, f"/machine?{urlencode({'name': one.name})}"), f"{one.rated_w:g} W",
         one.source, f"{one.bed_mm[0]:g} x {one.bed_mm[1]:g} mm", speed_words(one.max_speed_mm_s))
        for one in desk_of(request).book.machines()
    ]  # fmt: skip
    return page(
        request,
        "Machines",
        Table(title="As they are set up now", head=("machine", "watts", "kind", "bed", "top speed"),
              rows=rows),
        Ways(ways=[("/machine/new", "Here is my machine", "One more."),
                   ("/change", "Something at the machine is new", "A lens, a tube, another focus."),
                   ("/sessions", "Sessions", "Focus, air, lens and support of one.")]),
    )  # fmt: skip


@router.get("/sheet/change")
def ask_sheet_change(request: Request, sent: Sent) -> Response:
    """I have measured a sheet, or know more of it."""
    sheet = desk_of(request).book.sheet(sent.get("name", ""))
    fields = some(Sheet, "measured_mm", "declaration")
    typed = {one.name: write(one, getattr(sheet, one.name)) for one in fields}
    form = Form(action="/sheet/change", button="Record it", asks=fields, typed=typed,
                known={"name": sheet.name})  # fmt: skip
    return page(request, "I know more of this sheet", form, of=sheet.name)


@router.post("/sheet/change")
def sheet_change(request: Request, sent: Sent) -> Response:
    """Record it."""
    changed = changes(Sheet, sent)
    sheet = change_sheet(desk_of(request).book, changed.pop("name", ""), when=now(), **changed)
    return done(request, f"/sheet?{urlencode({'name': sheet.name})}", "Recorded.")


@router.post("/setting/none")
def no_setting(request: Request, sent: Sent) -> Response:
    """Use the kept setting no longer."""
    before = keep_none(desk_of(request).book, *filled(Pair, sent).pair, when=now())
    words = f"No longer used: {setting_words(before.setting)}."
    return done(request, f"/sheet?{urlencode({'name': before.sheet})}", words)


@router.get("/joints")
def joints(request: Request) -> Response:
    """Which joint boards are there, and plan one."""
    book = desk_of(request).book
    rows = [
        ((one.label, f"/joint/{one.label}"), one.sheet or "", one.machine or "", date_words(one.at))
        for one in book.stored("comb")
        if one.label
    ]
    return page(
        request,
        "Parts that fit",
        "A joint board holds slots and tongues in small steps. Try your stock in the slots, tap how"
        " each feels, and calib says what to draw.",
        Table(title="Joint boards", head=("board", "sheet", "machine", "planned"), rows=rows),
        Form(action="/joints", button="Plan a joint board", title="Another one",
             asks=("pair", *some(CombWish, but=("setting", "paper")), *_OWN_SETTING)),
        Ways(ways=[("/kerf", "Kerf", "From coupons that were measured with a caliper.")]),
        danger=True,
    )  # fmt: skip


_OWN_SETTING = (
    Ask(name="power_pct", label="Cut at power", then="in %; left out: the kept cut"),
    Ask(name="speed_mm_s", label="and speed", then="in mm/s; left out: the kept cut"),
)


@router.post("/joints")
def plan_joints(request: Request, sent: Sent) -> Response:
    """Plan a joint board and store it."""
    own = sent.get("power_pct") or sent.get("speed_mm_s")
    setting = filled(Setting, sent) if own else None
    wish = filled(CombWish, sent, setting=setting)
    made = plan_comb_board(desk_of(request).book, *filled(Named, sent).names, wish, when=now())
    return done(request, f"/joint/{made.board.board_id}", "The joint board is in the logbook.")


@router.get("/joint/{code}")
def joint(request: Request, code: str) -> Response:
    """One joint board: its files, how slots and tongues feel, and what to draw."""
    book = desk_of(request).book
    board = find_comb(book, code)
    taken = comb_taken(book, board)
    felt = {one.label: one.feel for one in taken.readings if one.feel}
    steps = [step for step in board.steps if step.kind != "gauge"]
    rows = [(f"feel-{step.label}", f"{step.label}, {step.width_mm:.2f} mm") for step in steps]
    widths = [
        (one.label, *(", ".join(f"{w:g}" for w in one.widths_mm(cast(Any, face))) for face, _ in
                      _FACES))
        for one in taken.readings if any(one.widths_mm(cast(Any, face)) for face, _ in _FACES)
    ]  # fmt: skip
    try:
        found = joint_lines(joint_of_comb(book, code)[1])
    except NotEnoughEvidence:
        found = ()
    address = f"/joint/{board.board_id}"
    return page(
        request,
        f"Joint board {board.board_id}",
        Told(name="told", lines=found),
        Picture(source=f"{address}/picture.svg", words="The board as it lies, with its codes"),
        Ways(ways=[(f"{address}/files", "All its files (ZIP)", "Drawing, record sheet, program.")]),
        Form(action=address, button="Record how they feel", grid=(_FEELS, rows),
             title="How does it feel?", renews="told",
             typed={f"feel-{label}": feel for label, feel in felt.items()}),
        Table(title="Measured", head=("code", *(face for face, _ in _FACES)), rows=widths)
        if widths else None,
        Form(action=address, button="Record the widths", folded="I have measured with a caliper",
             quiet=True,
             asks=(Ask(name="code", label="Slot or tongue", kind="choose",
                       options=[("", ""), *((step.label, step.label) for step in steps)]),
                   Ask(name="face", label="Where", kind="choose", options=_FACES),
                   Ask(name="widths", label="It measures", then="in mm, as often as measured, such"
                       " as 8.35/8.36"),
                   Ask(name="stock", label="The stock is so thick", then="such as 2.98/3.01 mm"),
                   Ask(name="caliper", label="Largest error of the caliper", then="in mm"))),
        of=f"{board.sheet.name} on {board.machine.name}, cut at {setting_words(board.setting)}",
        danger=True,
    )  # fmt: skip


@router.post("/joint/{code}")
def record_joint(request: Request, code: str, sent: Sent) -> Response:
    """Record what was felt and measured."""
    book = desk_of(request).book
    felt: dict[Any, list[list[str]]] = {}
    for name, feel in sent.items():
        if name.startswith("feel-") and feel and feel in dict(_FEELS):
            felt.setdefault(feel, []).append([name.removeprefix("feel-")])
    measured: dict[Any, list[tuple[str, tuple[float, ...]]]] = {}
    if sent.get("widths") and sent.get("code"):
        face = sent.get("face", "top")
        if face not in dict(_FACES):
            raise InvalidRecord(f"{face!r} is no place to measure: {', '.join(dict(_FACES))}.")
        measured[face] = [(sent["code"], _widths(sent["widths"]))]
    limit = parse_length_mm(sent["caliper"]) if sent.get("caliper") else None
    stock = _widths(sent["stock"]) if sent.get("stock") else ()
    record_comb(book, code, comb_readings(felt, measured), when=now(), stock_mm=stock,
                caliper=caliper_of(limit))  # fmt: skip
    return done(request, f"/joint/{code}", "Recorded.")


def _widths(text: str) -> tuple[float, ...]:
    return tuple(parse_length_mm(part) for part in text.split("/"))


@router.get("/joint/{code}/files")
def joint_files(request: Request, code: str) -> Response:
    """Give all files of a joint board in one."""
    board = find_comb(desk_of(request).book, code)
    return download(f"{board.board_id}-comb.zip", zipped(comb_files(board)))


@router.get("/joint/{code}/picture.svg")
def joint_picture(request: Request, code: str) -> Response:
    """Draw it."""
    board = find_comb(desk_of(request).book, code)
    content = comb_files(board)[f"{board.board_id}-comb.svg"]
    return Response(content, media_type="image/svg+xml")


@router.get("/kerf")
def ask_kerf(request: Request, sent: Sent) -> Response:
    """How wide is the cut?"""
    limit = Ask(name="caliper", label="Largest error of the caliper", then="in mm")
    return page(
        request,
        "Kerf",
        "From coupons that dropped out and were measured: how wide the cut is, and how it grows.",
        Form(action="/kerf", button="Work it out", asks=("pair", limit), typed=sent),
    )


@router.post("/kerf")
def kerf(request: Request, sent: Sent) -> Response:
    """Work it out from all measured coupons, and keep it."""
    limit = parse_length_mm(sent["caliper"]) if sent.get("caliper") else None
    names = filled(Named, sent).names
    law, points = learn_kerf(desk_of(request).book, *names, when=now(), caliper=caliper_of(limit))
    told = ", ".join(f"{setting_words(one.setting)}: {one.kerf}" for one in points)
    words = f"Kerf {law.kerf} at {law.middle_j_mm:.2f} J/mm. {told}. {' '.join(law.notes)}"
    return done(request, f"/kerf?{urlencode(_named(sent))}", words.strip())


def _named(sent: dict[str, str]) -> dict[str, str]:
    return {name: sent[name] for name in ("sheet", "machine", "operation") if sent.get(name)}


@router.get("/focus")
def focus(request: Request, sent: Sent) -> Response:
    """Which focus height is right?"""
    return page(
        request,
        "Find the focus height",
        "Lines at several heights of the head: the finest one is in focus. Nothing is stored; what"
        " you learn is the height that you set.",
        Form(action="/focus/files", method="get", button="Its files (ZIP)", typed=sent,
             asks=("pair", *some(FocusWish))),
        danger=True,
    )  # fmt: skip


@router.get("/focus/files")
def focus_board(request: Request, sent: Sent) -> Response:
    """Give the files of a focus board."""
    names, wish = filled(Named, sent).names, filled(FocusWish, sent)
    board = plan_focus_board(desk_of(request).book, *names, wish)
    return download("focus.zip", zipped(drawn_files(board, "focus", outline=False)))


@router.get("/stair")
def stair(request: Request, sent: Sent) -> Response:
    """Bracket where a new sheet cuts, by one cut."""
    return page(
        request,
        "Plan a stair",
        "One straight cut whose speed steps up along it. Hold it against the light, tap the last"
        " step that is cut through: that does what six coupons did.",
        Form(action="/stair", button="Plan it", typed=sent,
             asks=("pair", *some(CheckWish, but=("setting",)))),
        danger=True,
    )  # fmt: skip


@router.post("/stair")
def planned_stair(request: Request, sent: Sent) -> Response:
    """Plan it."""
    names, wish = filled(Named, sent).names, filled(CheckWish, sent)
    planned = plan_stair(desk_of(request).book, *names, wish, when=now())
    return done(request, f"/board/{planned.grid.board_id}", "Planned.")


@router.get("/wattages")
def wattages(request: Request, sent: Sent) -> Response:
    """Where would other people's machines begin?"""
    operation = Ask(name="operation", label="It is to", options=_OPERATIONS, kind="radios")
    form = Form(action="/wattages", method="get", button="Show the table", typed=sent,
                asks=(operation, "pair"))  # fmt: skip
    title = "A table of wattages, to hand on"
    if not sent.get("sheet"):
        words = "Where to begin with a sheet at each wattage, by what one machine has learnt."
        return page(request, title, words, form)
    pair = filled(Pair, sent)
    table = table_of_wattages(desk_of(request).book, *pair.pair)
    rows = [
        (f"{row.rated_w:g} W", f"{row.power_pct:g} %", speed_words(row.speed_mm_s),
         f"{row.slowest_mm_s:.3g} to {row.fastest_mm_s:.3g} mm/s", row.note)
        for row in table.rows
    ]  # fmt: skip
    head = ("rated", "power", "begin at", "9 of 10 within", "note")
    files = f"/wattages/files?{urlencode(_named(sent))}"
    return page(
        request,
        title,
        table.basis,
        Table(title="Starting points", head=head, rows=rows),
        Ways(ways=[(files, "To hand on (ZIP)", "A page to print, a table, plain text.")]),
        table.cautions,
        form,
        of=f"{operation_words(pair.operation)} of {table.sheet.name}",
        danger=True,
    )


@router.get("/wattages/files")
def wattages_files(request: Request, sent: Sent) -> Response:
    """Give the table as files."""
    table = table_of_wattages(desk_of(request).book, *filled(Pair, sent).pair)
    return download("wattages.zip", zipped(wattage_files(table)))


@router.get("/cause")
def cause(request: Request, sent: Sent) -> Response:
    """Parts hang: is it the sheet, or the machine?"""
    form = Form(action="/cause", method="get", button="Which is it?", typed=sent, asks=("pair",))
    title = "Is it the sheet or the machine?"
    if not sent.get("sheet"):
        words = "Take the sheet whose parts hang; a check strip of another sheet is compared."
        return page(request, title, words, form)
    machine, sheet = find_pair(desk_of(request).book, *filled(Named, sent).names)
    found = sheet_or_machine(desk_of(request).book, machine.name, sheet.name, None)
    rows = [(name, f"{chance:.0%}") for name, chance in found.chance.items()]
    table = Table(title="How likely", head=("it is", "chance"), rows=rows)
    return page(request, title, found.words, table, form, of=f"{sheet.name} on {machine.name}")


@router.get("/board/{board_id}/resume")
def resume(request: Request, board_id: str, begin: str) -> Response:
    """Give the program that goes on with a stopped board."""
    grid = find_board(desk_of(request).book, board_id)
    ((name, content),) = resume_files(grid, begin).items()
    return download(name, content)


@router.post("/board/{board_id}/photographs")
def keep_photograph(
    request: Request,
    board_id: str,
    photograph: Annotated[UploadFile, File()],
    cell: Annotated[str, InForm(max_length=8)] = "",
) -> Response:
    """Keep a photograph of the board, or of one cell."""
    book = desk_of(request).book
    code = find_board(book, board_id).board_id
    name = (photograph.filename or "photograph").replace("\\", "/").rsplit("/", 1)[-1]
    book.attach(code, name[-100:], photograph.file.read(), when=now(), cell=cell)
    return done(request, f"/board/{code}", "The photograph is kept.")
