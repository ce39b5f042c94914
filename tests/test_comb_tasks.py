"""Comb boards and kerf through the tasks: planned, kept, recorded bit by bit, read as a joint."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import boards
import pytest
from boards import CO2 as BENCH
from workshop_records import later

from calib.boards.board_time import board_time
from calib.boards.comb import CombBoard
from calib.errors import InvalidRecord, LogbookError, NotEnoughEvidence, RefusedMaterial
from calib.joints.caliper import Caliper
from calib.joints.comb_reading import FitReading
from calib.joints.joint import fit_joint
from calib.joints.kerf import GROWTH_MM
from calib.logbook import Book, open_book
from calib.records import Cell, Grid, Reading, Setting, Sheet
from calib.tasks.costing import costs_of, record_costs, time_ratio
from calib.tasks.files import Files
from calib.tasks.joints import (
    caliper_of,
    comb_readings,
    comb_taken,
    find_comb,
    joint_of_comb,
    learn_kerf,
    plan_comb_board,
    record_comb,
)
from calib.tasks.pairs import OpenPair
from calib.tasks.wishes import CombWish

BIRCH = replace(boards.BIRCH, measured_mm=2.95)
CUT = Setting(power_pct=60.0, speed_mm_s=12.0)
FELT = {
    "tight": [("S1", "S2", "S3"), ("T8", "T9")],
    "snug": [("S4", "S5"), ("T6", "T7")],
    "loose": [("S6", "S7", "S8", "S9"), ("T1", "T2", "T3", "T4", "T5")],
}
MEASURED = {"top": [("T5", (8.19, 8.18, 8.2))], "bottom": [("T5", (8.24, 8.23, 8.25))]}


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    """A logbook with a machine, a sheet and a kept cut."""
    with open_book(tmp_path / "book.sqlite3") as opened:
        opened.add_machine(BENCH, when=later(0))
        opened.add_sheet(BIRCH, when=later(0))
        opened.keep("bench", "birch 3", "cut", CUT, when=later(1))
        yield opened


def planned(book: Book, **wish) -> tuple[CombBoard, Files]:
    return plan_comb_board(OpenPair(book), CombWish(**wish), when=later(2))


def measured_board(book: Book, kerfs: dict[float, float]) -> None:
    """A board with one coupon per speed, and its measured kerfs [mm]."""
    cells = tuple(
        Cell(label=f"A{n}", power_pct=60.0, speed_mm_s=speed, x_mm=20.0 * n, y_mm=5.0,
             width_mm=16.0, height_mm=16.0, burn_order=n)
        for n, speed in enumerate(kerfs, 1)
    )  # fmt: skip
    grid = Grid(
        board_id="KRF1", machine=BENCH, sheet=BIRCH, operation="cut", board_mm=(200.0, 40.0),
        cells=cells, label_setting=Setting(power_pct=12.0, speed_mm_s=200.0),
    )  # fmt: skip
    book.add_board(grid, when=later(3))
    readings = [
        Reading(cell=f"A{n}", through="through", width_mm=16.0 - kerf, height_mm=16.0 - kerf)
        for n, kerf in enumerate(kerfs.values(), 1)
    ]
    book.record("KRF1", readings, when=later(4))


def test_a_comb_is_cut_at_the_kept_setting_of_the_sheets_own_thickness(book: Book) -> None:
    comb, files = planned(book)
    assert comb.setting == CUT
    assert comb.stock_mm == 2.95
    assert len(comb.slots) == len(comb.tongues) == 9
    code = comb.board_id
    assert sorted(files) == [
        f"{code}-comb-outline.nc", f"{code}-comb-record.pdf", f"{code}-comb.dxf",
        f"{code}-comb.nc", f"{code}-comb.svg",
    ]  # fmt: skip
    assert 20.0 < board_time(comb).total_s < 600.0
    again = find_comb(book, code.lower())
    assert again == comb == find_comb(book, "last")


def test_without_a_kept_cut_or_in_a_refused_material_nothing_is_planned(book: Book) -> None:
    book.add_sheet(Sheet(name="mdf", material="MDF", thickness_mm=3.0), when=later(1))
    with pytest.raises(NotEnoughEvidence, match="No cut of mdf on bench"):
        plan_comb_board(OpenPair(book, None, "mdf"), CombWish(), when=later(2))
    given = CombWish(setting=CUT, tongues=0)
    comb, _ = plan_comb_board(OpenPair(book, None, "mdf"), given, when=later(2))
    assert comb.gauge is None
    book.add_sheet(Sheet(name="pvc", material="PVC", thickness_mm=3.0), when=later(1))
    with pytest.raises(RefusedMaterial, match="PVC"):
        plan_comb_board(OpenPair(book, None, "pvc"), given, when=later(2))
    with pytest.raises(LogbookError, match="'ZZZ'"):
        find_comb(book, "ZZZ")


def test_a_comb_is_recorded_bit_by_bit_and_read_as_its_joint(book: Book) -> None:
    board = planned(book, stock_mm=3.02)[0]
    with pytest.raises(NotEnoughEvidence, match="nothing was read"):
        joint_of_comb(book, "last")
    record_comb(book, "last", comb_readings(FELT, {}), when=later(3))
    taken = record_comb(
        book, board.board_id, comb_readings({}, MEASURED), when=later(4),
        stock_mm=(3.01, 3.03), caliper=caliper_of(0.03),
    )  # fmt: skip
    expected = comb_readings(FELT, MEASURED)
    assert taken.readings == tuple(sorted(expected, key=lambda reading: reading.label))
    assert taken == comb_taken(book, board)
    _, joint = joint_of_comb(book, "last")
    caliper = Caliper(limit_mm=0.03)
    assert joint == fit_joint(board, expected, (3.01, 3.03), caliper=caliper)
    assert joint.slot is not None
    assert joint.slot.label in ("S4", "S5")
    # What is felt again replaces what was felt; the widths stay.
    record_comb(book, "last", [FitReading(label="T5", feel="snug")], when=later(5))
    (five,) = [r for r in comb_taken(book, board).readings if r.label == "T5"]
    assert (five.feel, five.top_mm) == ("snug", (8.19, 8.18, 8.2))


def test_what_cannot_be_is_refused_and_nothing_is_stored(book: Book) -> None:
    board = planned(book)[0]
    for readings, said in (
        ([FitReading(label="Q1", feel="snug")], "'Q1'"),
        ([FitReading(label="T5", top_mm=(18.2,))], r"18\.2 mm"),
    ):
        with pytest.raises(InvalidRecord, match=said):
            record_comb(book, "last", readings, when=later(3))
    with pytest.raises(InvalidRecord, match="'S1' is given as tight and as snug"):
        comb_readings({"tight": [("S1",)], "snug": [("S1",)]}, {})
    assert comb_taken(book, board).readings == ()


def test_kerf_from_coupons_is_kept_and_used(book: Book) -> None:
    with pytest.raises(NotEnoughEvidence, match="No coupon of birch 3"):
        learn_kerf(OpenPair(book), when=later(5))
    truth = {6.0: 0.36, 12.0: 0.26, 24.0: 0.16}
    measured_board(book, truth)
    law, points = learn_kerf(OpenPair(book), when=later(5))
    assert [point.kerf.value_mm for point in points] == pytest.approx([0.16, 0.26, 0.36])
    assert law.at_setting(BENCH, CUT).value_mm == pytest.approx(0.26, abs=0.01)
    # 0.10 mm for each doubling of the energy, drawn a little towards what is believed before.
    assert GROWTH_MM + 0.05 < law.growth_mm <= 0.10 / math.log(2.0)
    learn_kerf(OpenPair(book), when=later(6))
    (kept,) = book.stored("kerf", machine="bench", sheet="birch 3")
    assert kept.content["growth_mm"] == pytest.approx(law.growth_mm)
    # A comb planned after that lies round the measured kerf, and its joint uses it.
    board = planned(book, stock_mm=3.0)[0]
    assert board.kerf_mm == pytest.approx(0.26, abs=0.011)
    record_comb(book, "last", comb_readings(FELT, {}), when=later(7))
    assert joint_of_comb(book, "last")[1].kerf_from == "the measured size of coupons"


def test_what_was_kept_and_cannot_be_read_is_told_with_its_date(book: Book) -> None:
    comb = planned(book, stock_mm=3.0)[0]
    book.store("comb_readings", {"readings": [{"label": 7}]}, label=comb.board_id, when=later(3))
    with pytest.raises(LogbookError, match=f"comb readings '{comb.board_id}' on 2026-03-01"):
        comb_taken(book, comb)
    book.store("comb", {"stock_mm": 3.02}, label="X1", when=later(4), machine="bench")
    with pytest.raises(LogbookError, match="comb 'X1' on 2026-03-01 can't be read"):
        find_comb(book, "last")
    for content in ({"calculated_s": "long", "measured_s": 3.0}, {"calculated_s": 0.0}):
        book.store("timed_job", content, label="box", when=later(5), machine="bench")
        with pytest.raises(LogbookError, match="timed job 'box' on 2026-03-01 can't be read"):
            time_ratio(book, "bench")
    book.store("costs", {"machine_hour": "dear"}, when=later(6))
    with pytest.raises(LogbookError, match="costs '' on 2026-03-01 can't be read"):
        costs_of(book)
    assert record_costs(book, when=later(7), machine_hour=12.0).machine_hour == 12.0
    assert costs_of(book).guessed != ()
