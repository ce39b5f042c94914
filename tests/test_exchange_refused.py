"""Exchange: a file that can't be is refused whole, in words."""

from __future__ import annotations

import base64
import dataclasses
import json
from collections.abc import Callable
from typing import Any

import pytest
from filled_books import fill
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from workshop_records import later

from calib.errors import BadFile
from calib.logbook import Book, export_text, import_text, ledger

Change = Callable[[ledger.Entry], dict[str, Any]]


def body(**new: Any) -> Change:
    """Change fields of a body."""
    return lambda entry: {"body": {**entry.body, **new}}


def grid(**new: Any) -> Change:
    """Change fields of a board's grid."""
    return lambda entry: {"body": {**entry.body, "grid": {**entry.body["grid"], **new}}}


def _cell_twice(entry: ledger.Entry) -> dict[str, Any]:
    cells = entry.body["grid"]["cells"]
    return grid(cells=[*cells, cells[0]])(entry)


def _negative_rate(entry: ledger.Entry) -> dict[str, Any]:
    return body(machine={**entry.body["machine"], "rated_w": -5})(entry)


def _other_stuff(entry: ledger.Entry) -> dict[str, Any]:
    return body(sheet={**entry.body["sheet"], "material": "oak"})(entry)


WRONG: list[tuple[str, Change, str]] = [
    ("look", body(char=7), "char is 7: give a whole number from 0 to 4"),
    ("look", body(through="perhaps"), "through is 'perhaps'"),
    ("look", body(colour="red"), "colour is 'red'"),
    ("look", lambda _: {"slot": "look Z9", "replaces": ()}, "cell 'Z9' isn't on its board"),
    ("look", lambda _: {"slot": "the look", "replaces": ()}, "its slot is 'the look'"),
    ("look", lambda _: {"about": "20260301180500000000-" + "0" * 24}, "isn't there"),
    ("look", lambda entry: {"about": entry.machine}, "which can't be"),
    ("look", lambda _: {"replaces": ("20260301180500000000-" + "0" * 24,)}, "isn't there"),
    ("look", lambda entry: {"replaces": (entry.about,)}, "about something else"),
    ("look", lambda entry: {"machine": entry.sheet}, "as its machine, which is none"),
    ("look", lambda _: {"replaces": ({},)}, "is no entry of a logbook"),
    ("look", lambda _: {"v": 2}, "kind 'look', version 2, was written by a newer calib"),
    ("look", lambda _: {"kind": "hologram"}, "kind 'hologram', version 1"),
    ("look", lambda _: {"at": "2026-03-01"}, "'2026-03-01' is not a time"),
    ("look", lambda _: {"why": "one\ntwo"}, r"why is 'one\\ntwo'"),
    ("board", _cell_twice, "cell 'A1' stands twice"),
    ("board", body(forecasts={"Z9": {"through": 500}}), "a forecast is given for cell 'Z9'"),
    ("board", body(forecasts={"A1": {"sings": 500}}), "event 'sings' isn't known"),
    ("board", body(forecasts={"A1": {"through": 1500}}), "forecasts is"),
    ("board", grid(board_id="ZZ99"), "its code is 'ZZ99'"),
    ("board", grid(round=-1), r"Board\.grid is "),
    ("setup", _negative_rate, r"SetUp\.machine is "),
    ("setup", body(what="first"), "a setup can't be 'first'"),
    ("lot", _other_stuff, "is of oak, 3 mm, the sheet is of Birch plywood"),
    ("job", lambda _: {"kind": "check_strip"}, "its burns are of source job"),
    ("job", body(burns=[]), "the burns are of source none"),
    ("photograph", body(digest="0" * 64), "photograph 'a1.jpg' isn't in the file"),
    ("photograph", body(media_type="image/png"), "isn't image/png"),
    ("photograph", body(filename="../a.jpg"), "'../a.jpg'"),
    ("withdraw", lambda _: {"body": {"grade": 1}}, "a withdrawal has no content"),
    ("note", body(text=" "), "text is empty"),
    ("comb", body(content=["not", "named"]), "not', 'named"),
]


def changed(document: str, kind: str, change: Change) -> str:
    """A document with one entry said otherwise, under an id of its own."""
    lines = document.splitlines()
    number = max(n for n, line in enumerate(lines) if f'"kind":"{kind}"' in line)
    entry = ledger.from_line(lines[number])
    new = dataclasses.replace(entry, held_as="", **change(entry))
    lines[number] = ledger.canonical({"id": new.id, **new.document()})
    return "\n".join(lines)


@pytest.fixture(scope="module")
def document(used_books: list[Book]) -> str:
    """The entries of a logbook with something of everything."""
    from postgres import emptied

    book = emptied(used_books[2])
    fill(book)
    return export_text(book)


@pytest.mark.parametrize(("kind", "change", "words"), WRONG, ids=[case[2][:40] for case in WRONG])
def test_an_entry_that_can_not_be_is_refused_and_nothing_is_stored(
    document: str, other: Book, kind: str, change: Change, words: str
) -> None:
    with pytest.raises(BadFile, match=words):
        import_text(other, changed(document, kind, change), when=later(20))
    assert other.machines() == ()


def test_an_entry_that_was_changed_on_its_way_is_refused(document: str, other: Book) -> None:
    spoilt = document.replace('"through":"no"', '"through":"hanging"')
    with pytest.raises(BadFile, match=r"Entry '2026.* was changed on its way"):
        import_text(other, spoilt, when=later(20))
    (line,) = [line for line in document.splitlines() if line.startswith('{"content":')]
    other_picture = base64.b64encode(b"another one").decode()
    told = {**json.loads(line), "content": other_picture}
    with pytest.raises(BadFile, match=r"Photograph '[0-9a-f]{64}' was changed on its way"):
        import_text(other, document.replace(line, ledger.canonical(told)), when=later(20))
    assert other.machines() == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no logbook"),
        ("[1, 2]", "holds no logbook"),
        ("{}", "holds no logbook"),
        ('{"format": "calib logbook", "version": 9}', "of version 9, this program reads 2"),
        ('{"format": "calib logbook", "version": 2}\nletter', "'letter' is no entry"),
        ('{"format": "calib logbook", "version": 2}\n' + "[" * 9000, "is no entry of a logbook"),
        ('{"format": "calib logbook", "version": 2}\n{"content":"?"}', "is no photograph"),
    ],
)
def test_a_file_that_is_no_logbook_is_refused(other: Book, text: str, words: str) -> None:
    with pytest.raises(BadFile, match=words):
        import_text(other, text, when=later(20))


@given(data=st.data())
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_document_damaged_anywhere_is_refused(
    document: str, other: Book, data: st.DataObject
) -> None:
    head, *lines = document.splitlines()
    number = data.draw(st.integers(0, len(lines) - 1))
    line = json.loads(lines[number])
    key = data.draw(st.sampled_from(sorted(line)))
    line[key] = data.draw(
        st.one_of(st.none(), st.text(max_size=5), st.integers(), st.lists(st.text(max_size=3)))
    )
    assume(line != json.loads(lines[number]))
    lines[number] = json.dumps(line)
    with pytest.raises(BadFile, match=r"entry|Entry|photograph|Photograph"):
        import_text(other, "\n".join([head, *lines]), when=later(20))
    assert other.machines() == ()
