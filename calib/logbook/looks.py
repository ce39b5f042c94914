"""Which of the looks that were taken at one cell count: the one rule, asked of no clock.

A look says what came out of a cell, whole: through and char (or mark) together. It names the looks
that whoever took it down had seen.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

Answer = tuple[Any, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look: what it says (through, char, mark), and the ids of the looks it had seen.

    ``says`` is None for what only hands on what others say, and for what was taken back.
    """

    id: str
    saw: frozenset[str] = frozenset()
    says: Answer | None = None


def standing(looks: Iterable[Look]) -> dict[Answer, str]:
    """Find the answers that stand, each with the first id (by name) of those that give it.

    A look replaces what it had seen, directly or through others, whether that has arrived or not.
    Two looks of which neither had seen the other both stand: when they differ, nobody knows yet
    what came out. The order of the looks doesn't matter.

    Examples
    --------
    >>> ada = Look(id="a", says=("through", 1, None))
    >>> ben = Look(id="b", says=("no", None, None))
    >>> standing([ada, ben])
    {('through', 1, None): 'a', ('no', None, None): 'b'}
    >>> standing([ada, ben, Look(id="c", saw=frozenset("ab"), says=("no", None, None))])
    {('no', None, None): 'c'}
    """
    by_id = {look.id: look for look in looks}
    replaced: set[str] = set()
    to_visit = [seen for look in by_id.values() if look.says is not None for seen in look.saw]
    while to_visit:
        look_id = to_visit.pop()
        if look_id not in replaced:
            replaced.add(look_id)
            to_visit += by_id[look_id].saw if look_id in by_id else ()
    found: dict[Answer, str] = {}
    for look in sorted(by_id.values(), key=lambda one: one.id):
        if look.says is not None and look.id not in replaced:
            found.setdefault(look.says, look.id)
    return found
