"""Comb boards taken down by feel and caliper, and read as a joint."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from calib.boards.comb import CombBoard, Feel
from calib.errors import InvalidRecord
from calib.joints.caliper import Caliper
from calib.joints.comb_reading import FACES, Face, FitReading, checked
from calib.joints.joint import Joint, fit_joint
from calib.logbook import Book
from calib.logbook.runs import understood
from calib.records.fields import from_json, to_json
from calib.tasks.combs import find_comb
from calib.tasks.kerfs import kerf_at


@dataclass(frozen=True, slots=True, kw_only=True)
class CombTaken:
    """What was taken down of a comb so far."""

    board_id: str  # Code of the comb
    readings: tuple[FitReading, ...] = ()  # One for each slot or tongue that was tried or measured
    stock_mm: tuple[float, ...] = ()  # Thickness of the stock, as often as it was measured [mm]
    caliper: Caliper = dataclasses.field(default_factory=Caliper)  # What was measured with


def comb_taken(book: Book, board: CombBoard) -> CombTaken:
    """Look up what was taken down of a comb."""
    kept = book.kept("comb_readings", label=board.board_id)
    if not kept:
        return CombTaken(board_id=board.board_id)
    content = kept[0].content
    with understood(kept[0]):
        return CombTaken(
            board_id=board.board_id,
            readings=tuple(from_json(FitReading, fields) for fields in content["readings"]),
            stock_mm=tuple(float(stock) for stock in content["stock_mm"]),
            caliper=from_json(Caliper, content["caliper"]),
        )


def take_down_comb(
    book: Book,
    code: str,
    readings: Sequence[FitReading],
    *,
    when: datetime,
    stock_mm: Sequence[float] = (),
    caliper: Caliper | None = None,
) -> CombTaken:
    """Take down what was felt and measured on a comb; what is given replaces what was there.

    Raises LogbookError when there is no such comb; InvalidRecord when a reading isn't of this comb,
    or can't be right; nothing is stored then.
    """
    board = find_comb(book, code)
    before = comb_taken(book, board)
    known = {reading.label: reading for reading in before.readings}
    for reading in readings:
        known[reading.label] = _joined(known.get(reading.label), reading)
    taken = CombTaken(
        board_id=board.board_id,
        readings=tuple(known[label] for label in sorted(known)),
        stock_mm=tuple(stock_mm) or before.stock_mm,
        caliper=caliper or before.caliper,
    )
    checked(board, taken.readings)
    if taken.readings:
        # Widths that can't be those of this comb are refused before anything is stored.
        _joint(book, board, taken)
    content: Mapping[str, Any] = {
        "readings": [to_json(reading) for reading in taken.readings],
        "stock_mm": list(taken.stock_mm),
        "caliper": to_json(taken.caliper),
    }
    book.keep(
        "comb_readings",
        content,
        when=when,
        label=board.board_id,
        machine=board.machine.name,
        sheet=board.sheet.name,
    )
    return taken


def _joined(before: FitReading | None, now: FitReading) -> FitReading:
    if before is None:
        return now
    widths = {f"{face}_mm": now.widths_mm(face) or before.widths_mm(face) for face in FACES}
    return FitReading(label=now.label, feel=now.feel or before.feel, **widths)


def joint_of_comb(book: Book, code: str) -> tuple[CombBoard, Joint]:
    """Read a comb: kerf, snug slot, and what to draw for press fit, glue fit and inlay.

    Raises LogbookError when there is no such comb; NotEnoughEvidence when nothing was felt or
    measured.
    """
    board = find_comb(book, code)
    return board, _joint(book, board, comb_taken(book, board))


def _joint(book: Book, board: CombBoard, taken: CombTaken) -> Joint:
    coupons = kerf_at(book, board.machine, board.sheet.name, board.setting)
    return fit_joint(
        board, taken.readings, taken.stock_mm, caliper=taken.caliper, coupon_kerf=coupons
    )


def caliper_of(limit_mm: float | None) -> Caliper | None:
    """A usual caliper with the largest error that its maker allows [mm]; None when not given."""
    return None if limit_mm is None else Caliper(limit_mm=limit_mm)


def comb_readings(
    felt: Mapping[Feel, Sequence[Sequence[str]]],
    measured: Mapping[Face, Sequence[tuple[str, tuple[float, ...]]]],
) -> tuple[FitReading, ...]:
    """Sort what was typed by slot and tongue.

    Raises InvalidRecord when a code is given two feels.
    """
    feels: dict[str, Feel] = {}
    for feel, lists in felt.items():
        for code in (code for codes in lists for code in codes):
            if feels.setdefault(code, feel) != feel:
                raise InvalidRecord(
                    f"{code!r} is given as {feels[code]} and as {feel}: give it one of the two."
                )
    widths: dict[str, dict[Face, tuple[float, ...]]] = {}
    for face, pairs in measured.items():
        for code, values in pairs:
            own = widths.setdefault(code, {})
            own[face] = own.get(face, ()) + values
    return tuple(
        FitReading(
            label=code,
            feel=feels.get(code),
            top_mm=widths.get(code, {}).get("top", ()),
            bottom_mm=widths.get(code, {}).get("bottom", ()),
            across_mm=widths.get(code, {}).get("across", ()),
        )
        for code in sorted({*feels, *widths})
    )
