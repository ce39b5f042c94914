"""What all routes share: the open logbook, the gate, fitted regions, templates."""

from __future__ import annotations

import functools
import hashlib
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse

from calib.hazards import CAUTIONS
from calib.logbook import Book
from calib.records import (
    CHAR_WORDS,
    KINDS,
    MARK_WORDS,
    READ_OFF,
    USUAL_RELIABILITY,
    Machine,
    Operation,
    Setting,
    Sheet,
)
from calib.records.fields import fields_of
from calib.tasks.advice import region_of_pair
from calib.tasks.boards import Planned, plan_boards
from calib.tasks.finding import find_pair
from calib.tasks.wishes import BoardWish, ElsewhereWish, JobCounts, JobWish, RegionWish
from calib.texts.checks import change_words
from calib.texts.words import (
    chance_words,
    counted,
    date_words,
    operation_words,
    setting_words,
    speed_words,
)
from calib.typed import write
from calib.web.gate import Gate

HERE = Path(__file__).parent
STATIC = HERE / "static"
# Fitted regions and proposed boards that are kept: a region of 18 burns takes some 20 MB.
_REGIONS_KEPT = 6
# Answers that a redirect leads to: what a form was refused with, or what was worked out.
_ANSWERS_KEPT = 64
# Drawings that are looked at: a large one takes some 100 MB.
_DRAWINGS_KEPT = 3


def now() -> datetime:
    """The page's clock, with its zone."""
    return datetime.now().astimezone()


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A form that couldn't be taken: what was typed, and what is wrong with which field."""

    status: int
    typed: Mapping[str, str]
    problem: Any
    errors: Mapping[str, str]


@dataclass(kw_only=True)
class Desk:
    """The open logbook and all that the routes need beside it."""

    book: Book  # The logbook; may be used from several threads
    gate: Gate  # Lets phones in
    # Where phones find this server, such as ``http://192.0.2.7:8137``; empty: they can't
    phone_address: str = ""
    _regions: OrderedDict[Any, Any] = field(default_factory=OrderedDict)
    _answers: OrderedDict[str, Any] = field(default_factory=OrderedDict)
    _drawings: OrderedDict[str, Any] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def show(self, name: str, status: int = 200, **shown: Any) -> HTMLResponse:
        """Fill a template in."""
        shown = {"phones_welcome": bool(self.phone_address), **shown}
        page = _templates().get_template(name).render(**shown)
        return HTMLResponse(page, status_code=status)

    def ask(self, request: Request, name: str, **shown: Any) -> HTMLResponse:
        """Show a form; again as it was filled in, with what is wrong, when it was refused."""
        draft = self.answer(request.query_params.get("again", ""))
        if not isinstance(draft, Draft):
            return self.show(name, **shown)
        typed = {**shown.get("typed", {}), **draft.typed}
        shown = {**shown, "typed": typed, "problem": draft.problem, "errors": draft.errors}
        return self.show(name, draft.status, **shown)

    def keep_answer(self, answer: Any) -> str:
        """Keep what the next page is to show; gives the word by which its address asks for it."""
        word = secrets.token_urlsafe(9)
        with self._lock:
            self._answers[word] = answer
            while len(self._answers) > _ANSWERS_KEPT:
                self._answers.popitem(last=False)
        return word

    def answer(self, word: str) -> Any | None:
        """Give what `keep_answer` kept; None when this program didn't, or no longer."""
        with self._lock:
            return self._answers.get(word)

    def keep_drawing(self, drawing: Any) -> str:
        """Keep a drawing that was read; gives the word by which its address asks for it."""
        word = secrets.token_urlsafe(9)
        with self._lock:
            self._drawings[word] = drawing
            while len(self._drawings) > _DRAWINGS_KEPT:
                self._drawings.popitem(last=False)
        return word

    def drawing(self, word: str) -> Any | None:
        """Give a drawing that `keep_drawing` kept; None when it is gone."""
        with self._lock:
            return self._drawings.get(word)

    def region(self, machine: str | None, sheet: str | None, operation: Operation) -> Any:
        """Fit the region of a pair, or give the one that was fitted from the same logbook."""
        of_machine, of_sheet = find_pair(self.book, machine, sheet)
        pair = (of_machine.name, of_sheet.name, operation)
        # Burns of other pairs count too: the whole logbook is the prior.
        return self._kept(
            (self.book.newest_evidence(), *pair), lambda: region_of_pair(self.book, *pair)
        )

    def proposal(self, pair: tuple[str | None, str | None, Operation], wish: BoardWish) -> Planned:
        """Plan the next board, or give the one that was looked at and still is the next."""
        now_in_book = (self.book.newest_evidence(), self.book.boards(limit=1).total)
        planned: Planned = self._kept(
            ("board", *now_in_book, *pair, wish),
            lambda: plan_boards(self.book, *pair, wish, sure=True)[0],
        )
        return planned

    def _kept(self, key: Any, make: Callable[[], Any]) -> Any:
        # One fit at a time: two phones that ask for the same one wait for it once.
        with self._lock:
            if key not in self._regions:
                self._regions[key] = make()
                while len(self._regions) > _REGIONS_KEPT:
                    self._regions.popitem(last=False)
            self._regions.move_to_end(key)
            return self._regions[key]


@functools.cache
def _templates() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "change": change_words,
        "chance": chance_words,
        "counted": counted,
        "date": date_words,
        "operation": operation_words,
        "setting": setting_words,
        "speed": speed_words,
    }
    environment.globals |= {
        "version": _version_of_assets(),
        "cautions": CAUTIONS,
        "char_words": CHAR_WORDS,
        "mark_words": MARK_WORDS,
        "read_off": READ_OFF,
        "every_operation": [(name, kind.doing) for name, kind in KINDS.items()],
        "every_operation_on_it": [(name, f"{kind.to} it") for name, kind in KINDS.items()],
        "usual_reliability": USUAL_RELIABILITY,
        "fields": {
            kind.__name__: {field.name: field for field in fields_of(kind)}
            for kind in (
                Machine,
                Sheet,
                Setting,
                BoardWish,
                RegionWish,
                JobCounts,
                JobWish,
                ElsewhereWish,
            )
        },
        "written": write,
        # What a form was sent with, and why it wasn't taken; most pages show neither.
        "typed": {},
        "problem": None,
        "errors": {},
    }
    return environment


def desk_of(request: Request) -> Desk:
    """Give the desk of the application that a request came to."""
    desk: Desk = request.app.state.desk
    return desk


def _version_of_assets() -> str:
    """A word that changes with the assets, so that browsers may keep them."""
    digest = hashlib.sha256()
    for path in sorted(STATIC.iterdir()):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]
