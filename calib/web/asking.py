"""A page made of blocks: sentences, tables, pictures, and forms made from the records' fields."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, cast

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from calib.records.fields import FieldOf, fields_of
from calib.tasks.standing import standing
from calib.web.desk import desk_of

# A cell of a table: words, or words and the address they lead to.
Cell = str | tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What is asked beside the fields of records: a line, some lines, a choice or a file."""

    name: str
    label: str
    then: str = ""
    options: Sequence[tuple[str, str]] = ()
    kind: str = "text"  # text, words (several lines), radios, choose or file
    needed: bool = True  # of a file: whether the form goes without it


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """A form; ``typed`` is what stands in it at first, ``known`` is sent with it unseen."""

    what: str = "form"
    action: str
    button: str
    # Fields of records, other questions, or "pair" for a sheet and a machine
    asks: Sequence[FieldOf | Ask | str] = ()
    known: Mapping[str, str] = field(default_factory=dict)
    typed: Mapping[str, str] = field(default_factory=dict)
    method: str = "post"
    title: str = ""
    folded: str = ""  # what it is folded behind; empty: it is open
    # What is tapped in a table: the words of its columns, and name and words of each row.
    grid: tuple[Sequence[tuple[str, str]], Sequence[tuple[str, str]]] | None = None
    renews: str = ""  # the part of the page that is told anew at each tap
    quiet: bool = False  # its button isn't what is to be done next

    @property
    def has_file(self) -> bool:
        """Whether a file is sent with it."""
        return any(isinstance(one, Ask) and one.kind == "file" for one in self.asks)


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; the first cell of a row names it."""

    what: str = "table"
    title: str
    head: Sequence[str]
    rows: Sequence[Sequence[Cell]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Sentences that a form on the same page tells anew."""

    what: str = "told"
    name: str
    lines: Sequence[str]
    drawing: str = ""  # an SVG element that shows the same


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture, and what it shows."""

    what: str = "picture"
    source: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """Sentences that lead on: address, words, what then."""

    what: str = "ways"
    ways: Sequence[tuple[str, str, str]]


Block = str | Sequence[str] | Form | Table | Told | Picture | Ways | None


def page(
    request: Request, title: str, *blocks: Block, of: str = "", danger: bool = False
) -> Response:
    """Show a page; a tuple of sentences is a list, and what is empty is left out."""
    here = desk_of(request)
    shown = [block for block in blocks if block]
    pairs = any("pair" in block.asks for block in shown if isinstance(block, Form))
    return here.ask(
        request,
        "blocks.html",
        title=title,
        of=of,
        blocks=shown,
        standing=standing(here.book) if pairs else None,
        danger=danger,
    )


def done(request: Request, address: str, words: str) -> Response:
    """Go to a page, which says what was done."""
    sign = "&" if "?" in address else "?"
    word = desk_of(request).keep_answer(words)
    return RedirectResponse(f"{address}{sign}done={word}", 303)


def some(kind: type[Any], *names: str, but: Sequence[str] = ()) -> tuple[FieldOf, ...]:
    """The fields of a record by their names, or all of them but some."""
    found = {one.name: one for one in fields_of(cast(Any, kind))}
    return tuple(found[name] for name in names or found if name not in but)
