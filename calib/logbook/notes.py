"""Notes and photographs."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError
from calib.logbook.coding import check_text, read_time, stable_id, write_time
from calib.logbook.entries import Photograph
from calib.logbook.room import (
    Room,
    add_change,
    find_board,
    find_machine,
    find_sheet,
    is_new,
    one_row,
    rows_of,
    still_counts,
)
from calib.logbook.tables import cells, notes, photographs

# Enough for a phone's picture, little enough that a book of them can still be copied about.
MAX_PHOTOGRAPH_BYTES = 10 * 2**20
_NAMED = ("id", "cell", "filename", "media_type")


class Notes(Room):
    """The notes and photographs of a logbook."""

    def add_note(
        self,
        text: str,
        *,
        when: datetime,
        machine: str | None = None,
        sheet: str | None = None,
        board_id: str | None = None,
    ) -> str:
        """Take down a note; the same one again adds nothing.

        Raises LogbookError when what it is about isn't in the logbook; InvalidRecord when it is
        empty, too long, or holds characters that can't be kept.
        """
        at = write_time(when)
        if not check_text("text", text, longest=10_000, lines=True).strip():
            raise InvalidRecord("text is empty: write the note.")
        with self.change() as connection:
            about = _about(connection, machine, sheet, board_id)
            row_id = stable_id("note", *about.values(), at, text)
            if is_new(connection, notes, row_id):
                change = add_change(connection, "note", at, [row_id], **about)
                connection.execute(
                    notes.insert().values(id=row_id, at=at, text=text, change_id=change, **about)
                )
        return row_id

    def attach(
        self, board_id: str, filename: str, content: bytes, *, when: datetime, cell: str = ""
    ) -> str:
        """Keep a photograph of a board or of one of its cells; the same one again adds nothing.

        Raises LogbookError when there is no such board; InvalidRecord when there is no such cell,
        or the file is of another kind or too large.
        """
        at = write_time(when)
        check_filename(filename)
        media_type = media_type_of(content)
        with self.change() as connection:
            board = find_board(connection, board_id)
            query = sa.select(cells.c.label).where(cells.c.board_id == board["id"])
            labels = sorted(connection.execute(query).scalars())
            if cell and cell not in labels:
                raise InvalidRecord(
                    f"cell {cell!r} isn't on board {board_id!r}: it has {', '.join(labels)}."
                )
            if (known := _known_photograph(connection, board["id"], cell, content)) is not None:
                return known
            row = {
                "id": stable_id("photograph", board["id"], cell, at, content.hex()),
                "board_id": board["id"],
                "cell": cell,
                "filename": filename,
                "media_type": media_type,
                "at": at,
                "content": content,
            }
            if is_new(connection, photographs, row["id"]):
                about = {name: board[name] for name in ("machine_id", "sheet_id")}
                about["board_id"] = board["id"]
                change = add_change(connection, "photograph", at, [row["id"]], **about)
                connection.execute(photographs.insert().values(**row, change_id=change))
        return str(row["id"])

    def photographs(self, board_id: str) -> tuple[Photograph, ...]:
        """List the photographs of a board, oldest first.

        Raises LogbookError when there is no such board.
        """
        columns = [photographs.c[name] for name in (*_NAMED, "at")]
        size = sa.func.length(photographs.c.content).label("size_bytes")
        with self.look() as connection:
            board = find_board(connection, board_id)
            query = (
                sa
                .select(*columns, size)
                .where(photographs.c.board_id == board["id"], still_counts(photographs.c.id))
                .order_by(photographs.c.at, photographs.c.id)
            )
            rows = rows_of(connection, query)
        return tuple(
            Photograph(
                board=board_id,
                at=read_time(row["at"]),
                size_bytes=row["size_bytes"],
                **{name: row[name] for name in _NAMED},
            )
            for row in rows
        )

    def photograph(self, photograph_id: str) -> bytes:
        """Read the file of a photograph.

        Raises LogbookError when there is none.
        """
        query = sa.select(photographs.c.content).where(photographs.c.id == photograph_id)
        with self.look() as connection:
            row = one_row(connection, query)
        if row is None:
            raise LogbookError(f"There is no photograph {photograph_id!r}: list those of a board.")
        return bytes(row["content"])


def _about(
    connection: sa.Connection, machine: str | None, sheet: str | None, board_id: str | None
) -> dict[str, str | None]:
    if board_id is not None:
        board = find_board(connection, board_id)
        return {
            "machine_id": board["machine_id"],
            "sheet_id": board["sheet_id"],
            "board_id": board["id"],
        }
    return {
        "machine_id": None if machine is None else find_machine(connection, machine)["id"],
        "sheet_id": None if sheet is None else find_sheet(connection, sheet)["id"],
        "board_id": None,
    }


def _known_photograph(
    connection: sa.Connection, board_id: str, cell: str, content: bytes
) -> str | None:
    query = sa.select(photographs.c.id).where(
        photographs.c.board_id == board_id,
        photographs.c.cell == cell,
        photographs.c.content == content,
        still_counts(photographs.c.id),
    )
    return connection.execute(query).scalar()


def check_filename(filename: str) -> None:
    """Check that a name is a file's alone, without folders."""
    check_text("filename", filename, longest=200)
    if not filename or "/" in filename or "\\" in filename or filename in (".", ".."):
        raise InvalidRecord(f"filename is {filename!r}: give the file's name without folders.")


def media_type_of(content: bytes) -> str:
    """Tell what kind of picture a file is by its first bytes.

    Raises InvalidRecord when it is of another kind, or larger than 10 MiB.

    Examples
    --------
    >>> media_type_of(bytes.fromhex("ffd8ffe000104a464946"))
    'image/jpeg'
    """
    if len(content) > MAX_PHOTOGRAPH_BYTES:
        raise InvalidRecord(
            f"the photograph has {len(content) / 2**20:.1f} MiB: give one of at most"
            f" {MAX_PHOTOGRAPH_BYTES // 2**20} MiB."
        )
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if content.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "image/webp"
    raise InvalidRecord(
        f"the photograph begins with {content[:4]!r}: give a PNG, JPEG or WebP file."
    )
