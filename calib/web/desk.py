"""What all routes share: the open logbook, the gate, fitted regions, templates."""

from __future__ import annotations

import functools
import hashlib
import re
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from calib.errors import CalibError
from calib.hazards import CAUTIONS
from calib.logbook import Book, Filters
from calib.records import (
    KINDS,
    READ_OFF,
    USUAL_RELIABILITY,
    Machine,
    Setting,
    Sheet,
)
from calib.records.fields import fields_of
from calib.tasks.advice import advise
from calib.tasks.boards import Planned, plan_boards
from calib.tasks.checks import alarm_words, is_strip
from calib.tasks.pairs import KeptSetting, OpenPair
from calib.tasks.standing import PairState, pair_states
from calib.tasks.wishes import BoardWish, ElsewhereWish, JobCounts, JobWish, Named, RegionWish
from calib.texts.boards import cells_words
from calib.texts.checks import change_words
from calib.texts.say import say, sentences
from calib.texts.words import (
    about,
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
# Drawings and files that are looked at: a large one takes some 100 MB.
_LARGE_KEPT = 3
# Materials that are called by letters.
_LETTERS = {"abs", "hdpe", "mdf", "pet", "petg", "pla", "pom", "pvb"}
# Boards among which check strips are looked for, the newest first.
_RECENT = 200


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
    _large: OrderedDict[str, Any] = field(default_factory=OrderedDict)
    _strips: dict[str, bool] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def show(self, name: str, status: int = 200, **shown: Any) -> HTMLResponse:
        """Fill a template in."""
        shown = {"phones_welcome": bool(self.phone_address), **shown}
        page = _templates().get_template(name).render(**shown)
        return HTMLResponse(page, status_code=status)

    def ask(self, request: Request, name: str, **shown: Any) -> HTMLResponse:
        """Show a form, with what was just done; again as filled in when it was refused."""
        said = self.answer(request.query_params.get("done", ""))
        shown["said"] = said if isinstance(said, str) else ""
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

    def keep_large(self, large: Any) -> str:
        """Keep a drawing or a file that was sent; gives the word by which addresses ask for it."""
        word = secrets.token_urlsafe(9)
        with self._lock:
            self._large[word] = large
            while len(self._large) > _LARGE_KEPT:
                self._large.popitem(last=False)
        return word

    def large(self, word: str) -> Any | None:
        """Give what `keep_large` kept; None when it is gone."""
        with self._lock:
            return self._large.get(word)

    def pair(self, asked: Named) -> OpenPair:
        """Open a pair; its region is fitted, or the one that was fitted from the same logbook."""
        pair = asked.of(self.book)
        # Burns of other pairs count too: the whole logbook is the prior.
        key = (self.book.newest_evidence(), *pair.key)
        pair.region = self._kept(key, lambda: pair.region)
        return pair

    def advice(self, pair: OpenPair, wish: RegionWish) -> Any | None:
        """Recommend a setting of a pair; None when none can be advised."""
        key = ("advice", self.book.newest_evidence(), id(pair.region), wish)
        return self._kept(key, lambda: _advised(pair, wish))

    def alarm(self, machine: str) -> str:
        """What a machine's check strips say while they raise an alarm; else nothing."""
        cuts = Filters(machine=machine, operation="cut")
        lines = [line for line in self.book.boards(cuts, limit=_RECENT).entries if line.read]
        for line in lines:
            if line.id not in self._strips:
                self._strips[line.id] = is_strip(self.book, line.id)
        strips = tuple((line.id, line.read) for line in lines if self._strips[line.id])
        if not strips:
            return ""
        key = ("alarm", machine, strips)
        return str(self._kept(key, lambda: alarm_words(self.book, machine)))

    def with_alarms(self, kept: Iterable[KeptSetting]) -> tuple[KeptSetting, ...]:
        """Kept settings, of which one of a machine with a standing alarm isn't current either."""
        said = functools.cache(self.alarm)
        return tuple(
            replace(one, not_current=(*one.not_current, said(one.machine)))
            if said(one.machine)
            else one
            for one in kept
        )

    def states(self, sheet: str | None = None) -> list[PairState]:
        """Where everything stands that was begun, or all of a sheet."""
        return [
            replace(state, kept=self.with_alarms([state.kept])[0]) if state.kept else state
            for state in pair_states(self.book, sheet)
        ]

    def proposal(self, pair: OpenPair, wish: BoardWish) -> Planned:
        """Plan the next board, or give the one that was looked at and still is the next."""
        now_in_book = (self.book.newest_evidence(), self.book.boards(limit=1).total)
        planned: Planned = self._kept(
            ("board", *now_in_book, *pair.key, wish),
            lambda: plan_boards(pair, wish, sure=True)[0],
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
        "about": about,
        "begun": _begun,
        "change": change_words,
        "chance": chance_words,
        "cells_of": cells_words,
        "counted": counted,
        "date": date_words,
        "operation": operation_words,
        "setting": lambda setting: _unbroken(setting_words(setting)),
        "speed": lambda speed: _unbroken(speed_words(speed)),
        "unbroken": _unbroken,
    }
    environment.globals |= {
        "say": say,
        "sentences": sentences("scripts"),
        "version": _version_of_assets(),
        "cautions": CAUTIONS,
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
        "said": "",
        "errors": {},
    }
    return environment


def _begun(sentence: str) -> str:
    """Begin a sentence as one begins it: the table of hazards has its words small."""
    word, colon, rest = sentence.partition(":")
    if sentence.startswith("calib "):
        return sentence
    return (word.upper() if word in _LETTERS else word[:1].upper() + word[1:]) + colon + rest


def _unbroken(words: str) -> str:
    """Keep a number and its unit in one line."""
    return re.sub(r"(?<=\d) (?=%|(?:mm|m|s|min|W|pass|passes)\b)", "\N{NO-BREAK SPACE}", words)


def _advised(pair: OpenPair, wish: RegionWish) -> Any | None:
    try:
        return advise(pair, wish).recommendation
    except CalibError:
        return None


def desk_of(request: Request) -> Desk:
    """Give the desk of the application that a request came to."""
    desk: Desk = request.app.state.desk
    return desk


def download(name: str, content: bytes, media_type: str = "application/octet-stream") -> Response:
    """Answer with a file that is kept under its name."""
    plain = name.encode("ascii", "replace").decode().replace("?", "-")
    headers = {"Content-Disposition": f'attachment; filename="{plain}"'}
    return Response(content, media_type=media_type, headers=headers)


def _version_of_assets() -> str:
    """A word that changes with the assets, so that browsers may keep them."""
    digest = hashlib.sha256()
    for path in sorted(STATIC.iterdir()):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]
