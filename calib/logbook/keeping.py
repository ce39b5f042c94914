"""What a workshop keeps beside its burns: costs, timed jobs, comb boards and their readings.

Of each kind and label the newest counts that wasn't taken back; what was before it stays.
"""

from __future__ import annotations

import json
import typing
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError, shown
from calib.logbook.coding import check_text, read_json, read_time, stable_id, write_time
from calib.logbook.room import (
    Room,
    add_change,
    find_machine,
    find_sheet,
    is_new,
    rows_of,
    still_counts,
)
from calib.logbook.tables import changes, kept, machines, sheets

KeptKind = Literal["costs", "timed_job", "comb", "comb_readings", "kerf"]
KINDS: tuple[KeptKind, ...] = typing.get_args(KeptKind)
# Longest content [characters]; a comb with every reading of it has some ten thousand.
LONGEST_CONTENT = 200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One thing that was kept."""

    id: str  # Its code
    # kind, label: What it is; of each kind and label of a pair the newest counts
    kind: KeptKind
    label: str
    # machine, sheet: What it is about; None where it is about the whole workshop
    machine: str | None
    sheet: str | None
    at: datetime  # When it was kept
    content: Mapping[str, Any]  # Its fields, as JSON holds them
    note: str = ""  # The user's own words


@contextmanager
def understood(entry: Kept) -> Iterator[None]:
    """Tell in words that the content of an entry isn't what its kind wants.

    Nothing but its being named fields is looked at when it comes in with another logbook.

    Raises LogbookError Instead of any error of that.
    """
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        what = entry.kind.replace("_", " ")
        raise LogbookError(
            f"What was kept of {what} {shown(entry.label)} on {entry.at:%Y-%m-%d} can't be read;"
            " perhaps it came with another logbook. Take it down, or plan it, anew."
        ) from error


class Keeping(Room):
    """The things kept in a logbook."""

    def keep(
        self,
        kind: KeptKind,
        content: Mapping[str, Any],
        *,
        when: datetime,
        label: str = "",
        machine: str | None = None,
        sheet: str | None = None,
        note: str = "",
    ) -> str:
        """Keep something; what was kept before stays in the history.

        Raises LogbookError when machine or sheet aren't in the logbook; InvalidRecord when the kind
        is none, or the content can't be kept.
        """
        at = write_time(when)
        check_text("note", note)
        check_text("label", label, longest=200)
        text = _written(content)
        check_kept(kind, text)
        with self.change() as connection:
            about = {
                "machine_id": None if machine is None else find_machine(connection, machine)["id"],
                "sheet_id": None if sheet is None else find_sheet(connection, sheet)["id"],
            }
            row = {"kind": kind, "label": label, **about, "at": at, "content": text, "note": note}
            row_id = stable_id("kept", *row.values())
            if is_new(connection, kept, row_id):
                change = add_change(connection, "kept", at, [row_id], **about)
                connection.execute(kept.insert().values(id=row_id, **row, change_id=change))
        return row_id

    def kept(
        self,
        kind: KeptKind,
        *,
        label: str | None = None,
        machine: str | None = None,
        sheet: str | None = None,
    ) -> tuple[Kept, ...]:
        """Look up what was kept, newest first."""
        names = {kept.c.label: label, machines.c.name: machine, sheets.c.name: sheet}
        wanted = [column == value for column, value in names.items() if value is not None]
        query = (
            sa
            .select(kept, machines.c.name.label("machine"), sheets.c.name.label("sheet"))
            .join(changes, changes.c.id == kept.c.change_id)
            .outerjoin(machines, machines.c.id == kept.c.machine_id)
            .outerjoin(sheets, sheets.c.id == kept.c.sheet_id)
            .where(kept.c.kind == kind, still_counts(kept.c.id), *wanted)
            .order_by(changes.c.seq.desc(), kept.c.id)
        )
        with self.look() as connection:
            rows = rows_of(connection, query)
        return tuple(
            Kept(
                id=row["id"],
                kind=row["kind"],
                label=row["label"],
                machine=row["machine"],
                sheet=row["sheet"],
                at=read_time(row["at"]),
                content=read_json(row["content"]),
                note=row["note"],
            )
            for row in rows
        )


def _written(content: Mapping[str, Any]) -> str:
    try:
        return json.dumps(content, sort_keys=True, ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise InvalidRecord(
            f"the content {str(content)[:60]} can't be kept ({error}): give texts, numbers and"
            " lists of them."
        ) from None


def check_kept(kind: str, text: str) -> None:
    """Refuse a kind that is none, and content that can't be kept.

    Raises InvalidRecord when it isn't an object, or is too long.
    """
    if kind not in KINDS:
        raise InvalidRecord(f"kind is {kind!r}: give one of {', '.join(KINDS)}.")
    if len(text) > LONGEST_CONTENT or not isinstance(read_json(text), dict):
        raise InvalidRecord(
            f"the content {text[:40]!r} of {kind} can't be kept: give named fields, at most"
            f" {LONGEST_CONTENT} characters."
        )
