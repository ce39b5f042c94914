"""Joints, kerf, focus, wattages, machines and sheets as they are, and what else a board has."""

from __future__ import annotations

import re
from typing import Annotated, Any, cast
from urllib.parse import urlencode

from fastapi import APIRouter, File, Request, UploadFile
from fastapi import Form as InForm
from starlette.responses import Response

from calib.errors import InvalidRecord, NotEnoughEvidence
from calib.pictures.joint import joint_svg
from calib.records import KINDS, Sheet
from calib.tasks.advice import keep_none
from calib.tasks.boards import plan_for, table_of_wattages, wattage_files
from calib.tasks.checks import sheet_or_machine
from calib.tasks.files import resume_files, zipped
from calib.tasks.joints import (
    caliper_of,
    comb_files,
    comb_readings,
    comb_taken,
    find_comb,
    joint_of_comb,
    learn_kerf,
    record_comb,
)
from calib.tasks.pairs import find_board
from calib.tasks.wishes import CombWish, FileWish, FocusWish, Named, Pair, ProofWish, StairWish
from calib.tasks.workshop import change_sheet
from calib.texts.joints import joint_words
from calib.texts.say import say
from calib.texts.words import about, date_words, operation_words, setting_words, speed_words
from calib.typed import write
from calib.units import parse_length_mm, show_percent
from calib.web.asking import Ask, Form, Picture, Table, Told, Ways, done, page, some
from calib.web.desk import desk_of, download, now
from calib.web.forms import Sent, changes, filled, typed_for

router = APIRouter(include_in_schema=False)
_OPERATIONS = [(name, kind.doing) for name, kind in KINDS.items()]
_FEELS = (
    ("tight", say("web.tight_not_by_hand")),
    ("snug", "snug: holds"),
    ("loose", say("web.loose_falls_out")),
    ("", say("web.not_tried")),
)
_FACES = (("top", say("web.at_face_beam_came")), ("bottom", say("web.at_other_face")),
          ("across", say("web.with_jaws_over_whole_thickness")))  # fmt: skip


@router.get("/machines")
def machines(request: Request) -> Response:
    """Which machines are there?"""
    rows = [
        ((one.name, f"/machine?{urlencode({'name': one.name})}"), f"{one.rated_w:g} W",
         say("web.co2_laser" if one.source == "co2" else "web.diode_laser"),
         f"{one.bed_mm[0]:g} × {one.bed_mm[1]:g} mm", speed_words(one.max_speed_mm_s))
        for one in desk_of(request).book.machines()
    ]  # fmt: skip
    return page(
        request,
        "Machines",
        Table(
            title=say("web.as_they_are_set_up_now"),
            head=("machine", "watts", "kind", "bed", say("web.top_speed")),
            rows=rows,
        ),
        Ways(
            ways=[
                ("/machine/new", say("web.here_is_my_machine"), say("web.one_more")),
                (
                    "/change",
                    say("web.something_at_machine_is_new"),
                    say("web.lens_tube_another_focus"),
                ),
                ("/sessions", "Sessions", say("web.focus_air_lens_and_support")),
            ]
        ),
    )


@router.get("/sheet/change")
def ask_sheet_change(request: Request, sent: Sent) -> Response:
    """I have measured a sheet, or know more of it."""
    sheet = desk_of(request).book.sheet(sent.get("name", ""))
    fields = some(Sheet, "measured_mm", "declaration")
    typed = {one.name: write(one, getattr(sheet, one.name)) for one in fields}
    form = Form(
        action="/sheet/change",
        button=say("web.record_it"),
        asks=fields,
        typed=typed,
        known={"name": sheet.name},
    )
    return page(request, say("web.i_know_more_of_this_sheet"), form, of=sheet.name)


@router.post("/sheet/change")
def sheet_change(request: Request, sent: Sent) -> Response:
    """Record it."""
    changed = changes(Sheet, sent)
    sheet = change_sheet(desk_of(request).book, changed.pop("name", ""), when=now(), **changed)
    return done(request, f"/sheet?{urlencode({'name': sheet.name})}", "Recorded.")


@router.post("/setting/none")
def no_setting(request: Request, sent: Sent) -> Response:
    """Use the kept setting no longer."""
    before = keep_none(filled(Pair, sent).of(desk_of(request).book), when=now())
    words = say("web.no_longer_used", setting=setting_words(before.setting))
    return done(request, f"/sheet?{urlencode({'name': before.sheet})}", words)


@router.get("/joints")
def joints(request: Request, sent: Sent) -> Response:
    """Which joint boards are there, and plan one."""
    book = desk_of(request).book
    rows = [
        ((one.label, f"/joint/{one.label}"), one.sheet or "", one.machine or "", date_words(one.at))
        for one in book.stored("comb")
        if one.label
    ]
    return page(
        request,
        say("web.parts_that_fit"),
        say("web.joint_board_holds_slots_and_tongues"),
        Table(
            title=say("web.joint_boards"), head=("board", "sheet", "machine", "planned"), rows=rows
        ),
        Form(
            action="/joints",
            button=say("web.plan_joint_board"),
            title=say("web.another_one"),
            typed=sent,
            asks=("pair", *some(CombWish, but=("setting", "paper", "piece_edge")), *_OWN_SETTING),
        ),
        Ways(ways=[("/kerf", "Kerf", say("web.from_coupons_that_were_measured"))]),
        danger=True,
    )


_OWN_SETTING = (
    Ask(name="power_pct", label=say("web.cut_at_power"), then=say("web.in_left_out")),
    Ask(name="speed_mm_s", label=say("web.and_speed"), then=say("web.in_left_out_2")),
)


@router.post("/joints")
def plan_joints(request: Request, sent: Sent) -> Response:
    """Plan a joint board and store it."""
    made = plan_for(desk_of(request).book, "joint", typed_for("joint", sent), when=now())
    assert made.comb is not None
    return done(request, f"/joint/{made.comb.board_id}", say("web.joint_board_is_in_logbook"))


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
        answer = joint_of_comb(book, code)[1]
        told = Told(name="told", lines=joint_words(answer), drawing=joint_svg(board, answer, felt))
    except NotEnoughEvidence:
        told = Told(name="told", lines=())
    address = f"/joint/{board.board_id}"
    return page(
        request,
        say("web.joint_board", board=board),
        told,
        Picture(source=f"{address}/picture.svg", words=say("web.board_as_it_lies")),
        Ways(
            ways=[
                (f"{address}/files", say("web.all_its_files_zip"), say("web.drawing_record_sheet"))
            ]
        ),
        Form(
            action=f"{address}/files",
            method="get",
            button=say("web.all_its_files_zip"),
            folded=say("web.my_program_needs_them_otherwise"),
            quiet=True,
            asks=some(FileWish, "piece_edge"),
        ),
        Form(
            action=address,
            button=say("web.record_how_they_feel"),
            grid=(_FEELS, rows),
            title=say("web.how_does_it_feel"),
            renews="told",
            typed={f"feel-{label}": feel for label, feel in felt.items()},
        ),
        Table(title="Measured", head=("code", *(face for face, _ in _FACES)), rows=widths)
        if widths
        else None,
        Form(
            action=address,
            button=say("web.record_widths"),
            folded=say("web.i_have_measured_with_caliper"),
            quiet=True,
            asks=(
                Ask(
                    name="code",
                    label=say("web.slot_or_tongue"),
                    kind="choose",
                    options=[("", ""), *((step.label, step.label) for step in steps)],
                ),
                Ask(name="face", label="Where", kind="choose", options=_FACES),
                Ask(
                    name="widths",
                    label=say("web.it_measures"),
                    then=say("web.in_as_often_as_measured"),
                ),
                Ask(name="stock", label=say("web.stock_is_so_thick"), then=say("web.such_as")),
                Ask(
                    name="caliper",
                    label=say("web.largest_error_of_caliper"),
                    then=say("web.in_more"),
                ),
            ),
        ),
        of=say("web.on_cut", board=board, setting=setting_words(board.setting)),
        danger=True,
    )


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
            raise InvalidRecord(
                say("web.is_no_place_to_measure", face=face, dict=", ".join(dict(_FACES)))
            )
        measured[face] = [(sent["code"], _widths(sent["widths"]))]
    limit = parse_length_mm(sent["caliper"]) if sent.get("caliper") else None
    stock = _widths(sent["stock"]) if sent.get("stock") else ()
    record_comb(
        book,
        code,
        comb_readings(felt, measured),
        when=now(),
        stock_mm=stock,
        caliper=caliper_of(limit),
    )
    return done(request, f"/joint/{code}", "Recorded.")


def _widths(text: str) -> tuple[float, ...]:
    return tuple(parse_length_mm(part) for part in text.split("/"))


@router.get("/joint/{code}/files")
def joint_files(request: Request, code: str, piece_edge: bool = False) -> Response:
    """Give all files of a joint board in one."""
    board = find_comb(desk_of(request).book, code)
    return download(f"{board.board_id}-comb.zip", zipped(comb_files(board, piece_edge=piece_edge)))


@router.get("/joint/{code}/picture.svg")
def joint_picture(request: Request, code: str) -> Response:
    """Draw it."""
    board = find_comb(desk_of(request).book, code)
    content = comb_files(board)[f"{board.board_id}-comb.svg"]
    # The file's hairlines are too fine for the eye.
    seen = re.sub(rb'stroke-width="[^"]+"', b'stroke-width="0.6"', content)
    return Response(seen, media_type="image/svg+xml")


@router.get("/kerf")
def ask_kerf(request: Request, sent: Sent) -> Response:
    """How wide is the cut?"""
    limit = Ask(name="caliper", label=say("web.largest_error_of_caliper"), then=say("web.in_more"))
    return page(
        request,
        "Kerf",
        say("web.from_coupons_that_dropped_out"),
        Form(action="/kerf", button=say("web.work_it_out"), asks=("pair", limit), typed=sent),
    )


@router.post("/kerf")
def kerf(request: Request, sent: Sent) -> Response:
    """Work it out from all measured coupons, and keep it."""
    limit = parse_length_mm(sent["caliper"]) if sent.get("caliper") else None
    pair = filled(Named, sent).of(desk_of(request).book)
    law, points = learn_kerf(pair, when=now(), caliper=caliper_of(limit))
    told = ", ".join(f"{setting_words(one.setting)}: {one.kerf}" for one in points)
    words = say("web.kerf_at", law=law, told=told, notes=" ".join(law.notes))
    return done(request, f"/kerf?{urlencode(_named(sent))}", words.strip())


def _named(sent: dict[str, str]) -> dict[str, str]:
    return {name: sent[name] for name in ("sheet", "machine", "operation") if sent.get(name)}


@router.get("/focus")
def focus(request: Request, sent: Sent) -> Response:
    """Which focus height is right?"""
    return page(
        request,
        say("web.find_focus_height"),
        say("web.lines_at_several_heights_of_head"),
        Form(action="/focus/files", method="get", button=say("web.its_files_zip"), typed=sent,
             asks=("pair", *some(FocusWish))),
        danger=True,
    )  # fmt: skip


@router.get("/focus/files")
def focus_board(request: Request, sent: Sent) -> Response:
    """Give the files of a focus board."""
    planned = plan_for(desk_of(request).book, "focus", typed_for("focus", sent), when=now())
    return download("focus.zip", zipped(planned.files))


@router.get("/stair")
def stair(request: Request, sent: Sent) -> Response:
    """Bracket where a new sheet cuts or marks, by one line."""
    operation = Ask(name="operation", label=say("web.it_is"), options=_OPERATIONS, kind="radios")
    return page(
        request,
        say("web.plan_stair"),
        say("web.one_straight_cut_whose_speed_steps"),
        Form(action="/stair", button=say("web.plan_it"), typed={"operation": "cut", **sent},
             asks=(operation, "pair", *some(StairWish, but=("setting",)))),
        danger=True,
    )  # fmt: skip


@router.post("/stair")
def planned_stair(request: Request, sent: Sent) -> Response:
    """Plan it."""
    book, typed = desk_of(request).book, typed_for("stair", sent)
    planned = plan_for(book, "stair", typed, when=now(), with_files=False)
    return done(request, f"/board/{planned.boards[0].grid.board_id}", "Planned.")


@router.get("/proof")
def proof(request: Request, sent: Sent) -> Response:
    """Try the kept setting on a piece that is like the work."""
    return page(
        request,
        say("web.plan_proof"),
        say("web.small_piece_like_work"),
        Form(action="/proof", button=say("web.plan_it"), typed=sent,
             asks=("pair", *some(ProofWish, but=("setting",)), *_OWN_SETTING)),
        danger=True,
    )  # fmt: skip


@router.post("/proof")
def planned_proof(request: Request, sent: Sent) -> Response:
    """Plan it."""
    book, typed = desk_of(request).book, typed_for("proof", sent)
    planned = plan_for(book, "proof", typed, when=now(), with_files=False)
    return done(request, f"/board/{planned.boards[0].grid.board_id}", "Planned.")


@router.get("/wattages")
def wattages(request: Request, sent: Sent) -> Response:
    """Where would other people's machines begin?"""
    operation = Ask(name="operation", label=say("web.it_is"), options=_OPERATIONS, kind="radios")
    form = Form(action="/wattages", method="get", button=say("web.show_table"), typed=sent,
                asks=(operation, "pair"))  # fmt: skip
    title = say("web.table_of_wattages")
    if not sent.get("sheet"):
        words = say("web.where_to_begin_with_sheet")
        return page(request, title, words, form)
    pair = filled(Pair, sent)
    table = table_of_wattages(pair.of(desk_of(request).book))
    rows = [
        (f"{row.rated_w:g} W", f"{row.power_pct:g} %", speed_words(row.speed_mm_s),
         f"{about(row.slowest_mm_s)} to {about(row.fastest_mm_s)} mm/s", row.note)
        for row in table.rows
    ]  # fmt: skip
    head = ("rated", "power", say("web.begin_at"), "9 of 10 within", "note")
    files = f"/wattages/files?{urlencode(_named(sent))}"
    return page(
        request,
        title,
        table.basis,
        Table(title=say("web.starting_points"), head=head, rows=rows),
        Ways(ways=[(files, say("web.to_hand_on_zip"), say("web.page_to_print"))]),
        table.cautions,
        form,
        of=f"{operation_words(pair.operation)} of {table.sheet.name}",
        danger=True,
    )


@router.get("/wattages/files")
def wattages_files(request: Request, sent: Sent) -> Response:
    """Give the table as files."""
    table = table_of_wattages(filled(Pair, sent).of(desk_of(request).book))
    return download("wattages.zip", zipped(wattage_files(table)))


@router.get("/cause")
def cause(request: Request, sent: Sent) -> Response:
    """Parts hang: is it the sheet, or the machine?"""
    form = Form(
        action="/cause", method="get", button=say("web.which_is"), typed=sent, asks=("pair",)
    )
    title = say("web.is_it_sheet_or_machine")
    if not sent.get("sheet"):
        words = say("web.take_sheet_whose_parts_hang")
        return page(request, title, words, form)
    machine, sheet = filled(Named, sent).of(desk_of(request).book).names
    found = sheet_or_machine(desk_of(request).book, machine, sheet, None)
    rows = [(name, show_percent(chance)) for name, chance in found.chance.items()]
    table = Table(title=say("web.how_likely"), head=(say("web.it_is_2"), "chance"), rows=rows)
    return page(request, title, found.words, table, form, of=f"{sheet} on {machine}")


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
    return done(request, f"/board/{code}", say("web.photograph_is_kept"))
