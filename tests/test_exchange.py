"""Exchange: a round trip loses nothing, twice adds nothing, and differences are shown."""

from __future__ import annotations

import copy
import csv
import dataclasses
import io
import json
from collections.abc import Callable, Iterator
from typing import Any

import jsonschema
import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from postgres import emptied
from workshop_records import (
    BENCH,
    BIRCH,
    EVENING,
    JOB,
    PROMISE,
    SETTING,
    later,
    some_cells,
    some_grid,
)

from calib.errors import BadFile, LogbookError
from calib.logbook import (
    Book,
    ImportReport,
    Sitting,
    document_text,
    export_csv,
    export_json,
    import_json,
    read_document,
)
from calib.logbook.layout import all_parts
from calib.logbook.schema import SCHEMA_FILE, build_schema, schema_text
from calib.logbook.tables import metadata
from calib.records import Reading, Setting, Sheet

JPEG = b"\xff\xd8\xff\xe0picture"


def fill(book: Book) -> None:
    """Put something of everything into a logbook."""
    book.add_machine(BENCH, when=EVENING, note="new")
    book.change_setup("bench", when=later(1), what="lens", lens_mm=50.8)
    book.add_sitting("bench", Sitting(label="monday", air=True, support="pins"), when=later(1))
    book.add_sheet(BIRCH, when=EVENING)
    book.add_sheet(dataclasses.replace(BIRCH, measured_mm=2.9), when=later(1))
    book.add_board(some_grid(), when=later(2), forecasts={"A1": {"through": 0.83}})
    book.record("AB12", [Reading(cell="A1", through="no")], when=later(3), sitting="monday")
    book.record("AB12", [Reading(cell="A1", through="hanging")], when=later(4), why="misread")
    book.undo(when=later(5), board_id="AB12")
    promise = book.add_promise(PROMISE, machine="bench", sheet="birch 3", when=later(6))
    book.add_job("bench", "birch 3", JOB, when=later(7), promise_id=promise)
    book.settle("bench", "birch 3", "cut", SETTING, when=later(8), promise_id=promise)
    book.attach("AB12", "a1.jpg", JPEG, when=later(9), cell="A1")
    book.add_note("=cmd|' /C calc'!A0\nsecond line", when=later(10), board_id="AB12")
    book.keep("comb", {"stock_mm": 3.02}, when=later(10), machine="bench", sheet="birch 3")
    book.undo(when=later(11), machine="bench", sheet="birch 3")


@pytest.fixture
def full(book: Book) -> Book:
    """A logbook with something of everything, on each kind of database."""
    fill(book)
    return book


def all_rows(book: Book) -> dict[str, set[str]]:
    """Read every row of every table that a logbook shares with others."""
    with book.look() as connection:
        return {
            part.name: {
                json.dumps([row[name] for name in part.columns], default=repr)
                for row in connection.execute(sa.select(part.table)).mappings()
            }
            for part in all_parts()
        }


# --- round trip ----------------------------------------------------------------------------------


def test_a_round_trip_loses_nothing(full: Book, other: Book) -> None:
    document = export_json(full)
    for part in all_parts():
        if part.name != "aliases":
            assert all_rows(full)[part.name], f"{part.name} is empty: nothing is shown of it"
    report = import_json(other, read_document(document_text(document)), when=later(20))
    assert report.conflicts == ()
    assert report.added["readings"] == 3
    assert export_json(other) == document
    assert all_rows(other) == all_rows(full)
    assert other.history("bench", "birch 3") == full.history("bench", "birch 3")
    assert other.photograph(other.photographs("AB12")[0].id) == JPEG


def test_importing_twice_adds_nothing(full: Book, other: Book) -> None:
    document = export_json(full)
    import_json(other, document, when=later(20))
    report = import_json(other, document, when=later(21))
    assert report == ImportReport(added={}, already=report.already, held_back={})
    assert export_json(other) == document
    assert import_json(full, document, when=later(22)).added == {}


def test_the_document_of_an_earlier_version_without_what_was_kept_is_taken(
    book: Book, other: Book
) -> None:
    book.add_machine(BENCH, when=EVENING)
    book.add_sheet(BIRCH, when=EVENING)
    document = export_json(book)
    assert document.pop("kept") == []
    assert import_json(other, document, when=later(1)).added["sheets"] == 1
    assert export_json(other) == export_json(book)


def test_the_document_fits_the_published_schema(full: Book) -> None:
    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(export_json(full), schema, cls=jsonschema.Draft202012Validator)


def test_the_published_schema_is_made_from_the_tables_and_records() -> None:
    said = "write it anew: python -m calib.logbook.schema > calib/logbook/exchange_schema.json"
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text(), said
    items = build_schema()["properties"]
    assert {part.table.name for part in all_parts()} == set(metadata.tables)
    assert set(items) == {"format", "version"} | {
        part.name for part in all_parts() if not part.parent
    }


def test_a_dry_run_stores_nothing(full: Book, other: Book) -> None:
    report = import_json(other, export_json(full), when=later(20), dry_run=True)
    assert report.added["boards"] == 1
    assert other.machines() == ()


def test_undo_still_works_after_a_move_to_another_book(full: Book, other: Book) -> None:
    import_json(other, export_json(full), when=later(20))
    assert other.undo(when=later(21), board_id="AB12").startswith("photograph a1.jpg")
    assert other.undo(when=later(21), board_id="AB12").startswith("readings of board AB12")
    assert other.readings("AB12") == ()


# --- merging -------------------------------------------------------------------------------------


def test_what_only_one_book_has_comes_into_the_other(full: Book, other: Book) -> None:
    import_json(other, export_json(full), when=later(20))
    full.record("AB12", [Reading(cell="A2", through="no")], when=later(30))
    other.record("AB12", [Reading(cell="A3", through="through")], when=later(29))
    other.add_board(some_grid("CD34"), when=later(31))
    assert import_json(full, export_json(other), when=later(40)).conflicts == ()
    assert import_json(other, export_json(full), when=later(41)).conflicts == ()
    assert all_rows(full) == all_rows(other)
    assert [r.cell for r in full.readings("AB12")] == ["A1", "A2", "A3"]
    assert full.board("CD34") == other.board("CD34")


def test_a_later_correction_replaces_what_both_knew(full: Book, other: Book) -> None:
    import_json(other, export_json(full), when=later(20))
    # The other's clock is wrong by days: what it knew of decides, not the date.
    other.record("AB12", [Reading(cell="A1", through="through")], when=later(-9000), why="clearer")
    report = import_json(full, export_json(other), when=later(40))
    assert report.conflicts == ()
    assert full.readings("AB12")[0].through == "through"


def test_two_readings_of_one_cell_are_shown_until_the_user_decides(full: Book, other: Book) -> None:
    import_json(other, export_json(full), when=later(20))
    full.record("AB12", [Reading(cell="A2", through="no")], when=later(30))
    other.record("AB12", [Reading(cell="A2", through="through", char=1)], when=later(31))
    for _ in range(2):
        report = import_json(full, export_json(other), when=later(40))
        (conflict,) = report.conflicts
        assert conflict.key == "reading AB12 A2"
        assert conflict.here == "through no, char None (2026-03-01 18:35 UTC)"
        assert conflict.there == "through through, char 1 (2026-03-01 18:36 UTC)"
        assert full.readings("AB12")[1] == Reading(cell="A2", through="no")
    assert report.added == {}
    with pytest.raises(LogbookError, match="'mine' doesn't settle 'reading AB12 A2'"):
        import_json(full, export_json(other), when=later(41), answers={conflict.key: "mine"})
    report = import_json(full, export_json(other), when=later(42), answers={conflict.key: "there"})
    assert report.conflicts == ()
    assert full.readings("AB12")[1] == Reading(cell="A2", through="through", char=1)
    assert import_json(full, export_json(other), when=later(43)).added == {}
    assert import_json(other, export_json(full), when=later(44)).conflicts == ()
    assert other.readings("AB12") == full.readings("AB12")
    lines = [line for line in full.history("bench", "birch 3") if line.cell == "A2"]
    assert [line.superseded for line in lines] == [True, True, False]
    assert lines[-1].why == "the other book's was chosen at an import"


def test_two_readings_that_say_the_same_are_no_conflict(full: Book, other: Book) -> None:
    import_json(other, export_json(full), when=later(20))
    full.record("AB12", [Reading(cell="A2", through="no")], when=later(30))
    other.record("AB12", [Reading(cell="A2", through="no")], when=later(31))
    assert import_json(full, export_json(other), when=later(40)).conflicts == ()
    assert import_json(other, export_json(full), when=later(41)).conflicts == ()
    assert all_rows(full) == all_rows(other)


def test_set_ups_lots_and_settled_settings_that_went_apart_are_shown(
    full: Book, other: Book
) -> None:
    import_json(other, export_json(full), when=later(20))
    for book, at, lens, lot, speed in (
        (full, later(30), 38.1, "L2", 11.0), (other, later(31), 63.5, "L3", 10.0),
    ):  # fmt: skip
        book.change_setup("bench", when=at, what="lens", lens_mm=lens)
        book.add_sheet(dataclasses.replace(BIRCH, lot=lot), when=at)
        setting = Setting(power_pct=60.0, speed_mm_s=speed)
        book.settle("bench", "birch 3", "cut", setting, when=at)
    report = import_json(full, export_json(other), when=later(40))
    assert {c.key: (c.here, c.there) for c in report.conflicts} == {
        "set-up bench": ("lens_mm 38.1 (2026-03-01 18:35 UTC)",
                         "lens_mm 63.5 (2026-03-01 18:36 UTC)"),
        "lot birch 3": ("lot L2 (2026-03-01 18:35 UTC)", "lot L3 (2026-03-01 18:36 UTC)"),
        "settled bench / birch 3 / cut": (
            "speed_mm_s 11.0, lot L2 (2026-03-01 18:35 UTC)",
            "speed_mm_s 10.0, lot L3 (2026-03-01 18:36 UTC)",
        ),
    }  # fmt: skip
    assert full.machine("bench").lens_mm == 38.1
    answers = {"set-up bench": "here", "lot birch 3": "there",
               "settled bench / birch 3 / cut": "there"}  # fmt: skip
    assert import_json(full, export_json(other), when=later(41), answers=answers).conflicts == ()
    assert import_json(other, export_json(full), when=later(42)).conflicts == ()
    for book in (full, other):
        assert book.machine("bench").lens_mm == 38.1
        assert book.sheet("birch 3").lot == "L3"
        assert book.settled("bench", "birch 3")[0].setting.speed_mm_s == 10.0


def test_undo_refuses_what_another_book_brought_and_nobody_chose(full: Book, other: Book) -> None:
    import_json(other, export_json(full), when=later(20))
    full.record("AB12", [Reading(cell="A2", through="no")], when=later(30))
    other.record("AB12", [Reading(cell="A2", through="through")], when=later(31))
    import_json(full, export_json(other), when=later(40))
    with pytest.raises(LogbookError, match="for board 'AB12' came from another book"):
        full.undo(when=later(41), board_id="AB12")
    assert full.readings("AB12")[1] == Reading(cell="A2", through="no")


def test_two_workshops_machines_of_one_name_are_kept_apart(full: Book, other: Book) -> None:
    other.add_machine(dataclasses.replace(BENCH, rated_w=100.0), when=later(-50))
    other.add_sheet(Sheet(name="birch 3", material="oak", thickness_mm=4.0), when=later(-50))
    oak = some_grid("EF56", machine=other.machine("bench"), sheet=other.sheet("birch 3"))
    other.add_board(oak, when=later(-40))
    other.record("EF56", [Reading(cell="A1", through="no")], when=later(-30))

    report = import_json(full, export_json(other), when=later(40))
    assert {c.key: c.answers for c in report.conflicts} == {
        "machine bench": ("same", "rename:"), "sheet birch 3": ("rename:",),
    }  # fmt: skip
    assert report.added == {}
    assert report.held_back["boards"] == report.held_back["readings"] == 1
    assert full.machines() == (full.machine("bench"),)

    answers = {"machine bench": "rename: bench north", "sheet birch 3": "rename: oak 4"}
    report = import_json(full, export_json(other), when=later(41), answers=answers)
    assert report.conflicts == ()
    assert full.machine("bench north").rated_w == 100.0
    grid = full.board("EF56")
    assert (grid.machine.name, grid.sheet.name) == ("bench north", "oak 4")
    assert grid.cells == oak.cells
    assert len(full.burns("bench north", "oak 4")) == 1
    # It is remembered: the next import asks nothing.
    other.record("EF56", [Reading(cell="A2", through="no")], when=later(50))
    report = import_json(full, export_json(other), when=later(51))
    assert (report.conflicts, report.added) == ((), {"changes": 1, "readings": 1})


def test_one_machine_that_both_books_took_down_becomes_one(full: Book, other: Book) -> None:
    other.add_machine(BENCH, when=later(-50))
    other.add_sheet(BIRCH, when=later(-50))
    other.add_board(some_grid("EF56"), when=later(-40))
    other.record("EF56", [Reading(cell="A1", through="no")], when=later(-30))
    answers = {"machine bench": "same", "sheet birch 3": "same"}
    report = import_json(full, export_json(other), when=later(40), answers=answers)
    # Their set-ups began each on its own; this book's has a lens and a measured thickness more.
    assert {c.key for c in report.conflicts} == {"set-up bench", "lot birch 3"}
    answers |= {"set-up bench": "here", "lot birch 3": "here"}
    assert import_json(full, export_json(other), when=later(41), answers=answers).conflicts == ()
    assert [machine.name for machine in full.machines()] == ["bench"]
    assert [burn.source for burn in full.burns("bench", "birch 3")] == ["board"] * 2 + ["job"] * 2
    assert import_json(full, export_json(other), when=later(42)).added == {}
    # The way back needs no questions either.
    assert import_json(other, export_json(full), when=later(43)).conflicts == ()
    assert other.burns("bench", "birch 3") == full.burns("bench", "birch 3")
    assert import_json(full, export_json(other), when=later(44)).added == {}


def test_two_boards_of_one_code_are_kept_apart_or_joined(full: Book, other: Book) -> None:
    import_json(other, export_json(full), when=later(20))
    full.add_board(some_grid("GH78"), when=later(30))
    other.add_board(some_grid("GH78", cells=some_cells(3)), when=later(31))
    report = import_json(full, export_json(other), when=later(40))
    assert [(c.key, c.answers) for c in report.conflicts] == [("board GH78", ("rename:",))]
    with pytest.raises(LogbookError, match="'rename: AB12' doesn't settle 'board GH78'"):
        import_json(
            full, export_json(other), when=later(41), answers={"board GH78": "rename: AB12"}
        )
    import_json(full, export_json(other), when=later(41), answers={"board GH78": "rename: GH79"})
    assert full.board("GH79").cells == some_cells(3)
    assert full.board("GH78").cells == some_cells(6)


def test_a_row_that_was_changed_by_hand_is_shown_and_not_taken(full: Book, other: Book) -> None:
    import_json(other, export_json(full), when=later(20))
    document = export_json(full)
    document["promises"][0]["chance"] = 0.5
    report = import_json(other, document, when=later(30))
    (conflict,) = report.conflicts
    assert (conflict.here, conflict.there, conflict.answers) == ("chance 0.993", "chance 0.5", ())
    assert other.promises()[0].promise == PROMISE


# --- bad files -----------------------------------------------------------------------------------


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
    document = json.loads(document_text(export_json(other)))
    before = all_rows(other)
    change(document)
    with pytest.raises(BadFile, match=words):
        import_json(other, document, when=later(30))
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
    document = json.loads(document_text(export_json(other)))
    junk = st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False), st.text(max_size=5),
        st.just([]), st.just({}), st.just("cut"), st.just(-1), st.just(1e308),
    )  # fmt: skip
    for _ in range(data.draw(st.integers(1, 2))):
        path = data.draw(st.sampled_from(list(_places(document))))
        change = _drop(*path) if data.draw(st.booleans()) else _set(*path, data.draw(junk))
        change(document)
    try:
        import_json(other, document, when=later(30), dry_run=True)
    except (BadFile, LogbookError) as error:
        assert str(error)  # noqa: PT017  either outcome is good, a traceback of another kind isn't


# --- property: any two books that come from one -------------------------------------------------

_cells = st.sampled_from(["A1", "A2", "A3"])
_grades = st.sampled_from(["no", "hanging", "through"])
_steps = st.one_of(
    st.tuples(st.just("record"), _cells, _grades),
    st.tuples(st.just("strike"), _cells),
    st.tuples(st.just("undo board")),
    st.tuples(st.just("undo pair")),
    st.tuples(st.just("undo machine")),
    st.tuples(st.just("job"), st.integers(1, 3)),
    st.tuples(st.just("settle"), st.integers(10, 12)),
    st.tuples(st.just("lens"), st.sampled_from([38.1, 50.8, 63.5])),
    st.tuples(st.just("lot"), st.sampled_from(["L1", "L2", "L3"])),
    st.tuples(st.just("note"), st.text("äb =", min_size=1, max_size=3)),
)


def play(book: Book, steps: list[tuple[Any, ...]], minute: int) -> None:
    """Do what the steps say, a minute for each; what isn't possible is left out."""
    both = {"machine": "bench", "sheet": "birch 3"}
    job = dataclasses.replace(JOB[0], sitting="")
    for number, (kind, *given_) in enumerate(steps):
        at = later(minute + number)
        todo: dict[str, Callable[..., object]] = {
            "record": lambda cell, grade, at=at: book.record(
                "AB12", [Reading(cell=cell, through=grade)], when=at, why="again"
            ),
            "strike": lambda cell, at=at: book.strike_out("AB12", [cell], when=at, why="tape"),
            "undo board": lambda at=at: book.undo(when=at, board_id="AB12"),
            "undo pair": lambda at=at: book.undo(when=at, **both),
            "undo machine": lambda at=at: book.undo(when=at, machine="bench"),
            "job": lambda count, at=at: book.add_job(
                "bench", "birch 3", [dataclasses.replace(job, count=count)], when=at
            ),
            "settle": lambda speed, at=at: book.settle(
                "bench", "birch 3", "cut", Setting(power_pct=60.0, speed_mm_s=speed), when=at
            ),
            "lens": lambda lens, at=at: book.change_setup(
                "bench", when=at, what="lens", lens_mm=lens
            ),
            "lot": lambda lot, at=at: book.add_sheet(dataclasses.replace(BIRCH, lot=lot), when=at),
            "note": lambda text, at=at: book.add_note(f"note {text}", when=at),
        }
        try:
            todo[kind](*given_)
        except LogbookError as error:
            assert "take back" in str(error) or "another book" in str(error)  # noqa: PT017


def state(book: Book) -> dict[str, object]:
    """Give what counts now."""
    burns = book.burns("bench", "birch 3")
    return {
        "readings": book.readings("AB12"),
        "jobs": sorted(map(repr, burns)),
        "settled": [(s.setting, s.lot) for s in book.settled("bench", "birch 3")],
        "machine": book.machine("bench"),
        "sheet": book.sheet("birch 3"),
    }


@settings(max_examples=15, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(
    common=st.lists(_steps, max_size=5),
    ours=st.lists(_steps, max_size=5),
    theirs=st.lists(_steps, max_size=5),
)
def test_two_books_that_went_apart_come_together(
    three: list[Book],
    common: list[tuple[Any, ...]],
    ours: list[tuple[Any, ...]],
    theirs: list[tuple[Any, ...]],
) -> None:
    a, b, c = map(emptied, three)
    a.add_machine(BENCH, when=EVENING)
    a.add_sheet(BIRCH, when=EVENING)
    a.add_board(some_grid(), when=EVENING)
    play(a, common, 10)

    # A round trip loses nothing, and twice adds nothing.
    document = export_json(a)
    assert import_json(b, document, when=later(20)).conflicts == ()
    assert export_json(b) == document
    assert state(b) == state(a)
    assert import_json(b, document, when=later(21)).added == {}

    # Each goes its own way; then each takes the other's book in.
    play(a, ours, 100)
    play(b, theirs, 200)
    before_a, before_b, state_a = all_rows(a), all_rows(b), state(a)
    from_a, from_b = export_json(a), export_json(b)
    report = import_json(a, from_b, when=later(300))
    mirrored = import_json(b, from_a, when=later(301))
    assert {c.key for c in report.conflicts} == {c.key for c in mirrored.conflicts}
    for name, rows in all_rows(a).items():
        assert rows == before_a[name] | before_b[name]  # nothing is lost, nothing invented
    assert all_rows(a) == all_rows(b)
    if not theirs:
        assert state(a) == state_a
    assert import_json(a, from_b, when=later(302)).added == {}

    # One decides for both, and they agree; a third who takes in both books agrees as well.
    answers = {
        conflict.key: ("here", "there")[n % 2] for n, conflict in enumerate(report.conflicts)
    }
    assert import_json(a, from_b, when=later(303), answers=answers).conflicts == ()
    assert import_json(b, export_json(a), when=later(304)).conflicts == ()
    assert state(a) == state(b)
    assert import_json(c, export_json(b), when=later(305)).conflicts == ()
    assert import_json(c, from_a, when=later(306)).added == {}
    assert state(c) == state(a)


# --- CSV -----------------------------------------------------------------------------------------


def test_the_table_for_people_holds_the_burns_that_count(full: Book) -> None:
    full.add_job("bench", "birch 3", JOB, when=later(30))
    rows = list(csv.DictReader(io.StringIO(export_csv(full), newline="")))
    assert [(r["source"], r["board"], r["cell"], r["through"], r["count"]) for r in rows] == [
        ("board", "AB12", "A1", "no", "1"),
        ("job", "", "", "through", "38"), ("job", "", "", "hanging", "2"),
        ("job", "", "", "through", "38"), ("job", "", "", "hanging", "2"),
    ]  # fmt: skip
    assert (rows[0]["power_pct"], rows[0]["speed_mm_s"], rows[0]["char"]) == ("40", "12.5", "")


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", " =1+1", "＝1+1", '=HYPERLINK("http://x")']
)
def test_no_field_of_the_table_is_a_formula(full: Book, text: str) -> None:
    full.add_sheet(Sheet(name=text, material="@mdf", thickness_mm=3.0, lot="-L"), when=later(30))
    full.add_job("bench", text, JOB, when=later(31), note=text)
    rows = list(csv.DictReader(io.StringIO(export_csv(full), newline="")))
    assert (rows[-1]["sheet"], rows[-1]["note"], rows[-1]["lot"]) == (f"'{text}", f"'{text}", "'-L")
    assert rows[-1]["material"] == "'@mdf"
