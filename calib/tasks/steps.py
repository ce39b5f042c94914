"""Where each sheet stands on a machine, and the one thing to do next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, cast

from calib.logbook import Book, Filters, Line
from calib.records import Operation
from calib.tasks.current import KeptSetting, kept_settings
from calib.tasks.results import will_do, worth

# Boards that are looked at, the newest first: more than a workshop has open.
_RECENT = 200
# record: a board waits; plan: burn more; recommend: the burns will do; try: what was kept is out of
# date; none: it is kept.
Step = Literal["record", "plan", "recommend", "try", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairState:
    """Where one operation of a sheet stands on a machine."""

    machine: str
    sheet: str
    operation: Operation
    step: Step
    boards: tuple[Line, ...] = ()  # its boards, oldest first
    burns: int = 0  # as many coupons as its burns are worth
    kept: KeptSetting | None = None
    new_lot: bool = False  # the current lot was not burnt yet, others were

    @property
    def open(self) -> tuple[Line, ...]:
        """The boards that are still to be read, newest first."""
        return tuple(one for one in reversed(self.boards) if one.read < one.cells)

    @property
    def waiting(self) -> Line | None:
        """The newest board that is still to be read; None when none waits."""
        return self.open[0] if self.open else None


def pair_states(
    book: Book, *, machine: str | None = None, sheet: str | None = None
) -> tuple[PairState, ...]:
    """Where everything stands that was begun, what was touched last first; a sheet of which
    nothing was burnt yet stands with the machine that was used last."""
    kept = {
        (one.machine, one.sheet, one.operation): one for one in kept_settings(book, machine, sheet)
    }
    boards: dict[tuple[str, str, Operation], list[Line]] = {}
    for line in book.boards(Filters(machine=machine, sheet=sheet), limit=_RECENT).entries:
        key = (line.machine, line.sheet, cast(Operation, line.operation))
        boards.setdefault(key, []).insert(0, line)
    touched = {key: max(line.at for line in lines) for key, lines in boards.items()}
    touched |= {key: max(one.at, touched.get(key, one.at)) for key, one in kept.items()}
    keys = sorted(touched, key=lambda key: touched[key], reverse=True)
    found = []
    for key in keys:
        lines, in_use = tuple(boards.get(key, ())), kept.get(key)
        burns = book.burns(*key)
        step: Step
        if lines and lines[-1].read < lines[-1].cells:
            step = "record"
        elif in_use is not None:
            step = "try" if in_use.not_current else "none"
        else:
            step = "recommend" if will_do(burns) else "plan"
        lot = book.sheet(key[1]).lot
        found.append(
            PairState(
                machine=key[0],
                sheet=key[1],
                operation=key[2],
                step=step,
                boards=lines,
                burns=worth(burns),
                kept=in_use,
                new_lot=key[2] == "cut" and bool(burns) and not book.burns(*key, lot=lot),
            )
        )
    machines = [machine] if machine else [one.name for one in book.machines()]
    last = next((one.machine for one in found), machines[0] if machines else "")
    begun = {one.sheet for one in found}
    found += [
        PairState(machine=last, sheet=one.name, operation="cut", step="plan")
        for one in book.sheets()
        if last and one.name not in begun and sheet in (None, one.name)
    ]
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """What is open."""

    has_machine: bool
    pairs: tuple[PairState, ...]
    questions: int  # How much was said in two ways


def overview(book: Book) -> Overview:
    """Look at all that was begun in a logbook."""
    return Overview(
        has_machine=bool(book.machines()), pairs=pair_states(book), questions=len(book.questions())
    )
