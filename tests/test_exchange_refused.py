"""Exchange: a bad document is refused whole, in words."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from filled_books import all_rows, fill
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from workshop_records import later

from calib.errors import BadFile, LogbookError
from calib.logbook import Book, document_text, export_text, import_text, read_document


def _set(*path: Any) -> Callable[[Any], None]:
    """Make a change of a document: the last of the path is the new value."""
    *steps, last, value = path

    def change(document: Any) -> None:
        for step in steps:
            document = document[step]
        document[last] = value

    return change


def _drop(*path: Any) -> Callable[[Any], None]:
    def change(document: Any) -> None:
        for step in path[:-1]:
            document = document[step]
        del document[path[-1]]

    return change


def _twice(name: str) -> Callable[[Any], None]:
    return lambda document: document[name].append(copy.deepcopy(document[name][0]))


def _undo_of_itself(document: Any) -> None:
    (*_, undo) = [change for change in document["changes"] if "undoes" in change]
    undo["undoes"] = undo["id"]


def _undo_of_a_later_one(document: Any) -> None:
    undo = next(change for change in document["changes"] if "undoes" in change)
    undo["undoes"] = document["changes"][-1]["id"]


def _undo_of_another(document: Any) -> None:
    undo = next(change for change in document["changes"] if "undoes" in change)
    undo["undoes"] = document["changes"][0]["id"]


def _follows_itself(document: Any) -> None:
    reading = document["boards"][0]["readings"][1]
    reading["follows"] = reading["id"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_set("format", "recipes"), "format is 'recipes'"),
        (_set("version", 2), "version 2, this program reads 1"),
        (_drop("boards"), "'boards' is a required property"),
        (_set("colour", "red"), "'colour' was unexpected"),
        (_set("machines", 0, "colour", "red"), "machines/0: .*'colour' was unexpected"),
        (_set("machines", 0, "setups", []), "machines/0/setups"),
        (_set("machines", 0, "setups", 0, "record", "rated_w", -1), "rated_w is -1"),
        (_set("machines", 0, "setups", 0, "record", "rated_w", "60"), "'60' is not of type"),
        (_set("sheets", 0, "versions", 0, "record", "material", "MDF"), "is of MDF, 3 mm"),
        (_set("boards", 0, "cells", 0, "power_pct", 300), "power_pct is 300"),
        (_set("boards", 0, "cells", 1, "label", "A1"), "'A1' stands twice"),
        (_set("boards", 0, "readings", 0, "cell", "Z9"), "'Z9' isn't on its board"),
        (_set("boards", 0, "readings", 0, "through", "maybe"), "'maybe' is not one of"),
        (_set("boards", 0, "forecasts", 0, "event", "luck"), "event 'luck' isn't known"),
        (_set("boards", 0, "forecasts", 0, "chance", 3), "chance of 'through' is 3"),
        (
            _set("boards", 0, "machine", "name", "attic"),
            "board 'AB12' is of machine 'bench', and says itself that it is of 'attic'",
        ),
        (_set("boards", 0, "sheet", "name", "oak 3"), "'AB12' is of sheet 'birch 3', .*'oak 3'"),
        (_set("boards", 0, "sheet", "thickness_mm", 6), "'AB12' is of Birch plywood, 6 mm"),
        (_set("boards", 0, "machine", "rated_w", 1e8), "rated_w is 100000000"),
        (
            _set("boards", 0, "machine", "rated_w", 1e300),
            r"document has 1e\+300 at boards/0/machine",
        ),
        (
            _set("boards", 0, "cells", 0, "burn_order", 10**30),
            "burn_order: 10{30} is greater",
        ),
        (_set("boards", 0, "cells", 0, "x_mm", 1e6), "'A1' of board 'AB12' lies from 1e.06"),
        (_set("boards", 0, "cells", 0, "y_mm", -3), "'A1' of board 'AB12' lies from -3"),
        (_set("boards", 0, "cells", 0, "burn_order", 0), "'A1' .*burn_order 0"),
        (
            _set("boards", 0, "operation", "area_mark"),
            "'A1' .* has line_pitch_mm None, .*'area_mark",
        ),
        (_set("boards", 0, "cells", 0, "line_pitch_mm", 0.1), "'A1' .* has line_pitch_mm 0.1"),
        (_set("boards", 0, "planned_at", "0001-01-01T00:00:00.000000Z"), "year after 1968"),
        (_set("notes", 0, "at", "9999-12-31T23:59:59.000000Z"), "datetime.datetime.9999.*2200"),
        (_undo_of_itself, "takes back itself"),
        (_undo_of_a_later_one, "takes back a change that comes after it"),
        (_undo_of_another, "takes back a change of another machine, sheet or board"),
        (_follows_itself, "readings has .*, which follows itself"),
        (_set("boards", 0, "photographs", 0, "content", "PHN2Zz4="), "begins with b'<svg'"),
        (_set("boards", 0, "photographs", 0, "content", "%"), "can't be taken"),
        (_set("boards", 0, "photographs", 0, "media_type", "image/png"), "isn't image/png"),
        (_set("boards", 0, "photographs", 0, "filename", "../x"), r"filename is '../x'"),
        (_set("boards", 0, "planned_at", "2026-13-01T00:00:00.000000Z"), "month must be"),
        (_set("boards", 0, "machine_id", "0" * 8 + "-0000-0000-0000-" + "0" * 12), "isn't there"),
        (_set("jobs", 0, "kind", "check_strip"), "of another kind"),
        (_set("jobs", 0, "burns", 0, "count", 0), "count is 0"),
        (_set("promises", 0, "chance", 7), "chance is 7"),
        (_set("notes", 0, "text", "a\x00b"), r"'a\\x00b'.*can't be kept"),
        (_set("notes", 0, "text", "a\ud800b"), r"ud800b'.*can't be kept"),
        (_twice("notes"), "notes has id .* 2 times"),
        (_twice("machines"), "has id .* 2 times"),
    ],
)
def test_a_bad_document_is_refused_whole(
    other: Book, change: Callable[[Any], None], words: str
) -> None:
    fill(other)
    document = json.loads(document_text(export_text(other)))
    before = all_rows(other)
    change(document)
    with pytest.raises(BadFile, match=words):
        import_text(other, document, when=later(30))
    assert all_rows(other) == before


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "isn't JSON"),
        ("[1]", "holds no logbook"),
        ("{", "isn't JSON"),
        ('{"a": NaN}', "NaN is not a number"),
        ("[" * 100_000, "isn't JSON"),
        ('{"a": ' + "9" * 5000 + "}", "isn't JSON"),
    ],
)
def test_what_is_no_json_document_is_refused(text: str, words: str) -> None:
    with pytest.raises(BadFile, match=words):
        read_document(text)


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    steps = value.items() if isinstance(value, dict) else enumerate(value)
    for step, part in steps:
        yield (*path, step)
        if isinstance(part, (dict, list)):
            yield from _places(part, (*path, step))


@settings(max_examples=60, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(data=st.data())
def test_no_change_of_a_document_leads_to_a_traceback(other: Book, data: st.DataObject) -> None:
    if not other.machines():
        fill(other)
    document = json.loads(document_text(export_text(other)))
    junk = st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False), st.text(max_size=5),
        st.just([]), st.just({}), st.just("cut"), st.just(-1), st.just(1e308),
    )  # fmt: skip
    for _ in range(data.draw(st.integers(1, 2))):
        path = data.draw(st.sampled_from(list(_places(document))))
        change = _drop(*path) if data.draw(st.booleans()) else _set(*path, data.draw(junk))
        change(document)
    try:
        import_text(other, document, when=later(30), dry_run=True)
    except (BadFile, LogbookError) as error:
        assert str(error)  # noqa: PT017  either outcome is good, a traceback of another kind isn't
