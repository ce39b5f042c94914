"""Exchange: what two books say otherwise of one thing is shown until the user decides."""

from __future__ import annotations

import dataclasses

import pytest
from filled_books import all_rows
from workshop_records import BENCH, BIRCH, PROMISE, later, some_cells, some_grid

from calib.errors import LogbookError
from calib.logbook import Book, export_text, import_text
from calib.records import Reading, Setting, Sheet


def test_what_only_one_book_has_comes_into_the_other(full: Book, other: Book) -> None:
    import_text(other, export_text(full), when=later(20))
    full.record("AB12", [Reading(cell="A2", through="no")], when=later(30))
    other.record("AB12", [Reading(cell="A3", through="through")], when=later(29))
    other.add_board(some_grid("CD34"), when=later(31))
    assert import_text(full, export_text(other), when=later(40)).conflicts == ()
    assert import_text(other, export_text(full), when=later(41)).conflicts == ()
    assert all_rows(full) == all_rows(other)
    assert [r.cell for r in full.readings("AB12")] == ["A1", "A2", "A3"]
    assert full.board("CD34") == other.board("CD34")


def test_a_later_correction_replaces_what_both_knew(full: Book, other: Book) -> None:
    import_text(other, export_text(full), when=later(20))
    # The other's clock is wrong by days: what it knew of decides, not the date.
    other.record("AB12", [Reading(cell="A1", through="through")], when=later(-9000), why="clearer")
    report = import_text(full, export_text(other), when=later(40))
    assert report.conflicts == ()
    assert full.readings("AB12")[0].through == "through"


def test_two_readings_of_one_cell_are_shown_until_the_user_decides(full: Book, other: Book) -> None:
    import_text(other, export_text(full), when=later(20))
    full.record("AB12", [Reading(cell="A2", through="no")], when=later(30))
    other.record("AB12", [Reading(cell="A2", through="through", char=1)], when=later(31))
    for _ in range(2):
        report = import_text(full, export_text(other), when=later(40))
        (conflict,) = report.conflicts
        assert conflict.key == "reading AB12 A2"
        assert conflict.here == "through no, char None (2026-03-01 18:35 UTC)"
        assert conflict.there == "through through, char 1 (2026-03-01 18:36 UTC)"
        assert full.readings("AB12")[1] == Reading(cell="A2", through="no")
    assert report.added == {}
    with pytest.raises(LogbookError, match="'mine' doesn't settle 'reading AB12 A2'"):
        import_text(full, export_text(other), when=later(41), answers={conflict.key: "mine"})
    report = import_text(full, export_text(other), when=later(42), answers={conflict.key: "there"})
    assert report.conflicts == ()
    assert full.readings("AB12")[1] == Reading(cell="A2", through="through", char=1)
    assert import_text(full, export_text(other), when=later(43)).added == {}
    assert import_text(other, export_text(full), when=later(44)).conflicts == ()
    assert other.readings("AB12") == full.readings("AB12")
    lines = [line for line in full.history("bench", "birch 3") if line.cell == "A2"]
    assert [line.superseded for line in lines] == [True, True, False]
    assert lines[-1].why == "the other book's was chosen at an import"


def test_two_readings_that_say_the_same_are_no_conflict(full: Book, other: Book) -> None:
    import_text(other, export_text(full), when=later(20))
    full.record("AB12", [Reading(cell="A2", through="no")], when=later(30))
    other.record("AB12", [Reading(cell="A2", through="no")], when=later(31))
    assert import_text(full, export_text(other), when=later(40)).conflicts == ()
    assert import_text(other, export_text(full), when=later(41)).conflicts == ()
    assert all_rows(full) == all_rows(other)


def test_set_ups_lots_and_settled_settings_that_went_apart_are_shown(
    full: Book, other: Book
) -> None:
    import_text(other, export_text(full), when=later(20))
    for book, at, lens, lot, speed in (
        (full, later(30), 38.1, "L2", 11.0), (other, later(31), 63.5, "L3", 10.0),
    ):  # fmt: skip
        book.change_setup("bench", when=at, what="lens", lens_mm=lens)
        book.add_sheet(dataclasses.replace(BIRCH, lot=lot), when=at)
        setting = Setting(power_pct=60.0, speed_mm_s=speed)
        book.settle("bench", "birch 3", "cut", setting, when=at)
    report = import_text(full, export_text(other), when=later(40))
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
    assert import_text(full, export_text(other), when=later(41), answers=answers).conflicts == ()
    assert import_text(other, export_text(full), when=later(42)).conflicts == ()
    for book in (full, other):
        assert book.machine("bench").lens_mm == 38.1
        assert book.sheet("birch 3").lot == "L3"
        assert book.settled("bench", "birch 3")[0].setting.speed_mm_s == 10.0


def test_undo_refuses_what_another_book_brought_and_nobody_chose(full: Book, other: Book) -> None:
    import_text(other, export_text(full), when=later(20))
    full.record("AB12", [Reading(cell="A2", through="no")], when=later(30))
    other.record("AB12", [Reading(cell="A2", through="through")], when=later(31))
    import_text(full, export_text(other), when=later(40))
    with pytest.raises(LogbookError, match="for board 'AB12' came from another book"):
        full.undo(when=later(41), board_id="AB12")
    assert full.readings("AB12")[1] == Reading(cell="A2", through="no")


def test_two_workshops_machines_of_one_name_are_kept_apart(full: Book, other: Book) -> None:
    other.add_machine(dataclasses.replace(BENCH, rated_w=100.0), when=later(-50))
    other.add_sheet(Sheet(name="birch 3", material="oak", thickness_mm=4.0), when=later(-50))
    oak = some_grid("EF56", machine=other.machine("bench"), sheet=other.sheet("birch 3"))
    other.add_board(oak, when=later(-40))
    other.record("EF56", [Reading(cell="A1", through="no")], when=later(-30))

    report = import_text(full, export_text(other), when=later(40))
    assert {c.key: c.answers for c in report.conflicts} == {
        "machine bench": ("same", "rename:"), "sheet birch 3": ("rename:",),
    }  # fmt: skip
    assert report.added == {}
    assert report.held_back["boards"] == report.held_back["readings"] == 1
    assert full.machines() == (full.machine("bench"),)

    answers = {"machine bench": "rename: bench north", "sheet birch 3": "rename: oak 4"}
    report = import_text(full, export_text(other), when=later(41), answers=answers)
    assert report.conflicts == ()
    assert full.machine("bench north").rated_w == 100.0
    grid = full.board("EF56")
    assert (grid.machine.name, grid.sheet.name) == ("bench north", "oak 4")
    assert grid.cells == oak.cells
    assert len(full.burns("bench north", "oak 4")) == 1
    # It is remembered: the next import asks nothing.
    other.record("EF56", [Reading(cell="A2", through="no")], when=later(50))
    report = import_text(full, export_text(other), when=later(51))
    assert (report.conflicts, report.added) == ((), {"changes": 1, "readings": 1})


def test_one_machine_that_both_books_took_down_becomes_one(full: Book, other: Book) -> None:
    other.add_machine(BENCH, when=later(-50))
    other.add_sheet(BIRCH, when=later(-50))
    other.add_board(some_grid("EF56"), when=later(-40))
    other.record("EF56", [Reading(cell="A1", through="no")], when=later(-30))
    answers = {"machine bench": "same", "sheet birch 3": "same"}
    report = import_text(full, export_text(other), when=later(40), answers=answers)
    # Their set-ups began each on its own; this book's has a lens and a measured thickness more.
    assert {c.key for c in report.conflicts} == {"set-up bench", "lot birch 3"}
    answers |= {"set-up bench": "here", "lot birch 3": "here"}
    assert import_text(full, export_text(other), when=later(41), answers=answers).conflicts == ()
    assert [machine.name for machine in full.machines()] == ["bench"]
    assert [burn.source for burn in full.burns("bench", "birch 3")] == ["board"] * 2 + ["job"] * 2
    assert import_text(full, export_text(other), when=later(42)).added == {}
    # The way back needs no questions either.
    assert import_text(other, export_text(full), when=later(43)).conflicts == ()
    assert other.burns("bench", "birch 3") == full.burns("bench", "birch 3")
    assert import_text(full, export_text(other), when=later(44)).added == {}


def test_two_boards_of_one_code_are_kept_apart_or_joined(full: Book, other: Book) -> None:
    import_text(other, export_text(full), when=later(20))
    full.add_board(some_grid("GH78"), when=later(30))
    other.add_board(some_grid("GH78", cells=some_cells(3)), when=later(31))
    report = import_text(full, export_text(other), when=later(40))
    assert [(c.key, c.answers) for c in report.conflicts] == [("board GH78", ("rename:",))]
    with pytest.raises(LogbookError, match="'rename: AB12' doesn't settle 'board GH78'"):
        import_text(
            full, export_text(other), when=later(41), answers={"board GH78": "rename: AB12"}
        )
    import_text(full, export_text(other), when=later(41), answers={"board GH78": "rename: GH79"})
    assert full.board("GH79").cells == some_cells(3)
    assert full.board("GH78").cells == some_cells(6)


def test_a_row_that_was_changed_by_hand_is_shown_and_not_taken(full: Book, other: Book) -> None:
    import_text(other, export_text(full), when=later(20))
    document = export_text(full)
    document["promises"][0]["chance"] = 0.5
    report = import_text(other, document, when=later(30))
    (conflict,) = report.conflicts
    assert (conflict.here, conflict.there, conflict.answers) == ("chance 0.993", "chance 0.5", ())
    assert other.promises()[0].promise == PROMISE
