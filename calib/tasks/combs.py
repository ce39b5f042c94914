"""Comb boards: planned at the settled cut, taken down by feel and caliper, read as a joint."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, replace
from datetime import datetime

from calib.boards.board_time import board_time
from calib.boards.comb import CombBoard, plan_comb
from calib.boards.comb_sheet import comb_record_page
from calib.boards.gentle import KnownMarks
from calib.boards.rs274 import frame_program, grid_program
from calib.boards.svg import grid_svg
from calib.errors import LogbookError, NotEnoughEvidence
from calib.hazards import check_hazard
from calib.limits import check_limits
from calib.logbook import Book, Kept
from calib.logbook.coding import known_names
from calib.logbook.runs import understood
from calib.records import Machine, Setting, Sheet
from calib.records.fields import from_json, to_json
from calib.tasks.boards import marks_of
from calib.tasks.current import KeptSetting, kept_settings
from calib.tasks.finding import LAST, find_pair
from calib.tasks.folders import Files
from calib.tasks.kerfs import kerf_at
from calib.tasks.wishes import CombWish

# Fields of a comb's content that are arguments of ``plan_comb``.
_NUMBERS = ("stock_mm", "step_mm", "slots", "tongues", "kerf_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedComb:
    """A comb board with its files."""

    board: CombBoard  # The comb
    files: Files  # Names and contents
    time_s: float  # How long it burns [s]


def plan_comb_board(
    book: Book, machine: str | None, sheet: str | None, wish: CombWish, *, when: datetime
) -> PlannedComb:
    """Plan a comb board of a pair and keep it.

    Raises NotEnoughEvidence when no cut was settled on and no setting given; RefusedMaterial,
    DeclarationNeeded when the sheet may not be burnt; InvalidRecord, MachineLimit, BoardDoesNotFit
    as for ``plan_comb``.
    """
    of_machine, of_sheet = find_pair(book, machine, sheet)
    check_hazard(of_sheet, of_machine, "cut")
    setting = wish.setting
    not_current: tuple[str, ...] = ()
    if setting is None:
        kept = _settled(book, of_machine, of_sheet)
        setting, not_current = kept.setting, kept.not_current
    check_limits(of_machine, of_sheet, "cut", (setting,))
    kerf = wish.kerf_mm
    if kerf is None:
        kerf = _measured_kerf_mm(book, of_machine, of_sheet, setting)
    marks = marks_of(book, of_machine, of_sheet)
    board = plan_comb(
        of_machine,
        of_sheet,
        setting,
        stock_mm=wish.stock_mm or of_sheet.working_thickness_mm,
        step_mm=wish.step_mm,
        slots=wish.slots,
        tongues=wish.tongues,
        kerf_mm=kerf,
        offcut_mm=wish.offcut_mm,
        marks=marks,
    )
    files = comb_board_files(board, wish.paper)
    content = {
        "machine": to_json(of_machine),
        "sheet": to_json(of_sheet),
        "setting": to_json(setting),
        "stock_mm": board.stock_mm,
        "step_mm": board.step_mm,
        "slots": wish.slots,
        "tongues": wish.tongues,
        "kerf_mm": board.kerf_mm,
        "offcut_mm": None if wish.offcut_mm is None else list(wish.offcut_mm),
        "codes": to_json(board.label_setting),
    }
    names = {"machine": of_machine.name, "sheet": of_sheet.name}
    book.keep("comb", content, when=when, label=board.board_id, **names)
    board = replace(board, notes=(*board.notes, *not_current))
    return PlannedComb(board=board, files=files, time_s=board_time(board).total_s)


def _measured_kerf_mm(book: Book, machine: Machine, sheet: Sheet, setting: Setting) -> float | None:
    """Kerf from measured coupons, to the steps of a caliper; None without any [mm]."""
    measured = kerf_at(book, machine, sheet.name, setting)
    return None if measured is None else max(round(measured.value_mm, 2), 0.02)


def _settled(book: Book, machine: Machine, sheet: Sheet) -> KeptSetting:
    settled = kept_settings(book, machine.name, sheet.name, "cut")
    if not settled:
        raise NotEnoughEvidence(
            f"No cut of {sheet.name} on {machine.name} was settled on yet: settle on a promised"
            " setting first, or give power and speed."
        )
    return settled[0]


def comb_board_files(board: CombBoard, paper: str = "a4") -> Files:
    """Make all files of a comb board; their names begin with its code."""
    name = board.board_id
    files = {
        f"{name}-comb.svg": grid_svg(board).encode(),
        f"{name}-comb-record.pdf": comb_record_page(board, paper=paper),
    }
    if board.machine.power_word_full is not None:
        files[f"{name}-comb.ngc"] = grid_program(board).encode()
        files[f"{name}-comb-frame.ngc"] = frame_program(board).encode()
    return dict(sorted(files.items()))


def find_comb(book: Book, code: str) -> CombBoard:
    """Look a comb board up by its code, whatever its case; ``last`` is the one planned last.

    Raises LogbookError when there is none.
    """
    every = book.kept("comb")
    wanted = code.strip()
    found = [e for e in every if wanted.casefold() in (LAST, e.label.casefold())]
    if not found:
        raise LogbookError(known_names("comb board", wanted, [e.label for e in every]))
    return _comb_from(found[0])


def _comb_from(entry: Kept) -> CombBoard:
    content = entry.content
    with understood(entry):
        # Combs of older logbooks don't say at what their codes were marked.
        offcut, codes = content["offcut_mm"], content.get("codes")
        board = plan_comb(
            from_json(Machine, content["machine"]),
            from_json(Sheet, content["sheet"]),
            from_json(Setting, content["setting"]),
            offcut_mm=None if offcut is None else (offcut[0], offcut[1]),
            marks=KnownMarks(kept=from_json(Setting, codes) if codes else None),
            **{name: content[name] for name in _NUMBERS},
        )
    names = {"machine": entry.machine or board.machine.name, "sheet": entry.sheet or ""}
    return dataclasses.replace(
        board,
        board_id=entry.label,
        machine=dataclasses.replace(board.machine, name=names["machine"]),
        sheet=dataclasses.replace(board.sheet, name=names["sheet"] or board.sheet.name),
    )
