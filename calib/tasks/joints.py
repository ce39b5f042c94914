"""Kerf of a pair, and comb boards: planned at the kept cut, read by feel and caliper."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import field, fields, replace
from datetime import datetime
from typing import Any

from calib.boards.comb import CombBoard, Feel, plan_comb
from calib.boards.gentle import KnownMarks
from calib.errors import InvalidRecord, LogbookError, NotEnoughEvidence
from calib.joints.caliper import Caliper, Estimate
from calib.joints.comb_reading import Face, FitReading, checked
from calib.joints.joint import Joint, fit_joint
from calib.joints.kerf import KerfLaw, KerfPoint, kerf_by_energy, kerf_from_coupons
from calib.limits import check_limits
from calib.logbook import Book
from calib.logbook.coding import known_names
from calib.logbook.runs import understood
from calib.records import Machine, Setting, Sheet
from calib.records.fields import from_json, record, to_json
from calib.tasks.files import Files, drawn_files
from calib.tasks.pairs import LAST, OpenPair
from calib.tasks.wishes import CombWish
from calib.texts.say import say


@record
class CombPlan:
    """What a comb board was planned as; the logbook keeps it."""

    machine: Machine
    sheet: Sheet
    setting: Setting
    stock_mm: float
    step_mm: float
    slots: int
    tongues: int
    kerf_mm: float | None
    offcut_mm: tuple[float, float] | None
    codes: Setting | None = None  # at which they were marked; older logbooks don't say

    def board(self, marks: KnownMarks) -> CombBoard:
        """Lay it out."""
        asked = {name: value for name, value in vars(self).items() if name != "codes"}
        return plan_comb(**asked, marks=marks)


@record
class CombTaken:
    """What was recorded of a comb so far."""

    readings: tuple[FitReading, ...] = ()  # One for each slot or tongue that was tried or measured
    stock_mm: tuple[float, ...] = ()  # Thickness of the stock, as often as it was measured [mm]
    caliper: Caliper = field(default_factory=Caliper)  # What was measured with


def kerf_points(pair: OpenPair, caliper: Caliper | None = None) -> tuple[KerfPoint, ...]:
    """Kerf of each setting of which coupons were measured, over all boards of a pair."""
    found: list[KerfPoint] = []
    for board in pair.to("cut").boards:
        readings = pair.book.readings(board.id)
        measured = [r for r in readings if r.width_mm is not None or r.height_mm is not None]
        if measured:
            grid = pair.book.board(board.id)
            coupons = [cell for cell in grid.cells if not cell.path_mm]
            labels = {cell.label for cell in coupons}
            measured = [r for r in measured if r.cell in labels]
            found += kerf_from_coupons(grid.machine, measured, coupons, caliper=caliper)
    return tuple(sorted(found, key=lambda p: (p.line_energy_j_mm, p.setting.power_pct, repr(p))))


def learn_kerf(
    pair: OpenPair, *, when: datetime, caliper: Caliper | None = None
) -> tuple[KerfLaw, tuple[KerfPoint, ...]]:
    """Work out the kerf against line energy from all measured coupons, and keep it with the pair;
    raises NotEnoughEvidence when no coupon was measured."""
    points, (machine, sheet) = kerf_points(pair, caliper), pair.names
    if not points:
        raise NotEnoughEvidence(
            say("tasks.no_coupon_of_on_was_measured", of_sheet=pair.sheet, of_machine=pair.machine)
        )
    law = kerf_by_energy(points, caliper=caliper)
    content = to_json(law)
    kept = pair.book.stored("kerf", machine=machine, sheet=sheet)
    if not kept or dict(kept[0].content) != content:
        pair.book.store("kerf", content, when=when, machine=machine, sheet=sheet)
    return law, points


def kerf_at(pair: OpenPair, setting: Setting) -> Estimate | None:
    """Kerf at a setting, from coupons where some were measured."""
    points = kerf_points(pair)
    return kerf_by_energy(points).at_setting(pair.machine, setting) if points else None


def plan_comb_board(pair: OpenPair, wish: CombWish, *, when: datetime) -> tuple[CombBoard, Files]:
    """Plan a comb board of a pair and keep it; raises NotEnoughEvidence when no cut is kept
    and no setting given."""
    machine, sheet, setting, pair = pair.machine, pair.sheet, wish.setting, pair.to("cut")
    pair.check()
    not_current: tuple[str, ...] = ()
    if setting is None:
        kept = pair.kept_cut
        setting, not_current = kept.setting, kept.not_current
    check_limits(machine, sheet, "cut", (setting,))
    kerf = wish.kerf_mm
    if kerf is None and (measured := kerf_at(pair, setting)):
        kerf = max(round(measured.value_mm, 2), 0.02)  # to the steps of a caliper
    plan = CombPlan(
        machine=machine,
        sheet=sheet,
        setting=setting,
        stock_mm=wish.stock_mm or sheet.working_thickness_mm,
        step_mm=wish.step_mm,
        slots=wish.slots,
        tongues=wish.tongues,
        kerf_mm=kerf,
        offcut_mm=wish.offcut_mm,
    )
    board = plan.board(pair.marks)
    files = comb_files(board, wish.paper, wish.piece_edge)
    plan = replace(plan, kerf_mm=board.kerf_mm, codes=board.label_setting)
    names = {"machine": machine.name, "sheet": sheet.name}
    pair.book.store("comb", to_json(plan), when=when, label=board.board_id, **names)
    return replace(board, notes=(*board.notes, *not_current)), files


def comb_files(board: CombBoard, paper: str = "a4", piece_edge: bool = False) -> Files:
    """Make the files of a comb board."""
    from calib.boards.comb_sheet import comb_record_page  # loads reportlab

    name = f"{board.board_id}-comb"
    files = {f"{name}-record.pdf": comb_record_page(board, paper=paper)}
    return dict(sorted({**files, **drawn_files(board, name, piece_edge=piece_edge)}.items()))


def find_comb(book: Book, code: str) -> CombBoard:
    """Look a comb board up by its code, whatever its case; ``last`` is the one planned last."""
    every = book.stored("comb")
    wanted = code.strip()
    found = [e for e in every if wanted.casefold() in (LAST, e.label.casefold())]
    if not found:
        raise LogbookError(known_names(say("tasks.comb_board"), wanted, [e.label for e in every]))
    entry = found[0]
    with understood(entry):
        plan = from_json(CombPlan, dict(entry.content))
        board = plan.board(KnownMarks(kept=plan.codes))
    return replace(
        board,
        board_id=entry.label,
        machine=replace(board.machine, name=entry.machine or board.machine.name),
        sheet=replace(board.sheet, name=entry.sheet or board.sheet.name),
    )


def comb_taken(book: Book, board: CombBoard) -> CombTaken:
    """Look up what was recorded of a comb."""
    for entry in book.stored("comb_readings", label=board.board_id):
        with understood(entry):
            return from_json(CombTaken, dict(entry.content))
    return CombTaken()


def record_comb(
    book: Book,
    code: str,
    readings: Sequence[FitReading],
    *,
    when: datetime,
    stock_mm: Sequence[float] = (),
    caliper: Caliper | None = None,
) -> CombTaken:
    """Record what was felt and measured on a comb; what is given replaces what was there; raises
    InvalidRecord when a reading isn't of this comb, or can't be right; nothing is stored then."""
    board = find_comb(book, code)
    before = comb_taken(book, board)
    known = {reading.label: reading for reading in before.readings}
    for reading in readings:
        old = known.get(reading.label, reading)
        given = {f.name: value for f in fields(reading) if (value := getattr(reading, f.name))}
        known[reading.label] = replace(old, **given)
    taken = CombTaken(
        readings=tuple(known[label] for label in sorted(known)),
        stock_mm=tuple(stock_mm) or before.stock_mm,
        caliper=caliper or before.caliper,
    )
    checked(board, taken.readings)
    if taken.readings:
        # Widths that can't be those of this comb are refused before anything is stored.
        _joint(book, board, taken)
    names = {"machine": board.machine.name, "sheet": board.sheet.name}
    book.store("comb_readings", to_json(taken), when=when, label=board.board_id, **names)
    return taken


def joint_of_comb(book: Book, code: str) -> tuple[CombBoard, Joint]:
    """Read a comb: kerf, snug slot, and what to draw for press fit, glue fit and inlay; raises
    NotEnoughEvidence when nothing was felt or measured."""
    board = find_comb(book, code)
    return board, _joint(book, board, comb_taken(book, board))


def _joint(book: Book, board: CombBoard, taken: CombTaken) -> Joint:
    points = kerf_points(OpenPair(book, board.machine.name, board.sheet.name))
    coupons = kerf_by_energy(points).at_setting(board.machine, board.setting) if points else None
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
    """Sort what was typed by slot and tongue; raises InvalidRecord when a code is given two
    feels."""
    found: dict[str, dict[str, Any]] = {}
    for feel, lists in felt.items():
        for code in itertools.chain.from_iterable(lists):
            given = found.setdefault(code, {}).setdefault("feel", feel)
            if given != feel:
                raise InvalidRecord(say("tasks.is_given", code=code, given=given, feel=feel))
    for face, pairs in measured.items():
        for code, values in pairs:
            own = found.setdefault(code, {})
            own[f"{face}_mm"] = own.get(f"{face}_mm", ()) + values
    return tuple(FitReading(label=code, **own) for code, own in sorted(found.items()))
