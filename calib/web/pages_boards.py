"""Boards: which wait, one as it lies, its files, and recording it."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, Request, UploadFile
from starlette.responses import RedirectResponse, Response

from calib.materials import scales_of
from calib.records import CHAR_PLACES, GRADES, OPERATIONS, short_words
from calib.tasks.files import board_file, board_files, file_names, zipped
from calib.tasks.pairs import find_board
from calib.tasks.results import record_file, record_readings, record_stair
from calib.tasks.standing import BoardState, board_state, standing
from calib.tasks.wishes import FileWish, Named
from calib.texts.boards import file_kind
from calib.texts.say import say
from calib.texts.words import operation_words
from calib.web.asking import Ask, Ways, done, page, some
from calib.web.asking import Form as Asks
from calib.web.board_svg import as_they_lie, board_svg, looked_words
from calib.web.desk import Desk, desk_of, download, now
from calib.web.forms import Sent, filled

router = APIRouter(include_in_schema=False)


def _graded(field: str, words: tuple[str, ...], **given: str) -> list[dict[str, Any]]:
    """A button for each grade, with the first of its words; the rest of them is a hint."""
    choices = []
    for grade, said in enumerate(words):
        word, _, hint = said.replace(" (", ", ").rstrip(")").partition(", ")
        choices.append({
            "key": str(grade), "sign": str(grade), "word": word.capitalize(), "hint": hint,
            "given": {**given, field: grade},
        })  # fmt: skip
    return choices


# What one tap says of a cell: a coupon that falls free is told by how black its edge is.
_NOT_CUT = {
    "key": "n", "sign": "no", "word": say("web.not_cut_2"), "hint": say("web.holds_all_round"),
    "given": {"through": "no"},
}  # fmt: skip
_HANGS = {
    "key": "h", "sign": "hanging", "word": "Hangs", "hint": say("web.push_or_knife_frees"),
    "given": {"through": "hanging"},
}  # fmt: skip


@router.get("/burnt")
def burnt(request: Request) -> Response:
    """Which board was burnt? The only one that waits needn't be chosen."""
    here = desk_of(request)
    waiting = standing(here.book).waiting
    if len(waiting) == 1:
        return RedirectResponse(f"/board/{waiting[0].id}/record", 303)
    title = say("web.which_board_did_you_burn")
    if not waiting:
        ways = [
            ("/plan", say("web.plan_next_one"), ""),
            ("/setting", say("web.tell_me_what_to_set"), ""),
        ]
        every = say("web.every_board_in_logbook_is_read")
        told = every if here.book.boards(limit=1).total else say("web.no_board_is_planned_yet")
        return page(request, title, told, Ways(ways=ways))
    boards = [
        (
            f"/board/{one.id}/record",
            say("web.board", one=one),
            say("web.on_of_cells_read", one=one, operation=operation_words(one.operation)),
        )
        for one in waiting
    ]
    return page(request, title, Ways(ways=boards))


@router.get("/board/{board_id}")
def board(request: Request, board_id: str) -> Response:
    """Show a board as it lies, its files, and what was read off it."""
    here = desk_of(request)
    return here.ask(request, "board.html", **_shown(board_state(here.book, board_id)))


@router.get("/board/{board_id}/record")
def cell_by_cell(request: Request, board_id: str) -> Response:
    """Record a board, cell by cell."""
    here = desk_of(request)
    state = board_state(here.book, board_id)
    code = state.grid.board_id
    if state.grid.stair:
        picture = board_svg(state.grid, state.readings, looks=state.looks)
        words = short_words(scales_of(state.grid.sheet.material)["mark"])
        grades = () if state.grid.operation == "cut" else words[1:]
        return here.ask(request, "stair.html", state=state, picture=picture, grades=grades)
    picture = board_svg(state.grid, state.readings, looks=state.looks, tappable=True)
    scales, is_cut = scales_of(state.grid.sheet.material), state.grid.operation == "cut"
    answers, besides = _graded("mark", scales["mark"]), {}
    if is_cut:
        answers = [_NOT_CUT, _HANGS, *_graded("char", scales["char"], through="through")]
        # What may be said beside it, or instead.
        hangs = _graded("char", scales["char"], through="hanging")
        besides = {say("web.it_hangs_and_its_edge_is"): hangs}
    return here.show(
        "record.html",
        state=state,
        picture=picture,
        answers=answers,
        besides=besides,
        is_cut=is_cut,
        places=CHAR_PLACES,
        key=here.book.board_key(code),
    )


@router.post("/board/{board_id}/stair")
def take_stair(
    request: Request,
    board_id: str,
    step: Annotated[int | None, Form()] = None,
    faint: Annotated[int | None, Form()] = None,
    clear: Annotated[int | None, Form()] = None,
    heavy: Annotated[int | None, Form()] = None,
    scorched: Annotated[int | None, Form()] = None,
    why: Annotated[str, Form()] = "",
) -> Response:
    """Record up to which step a stair is cut right through, or marked in each grade."""
    grid = find_board(desk_of(request).book, board_id)
    asked = (step,) if grid.operation == "cut" else (faint, clear, heavy, scorched)
    reached = [one for one in asked if one is not None]
    record_stair(desk_of(request).book, grid, reached, when=now(), why=why)
    return RedirectResponse(f"/board/{grid.board_id}", 303)


@router.post("/board/{board_id}/results")
def take_results(
    request: Request,
    board_id: str,
    results: Annotated[UploadFile, File()],
    why: Annotated[str, Form()] = "",
) -> Response:
    """Record a filled in result file: all of it, or nothing."""
    here = desk_of(request)
    state = board_state(here.book, board_id)
    record_readings(here.book, state.grid, results.file.read(), when=now(), why=why)
    return RedirectResponse(f"/board/{state.grid.board_id}", 303)


@router.get("/results")
def ask_results(request: Request, sent: Sent) -> Response:
    """What was burnt without a plan: a ready-made grid, or a table of one's own."""
    return page(
        request,
        say("web.burnt_without_plan"),
        say("web.results_of_ready_made_grid"),
        Asks(
            action="/results",
            button=say("web.record_it"),
            typed=sent,
            asks=(
                "pair",
                Ask(name="results", kind="file", label=say("web.filled_in_results")),
                Ask(
                    name="definition", kind="file", needed=False,
                    label=say("web.definition_of_grid"), then=say("web.only_of_ready_made_grid"),
                ),
            ),
        ),
    )  # fmt: skip


@router.post("/results")
def record_results(
    request: Request,
    sent: Sent,
    results: Annotated[UploadFile, File()],
    definition: Annotated[UploadFile | None, File()] = None,
) -> Response:
    """Record it: all of it, or nothing."""
    with TemporaryDirectory() as folder:
        table = Path(folder, "results.csv")
        table.write_bytes(results.file.read())
        ready_made = None
        if definition is not None and definition.filename:
            ready_made = Path(folder, "definition.toml")
            ready_made.write_bytes(definition.file.read())
        pair = filled(Named, sent).of(desk_of(request).book)
        grid, _ = record_file(pair, table, ready_made=ready_made, when=now())
    return done(request, f"/board/{grid.board_id}", say("web.recorded"))


@router.get("/board/{board_id}/files")
def every_file(request: Request, board_id: str, sent: Sent) -> Response:
    """Give all of a board's files in one."""
    here = desk_of(request)
    grid = find_board(here.book, board_id)
    files = board_files(grid, filled(FileWish, sent, address=_address(here)))
    return download(f"{grid.board_id}.zip", zipped(files))


@router.get("/board/{board_id}/files/{name}")
def file(request: Request, board_id: str, name: str) -> Response:
    """Give one of a board's files."""
    here = desk_of(request)
    return download(name, board_file(find_board(here.book, board_id), name, _address(here)))


def _address(here: Desk) -> str:
    # With phones about, the code on the record sheet leads them to the board.
    return f"{here.phone_address}/board/" if here.phone_address else ""


# What is ticked off with a pen, where nobody taps.
_TICKS = "  ".join(map(str, GRADES))
_TO_TICK = {
    **dict.fromkeys(OPERATIONS, say("web.mark", ticks=_TICKS)),
    "cut": say("web.falls_free_hangs_not_cut_char", ticks=_TICKS),
}


def _shown(state: BoardState) -> dict[str, Any]:
    """What the page of a board shows."""
    return {
        "state": state,
        "notes": [note for note in state.grid.notes if note not in state.cautions],
        "picture": board_svg(state.grid, state.readings, looks=state.looks, settings=True),
        "cells": [(cell.label, cell.label) for cell in as_they_lie(state.grid)],
        "to_tick": _TO_TICK[state.grid.operation],
        "file_wishes": some(FileWish, "one_file_per_setting", "piece_edge"),
        "files": file_names(state.grid),
        "kinds": {name: file_kind(name) for name in file_names(state.grid)},
        "words": {
            cell.label: looked_words(state.grid, state.looks.get(cell.label))
            for cell in state.grid.cells
        },
    }
