"""How the two books' rows of one chain go together: who knew of whom, decided by no clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """What to do with the other book's rows of a chain.

    ``append`` go on top, so that the last of them counts; ``older`` go to the history; ``adopt`` is
    a row of the history that is to count; ``apart`` is True when each book went its own way and
    they differ: then this book's row goes on counting until the user has decided.
    """

    append: Sequence[Row] = ()
    older: Sequence[Row] = field(default=())
    adopt: Row | None = None
    apart: bool = False


def ancestors(rows: Mapping[str, Row], row_id: str) -> set[str]:
    """Find all rows that a row supersedes, directly or through others.

    Examples
    --------
    >>> rows = {"a": {}, "b": {"follows": "a"}, "c": {"follows": "b", "follows_too": None}}
    >>> sorted(ancestors(rows, "c"))
    ['a', 'b']
    """
    found: set[str] = set()
    to_visit = [row_id]
    while to_visit:
        row = rows.get(to_visit.pop(), {})
        for before in (row.get("follows"), row.get("follows_too")):
            if before is not None and before not in found:
                found.add(before)
                to_visit.append(before)
    return found - {row_id}


def join_chain(
    here: Sequence[Row], there: Sequence[Row], same: Callable[[Row, Row], bool]
) -> Joined:
    """Join the other book's rows of a chain to this book's."""
    known = {row["id"] for row in here}
    missing = [row for row in there if row["id"] not in known]
    if not here:
        return Joined(append=missing)
    mine, theirs = here[-1], there[-1]
    both = {row["id"]: row for row in (*there, *here)}
    if mine["id"] in ancestors(both, theirs["id"]):
        if theirs["id"] in known:
            return Joined(older=missing, adopt=theirs)
        return Joined(append=missing)
    knew_theirs = mine["id"] == theirs["id"] or theirs["id"] in ancestors(both, mine["id"])
    return Joined(older=missing, apart=not knew_theirs and not same(mine, theirs))
