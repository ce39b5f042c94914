"""Plan a board for any purpose from what was typed, and refuse what doesn't belong to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from calib.boards.focus import FocusBoard
from calib.errors import InvalidRecord, Misfit, shown
from calib.logbook import Book
from calib.records import Setting
from calib.records.fields import fields_of
from calib.tasks.boards import (
    Planned,
    plan_boards,
    plan_focus_board,
    plan_proof,
    plan_stair,
    store,
)
from calib.tasks.checks import plan_lot, plan_strip
from calib.tasks.elsewhere import CarriedOver, carry_over
from calib.tasks.files import board_files, drawn_files
from calib.tasks.folders import Files
from calib.tasks.joints import PlannedComb, plan_comb_board
from calib.tasks.wishes import (
    BoardWish,
    CheckWish,
    CombWish,
    ElsewhereWish,
    FileWish,
    FocusWish,
    Named,
    Pair,
    ProofWish,
)
from calib.texts.say import say

# What may be said of a board of each purpose.
PURPOSES: Mapping[str, tuple[Any, ...]] = {
    "edge": (Pair, BoardWish, FileWish),
    "stair": (Named, CheckWish, FileWish),
    "lot": (Named, CheckWish, Setting, FileWish),
    "check": (Named, CheckWish, FileWish),
    "proof": (Named, ProofWish, Setting, FileWish),
    "transfer": (Pair, ElsewhereWish, FileWish),
    "joint": (Named, CombWish, Setting),
    "focus": (Named, FocusWish),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFor:
    """What was planned for a purpose: one of these, or several boards of a split round."""

    boards: tuple[Planned, ...] = ()
    split: bool = False
    carried: CarriedOver | None = None
    comb: PlannedComb | None = None
    focus: FocusBoard | None = None
    files: Files = field(default_factory=dict)  # By name; empty when none were wanted


def plan_for(
    book: Book,
    purpose: str,
    typed: Mapping[str, Any],
    *,
    when: datetime,
    with_files: bool = True,
    sure: bool = False,
) -> PlannedFor:
    """Plan a board for a purpose; ``typed`` are the fields that were given, of any of its records.

    Raises InvalidRecord when there is no such purpose, or a field doesn't belong to it; NeedsYes,
    unless ``sure``, when all burns so far lie where something else must be wrong.
    """
    if purpose not in PURPOSES:
        known = ", ".join(PURPOSES)
        raise InvalidRecord(say("tasks.board_cant_be_planned", purpose=shown(purpose), known=known))
    _refuse_others(purpose, typed)

    def asked(kind: Any, **more: Any) -> Any:
        names = {field.name for field in fields_of(kind)}
        return kind(**{name: value for name, value in typed.items() if name in names} | more)

    setting = None
    if purpose in ("lot", "joint", "proof") and {"power_pct", "speed_mm_s"} & typed.keys():
        setting = asked(Setting, passes=typed.get("passes", (1,))[0], line_pitch_mm=None)
    machine, sheet = asked(Named).names
    if purpose == "joint":
        comb = plan_comb_board(book, machine, sheet, asked(CombWish, setting=setting), when=when)
        return PlannedFor(comb=comb, files=comb.files)
    if purpose == "focus":
        focus = plan_focus_board(book, machine, sheet, asked(FocusWish))
        drawn = drawn_files(focus, "focus", outline=False) if with_files else {}
        return PlannedFor(focus=focus, files=drawn)
    boards: tuple[Planned, ...] = ()
    carried, split = None, False
    if purpose == "edge":
        wish, operation = asked(BoardWish), asked(Pair).operation
        boards, split = plan_boards(book, machine, sheet, operation, wish, sure=sure), wish.split
    elif purpose == "transfer":
        there, operation = asked(ElsewhereWish), asked(Pair).operation
        carried = carry_over(book, machine, sheet, operation, there, when=when)
        boards = (carried.planned,) if carried.planned else ()
    else:
        plan: Any = {
            "lot": plan_lot, "check": plan_strip, "stair": plan_stair, "proof": plan_proof,
        }[purpose]  # fmt: skip
        at = asked(ProofWish if purpose == "proof" else CheckWish, setting=setting)
        boards = (plan(book, machine, sheet, at, when=None),)
    # What can't be drawn isn't stored.
    files: dict[str, bytes] = {}
    for one in boards if with_files else ():
        files |= board_files(one.grid, asked(FileWish))
    if carried is None:
        store(book, boards, when)
    return PlannedFor(boards=boards, split=split, carried=carried, files=files)


def _refuse_others(purpose: str, typed: Mapping[str, Any]) -> None:
    """Say of each field that doesn't belong to a purpose for what it is."""
    fields = {
        name: {field.name for kind in kinds for field in fields_of(kind)}
        for name, kinds in PURPOSES.items()
    }
    wrong = []
    for name, value in typed.items():
        if name not in fields[purpose]:
            of = " or ".join(each for each, known in fields.items() if name in known)
            allowed = say("tasks.it_belongs_to_board", of=of, purpose=purpose)
            wrong.append(Misfit(name, value, allowed))
    if wrong:
        raise InvalidRecord.of("plan", wrong)
