"""Which looks at a cell stand: the same whatever the order in which they arrive."""

from __future__ import annotations

import itertools

import pytest
from calib.logbook.looks import Look, standing

FREE, HANGS, NOT = ("through", 1, None), ("hanging", 2, None), ("no", None, None)


def look(name: str, says: object, *saw: str) -> Look:
    """A look that saw others."""
    return Look(id=name, says=says, saw=frozenset(saw))  # type: ignore[arg-type]


# By hand, from the rule: what a look had seen, directly or through others, doesn't stand.
CASES = {
    "one": ([look("a", FREE)], {FREE}),
    "nobody saw the other": ([look("a", FREE), look("b", NOT)], {FREE, NOT}),
    "a correction": ([look("a", FREE), look("b", NOT, "a")], {NOT}),
    "alike": ([look("a", FREE), look("b", FREE)], {FREE}),
    "an answer": ([look("a", FREE), look("b", NOT), look("c", NOT, "a", "b")], {NOT}),
    "an answer that saw one": ([look("a", FREE), look("b", NOT), look("c", HANGS, "a")],
                               {NOT, HANGS}),
    "two answers": ([look("a", FREE), look("b", NOT), look("c", FREE, "a", "b"),
                     look("d", NOT, "a", "b")], {FREE, NOT}),
    "through one that was taken back": ([look("a", FREE), look("b", None, "a"),
                                         look("c", NOT, "b")], {NOT}),
    "taken back": ([look("a", FREE), look("b", None, "a")], {FREE}),
    "one that never came": ([look("b", NOT, "gone"), look("a", FREE)], {FREE, NOT}),
    "nothing": ([look("a", None)], set()),
    "four in a row and one beside": (
        [look("a", FREE), look("b", NOT, "a"), look("c", HANGS, "b"), look("d", FREE, "c"),
         look("e", HANGS, "b")], {FREE, HANGS}),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_what_stands_in_every_order(name: str) -> None:
    looks, stand = CASES[name]
    found = [standing(order) for order in itertools.permutations(looks)]
    assert set(found[0]) == stand
    assert all(one == found[0] for one in found)


def test_a_look_that_arrives_twice_is_one() -> None:
    one, other = look("a", FREE), look("b", NOT, "a")
    assert standing([one, other, one, other]) == standing([one, other]) == {NOT: "b"}
