"""The JSON interface: boards, taps, photographs, the logbook."""

from __future__ import annotations

import dataclasses
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, File, Form, Query, Request, UploadFile
from starlette.responses import Response

from calib.errors import InvalidRecord, LogbookError
from calib.hazards import Hazard
from calib.logbook import Filters, Looked, Photograph, Tapped
from calib.records import READ_OFF, Machine, Reading, Sheet
from calib.records.burns import setting_of
from calib.tasks.advice import Advised, advise, keep
from calib.tasks.pairs import find_board
from calib.tasks.regions import read_out
from calib.tasks.results import session_label
from calib.tasks.wishes import MaterialWish
from calib.tasks.workshop import check_material
from calib.texts.say import say
from calib.texts.words import setting_words
from calib.web.desk import desk_of, now
from calib.web.forms import (
    Asked,
    AskedSetting,
    Sent,
    asked,
    query_of,
)
from calib.web.models import (
    AdvisedOut,
    BoardOut,
    CellOutcome,
    ErrorBody,
    Keeping,
    LogbookPage,
    LookOut,
    ReadOutOut,
    TakeBack,
    TakenBack,
    Tap,
    TapDone,
)
from calib.web.showing import out_words

_STATUSES = (400, 401, 403, 404, 405, 408, 409, 413, 421, 422)
router = APIRouter(prefix="/api", responses={status: {"model": ErrorBody} for status in _STATUSES})
# A photograph is shown, never run as a page of ours.
_AS_PICTURE = {"Content-Security-Policy": "default-src 'none'; sandbox"}


def outcome(looked: Looked) -> CellOutcome:
    """What counts of a cell as data, with the looks that stand apart."""
    apart = tuple(LookOut(id=one.id, **vars(one.reading)) for one in looked.apart)
    return CellOutcome(id=looked.id, **vars(looked.reading), apart=apart)


@router.get("/machines")
def machines(request: Request) -> list[Machine]:
    """List the machines as they are set up now."""
    return list(desk_of(request).book.machines())


@router.get("/sheets")
def sheets(request: Request) -> list[Sheet]:
    """List the sheets with their current lots."""
    return list(desk_of(request).book.sheets())


@router.get("/logbook")
def logbook(
    request: Request,
    text: Annotated[str, Query(max_length=200)] = "",
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
    offset: Annotated[int, Query(ge=0, le=1_000_000)] = 0,
) -> LogbookPage:
    """List what holds all words of a text, newest first."""
    page = desk_of(request).book.search(Filters(text=text or None), limit=limit, offset=offset)
    return LogbookPage(entries=page.entries, total=page.total, offset=page.offset)


@router.get("/boards/{board_id}")
def board(request: Request, board_id: str) -> BoardOut:
    """Give a board as it lies, and what was read off it so far."""
    desk = desk_of(request)
    grid = find_board(desk.book, board_id)
    looks = desk.book.looks(grid.board_id).values()
    return BoardOut(
        board_id=grid.board_id,
        machine=grid.machine.name,
        sheet=grid.sheet.name,
        operation=grid.operation,
        round=grid.round,
        board_mm=grid.board_mm,
        cells=grid.cells,
        readings=tuple(outcome(looked) for looked in looks if looked.is_said),
        photographs=desk.book.photographs(grid.board_id),
    )


@router.post("/boards/{board_id}/taps")
def tap(request: Request, board_id: str, body: Tap) -> TapDone:
    """Store what came out of one cell; sent again with the same key, it is stored once.

    When somebody else read it otherwise meanwhile, both looks are kept, apart.
    """
    desk, when = desk_of(request), now()
    if body.board and body.board != desk.book.board_key(board_id):
        raise LogbookError(say("web.what_was_tapped_of_board_belongs", board_id=board_id))
    reading = Reading(
        cell=body.cell,
        note=body.note,
        char_at=body.char_at,
        **{name: getattr(body, name) for name in READ_OFF},
    )
    # Burns belong to the evening in which they were tapped, however long they waited.
    session = session_label(when - timedelta(seconds=body.age_s))
    done = desk.book.tap(board_id, body.key, reading, saw=body.saw, when=when, session=session)
    return _done(done)


@router.post("/boards/{board_id}/take-backs")
def take_back(request: Request, board_id: str, body: TakeBack) -> TakenBack:
    """Take one tap back; the cell is then as it was before."""
    desk = desk_of(request)
    taken = desk.book.take_back_tap(board_id, body.key, body.target, when=now())
    return TakenBack(done=tuple(map(_done, taken)))


@router.post("/boards/{board_id}/photographs", status_code=201)
def add_photograph(
    request: Request,
    board_id: str,
    photograph: Annotated[UploadFile, File()],
    cell: Annotated[str, Form(max_length=8)] = "",
) -> list[Photograph]:
    """Keep a photograph of the board, or of one cell: PNG, JPEG or WebP, at most 10 MiB."""
    desk = desk_of(request)
    grid = find_board(desk.book, board_id)
    name = (photograph.filename or "photograph").replace("\\", "/").rsplit("/", 1)[-1]
    desk.book.attach(grid.board_id, name[-100:], photograph.file.read(), when=now(), cell=cell)
    return list(desk.book.photographs(grid.board_id))


@router.get("/boards/{board_id}/photographs/{photograph_id}", response_class=Response)
def photograph_file(request: Request, board_id: str, photograph_id: str) -> Response:
    """Give the file of a photograph."""
    desk = desk_of(request)
    known = {one.id: one.media_type for one in desk.book.photographs(board_id)}
    content = desk.book.photograph(photograph_id)
    media_type = known.get(photograph_id, "application/octet-stream")
    return Response(content, media_type=media_type, headers=_AS_PICTURE)


@router.get("/read-out", openapi_extra={"parameters": query_of(AskedSetting)})
def at_setting(request: Request, sent: Sent) -> ReadOutOut:
    """Say what holds at one setting of a pair, tested or not."""
    form = asked(AskedSetting, sent)
    region = desk_of(request).pair(form).region
    out = read_out(region, form, setting_of(form))
    words = out_words(out, region.sheet.material)
    return ReadOutOut(**dataclasses.asdict(out), words=words)


@router.post("/recommendations")
def recommend(request: Request, body: Asked) -> AdvisedOut:
    """Recommend a setting; nothing is stored."""
    return _advised(advise(desk_of(request).pair(body), body))


@router.post("/kept", status_code=201)
def keep_setting(request: Request, body: Keeping) -> AdvisedOut:
    """Keep what is recommended now; refused when that isn't the setting that was seen."""
    pair = desk_of(request).pair(body)
    advised = advise(pair, body)
    if advised.setting != body.seen:
        raise InvalidRecord(
            say(
                "web.isnt_what_would_be_recommended_now",
                setting=setting_words(body.seen),
                setting_2=setting_words(advised.setting),
            )
        )
    keep(pair, advised, when=now(), note=body.note, sure=body.sure)
    return _advised(advised)


def _advised(advised: Advised) -> AdvisedOut:
    rec = advised.recommendation
    assert rec is not None  # what is recommended was burnt
    return AdvisedOut(setting=rec.setting, chance=rec.chance, words=rec.words, notes=rec.notes)


@router.post("/materials")
def material(request: Request, body: MaterialWish) -> Hazard:
    """Say whether a material may go under a laser; what may not is an error."""
    return check_material(body)


def _done(tapped: Tapped) -> TapDone:
    return TapDone(
        reading=outcome(tapped.looked),
        look=tapped.look,
        stored=tapped.stored,
        again=tapped.again,
        read=tapped.read,
        cells=tapped.cells,
    )
