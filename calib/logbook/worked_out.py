"""What was worked out of a book's entries, kept beside them so that it needn't be done again.

Nothing here was said: it is found by the digest of what it was made of, can always be made anew,
and takes no part in an export, a merge, a backup or a check.
"""

from __future__ import annotations

from collections.abc import Mapping

import sqlalchemy as sa

from calib.errors import LogbookError
from calib.logbook.book import Book
from calib.logbook.files import is_read_only
from calib.logbook.ledger import among

# ``name`` says what was worked out, ``digest`` of what.
_WORKED_OUT = sa.Table(
    "worked_out",
    sa.MetaData(),
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("digest", sa.Text, nullable=False),
    sa.Column("content", sa.LargeBinary, nullable=False),
)


def recall(book: Book, digests: Mapping[str, str]) -> dict[str, bytes]:
    """What was worked out, by name, where it was made of what has this digest."""
    table = _WORKED_OUT.c
    with book.look() as connection:
        if not sa.inspect(connection).has_table(_WORKED_OUT.name):
            return {}
        rows = connection.execute(sa.select(_WORKED_OUT).where(among(table.name, digests)))
        return {row.name: row.content for row in rows if row.digest == digests[row.name]}


def remember(book: Book, digests: Mapping[str, str], made: Mapping[str, bytes]) -> None:
    """Keep what was worked out, where the book can be written to just now."""
    if not made or (book.path is not None and is_read_only(book.path)):
        return
    try:
        with book.change() as connection:
            _WORKED_OUT.create(connection, checkfirst=True)
            old = among(_WORKED_OUT.c.name, made)
            connection.execute(_WORKED_OUT.delete().where(old))
            rows = [
                {"name": name, "digest": digests[name], "content": content}
                for name, content in made.items()
            ]
            connection.execute(_WORKED_OUT.insert(), rows)
    except LogbookError:
        return  # somebody else is writing, or the disk is full: it is worked out again next time
