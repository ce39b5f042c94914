"""What the fits and the track record read: burns, and what came out of stated chances."""

from __future__ import annotations

import functools
import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import sqlalchemy as sa

from calib.logbook.boards import cell_of
from calib.logbook.bodies import body_of, outcome_of
from calib.logbook.coding import read_time
from calib.logbook.entries import AdvisedJob, Forecast
from calib.logbook.ledger import Entry, entries, says
from calib.logbook.room import Room, View, grades_of
from calib.records import (
    COUPON_CORNER_MM,
    COUPON_MM,
    READ_OFF,
    Burn,
    Operation,
    Reading,
    Setting,
    marked_stair_burns,
    stair_burn,
)

_SETTING = ("power_pct", "speed_mm_s", "passes", "line_pitch_mm")
_CELL = (*_SETTING, "x_mm", "y_mm", "burn_order")
LOOSE = ("job", "check_strip")


class Evidence(Room):
    """What a logbook knows of pairs."""

    def burns(
        self,
        machine: str,
        sheet: str,
        operation: Operation | None = None,
        *,
        lot: str | None = None,
        setup: str | None = None,
        without: Sequence[str] = (),
    ) -> tuple[Burn, ...]:
        """List the burns of a pair as they count now: boards, jobs and check strips.

        ``lot`` is a name, ``setup`` an id. While two books differ on the set-up or the lot, those
        count that the shown one knew of. LogbookError when machine or sheet aren't there.
        """
        with self.looking() as view:
            names, of_pair = view.names, view.names.pair(machine, sheet)
            boards, looks = boards_of(view, **of_pair), looks_of(view, **of_pair)
            runs = runs_of(view, **of_pair)
        setups = names.machine(machine).known if setup is None else {setup}
        lots = names.sheet(sheet).known

        def counts(entry: Entry) -> bool:
            with_setup = setups is None or entry.body["setup"] in setups
            return with_setup and (lots is None or entry.body["lot"] in lots)

        found: list[Burn] = []
        for board in boards:
            fits = operation in (None, board.body["grid"]["operation"])
            if fits and names.code(board) not in without and lot in (None, names.lot(board)):
                burnt = _burns_of(board.body["grid"], looks[board.id])
                found += [burn for look, burn in burnt if counts(look)]
        for run in runs:
            if counts(run) and lot in (None, names.lot(run)):
                found += [b for b in body_of(run).burns if operation in (None, b.operation)]
        return tuple(found)

    def pairs(self, operation: Operation | None = None) -> tuple[tuple[str, str], ...]:
        """List the pairs of which something was recorded."""
        return tuple(sorted({(machine, sheet) for _, machine, sheet in self._burnt(operation)}))

    def burnt_on(self) -> dict[str, str]:
        """Name the machine on which each sheet was burnt last, by the name of the sheet."""
        return {sheet: machine for _, machine, sheet in sorted(self._burnt())}

    def _burnt(self, operation: Operation | None = None) -> Iterator[tuple[str, str, str]]:
        """When the newest was said that stands of each pair, with its machine and sheet."""
        burnt: sa.ColumnElement[bool] = entries.c.kind.in_(("look", *LOOSE))
        if operation is not None:
            has = says("operation", operation)
            boards = sa.select(entries.c.id).where(entries.c.kind == "board", has)
            burnt = sa.and_(burnt, sa.or_(entries.c.about.in_(boards), has))
        columns = (entries.c.machine, entries.c.sheet)
        with self.looking() as view:
            query = view.counting(sa.func.max(entries.c.at), *columns).where(burnt)
            found = view.connection.execute(query.group_by(*columns)).all()
        for at, machine, sheet in found:
            yield at, view.names.name(machine), view.names.name(sheet)

    def forecasts(
        self, *, machine: str | None = None, sheet: str | None = None, unread: bool = False
    ) -> tuple[Forecast, ...]:
        """List the chances that were forecast of cells, each with what came out."""
        with self.looking() as view:
            of = view.names.pair(machine, sheet)
            boards, looks = boards_of(view, **of), looks_of(view, **of)
        found = []
        for board in boards:
            code, notes = view.names.code(board), tuple(board.body["grid"]["notes"])
            for cell, events in sorted(board.body["forecasts"].items()):
                look = looks[board.id].get(cell)
                for event, chance in sorted(events.items()):
                    came = None if look is None else _outcome(event, grades_of(look))
                    of = {"event": event, "board": code, "cell": cell, "notes": notes}
                    found.append(Forecast(chance=chance / 1000.0, outcome=came, **of))
        return tuple(one for one in found if unread or one.outcome is not None)

    def advised_jobs(
        self, *, machine: str | None = None, sheet: str | None = None
    ) -> tuple[AdvisedJob, ...]:
        """List the jobs run at a setting that was kept then, with what had been stated of it."""
        with self.looking() as view:
            jobs = runs_of(view, "job", **view.names.pair(machine, sheet))
            kept = view.by_ids({job.body["kept"] for job in jobs} - {""})
        found = []
        for job in jobs:
            before = kept.get(job.body["kept"])
            if before and before.is_valid and before.body["advice"] and job.at >= before.at:
                advice, at = body_of(before).advice, read_time(before.at)
                burns = body_of(job).burns
                found.append(AdvisedJob(advice=advice, advised_at=at, job=job.id, burns=burns))
        return tuple(found)


def runs_of(view: View, *kinds: str, **of: Any) -> list[Entry]:
    """Jobs and check strips that count, oldest first; by the values of columns."""
    found = view.read(kind=kinds or LOOSE, **of)
    return sorted(found, key=lambda entry: (entry.at, entry.id))


def boards_of(view: View, **of: Any) -> list[Entry]:
    """Boards that count, oldest first; of those that were said to be the same the first."""
    found = view.read(kind="board", earlier=True, **of)
    first = [board for board in found if board.id == view.names.first(board.id)]
    return sorted(first, key=lambda board: (board.at, board.slot))


def looks_of(view: View, **of: Any) -> Mapping[str, Mapping[str, Entry]]:
    """The look that counts of each cell, by the first id of its board and by its code."""
    looks: defaultdict[str, dict[str, Entry]] = defaultdict(dict)
    for look in view.clear(view.read(kind="look", **of)):
        looks[view.names.first(look.about)][cell_of(look)] = look
    return looks


def _burns_of(grid: Any, looks: Mapping[str, Entry]) -> Iterator[tuple[Entry, Burn]]:
    """Looks that count of a board's cells, in the order of burning, with the burns they saw."""
    if grid.get("stair"):
        yield from _stair_of(grid, looks)
        return
    for cell in sorted(grid["cells"], key=lambda one: one["burn_order"]):
        look = looks.get(cell["label"])
        if look is not None and any(value is not None for value in grades_of(look)):
            burn = Burn(
                operation=grid["operation"],
                session=look.body["session"],
                cut_length_mm=_cut_length_mm(grid["operation"], cell),
                air=grid.get("air"),
                char_at=look.body.get("char_at"),
                source="job" if cell.get("path_mm") else "board",
                **{name: cell[name] for name in _CELL},
                **dict(zip(READ_OFF, grades_of(look), strict=True)),
            )
            yield look, burn


def _stair_of(grid: Any, said: Mapping[str, Entry]) -> Iterator[tuple[Entry, Burn]]:
    """The burns that the looks at a stair's steps are, of a cut only one, with the first look."""
    looks = [said.get(cell["label"]) for cell in grid["cells"]]
    first = next((look for look in looks if look is not None), None)
    if first is None:
        return
    read = [(None,) * len(READ_OFF) if look is None else grades_of(look) for look in looks]
    through, _, marks = zip(*read, strict=True)
    steps = [Setting(**{name: cell[name] for name in _SETTING}) for cell in grid["cells"]]
    session = first.body["session"]
    if grid["operation"] != "cut":
        for burn in marked_stair_burns(grid["operation"], steps, marks, session):
            yield first, replace(burn, air=grid.get("air"))
        return
    fell = [None if grade is None else grade == "through" for grade in through]
    if (cut := stair_burn(steps, fell, session)) is not None:
        yield first, replace(cut, air=grid.get("air"))


def _cut_length_mm(operation: str, cell: Mapping[str, Any]) -> float | None:
    """Cut path of a cell [mm]; None for the standard coupon, and for marks."""
    if path := cell.get("path_mm"):
        return sum(math.dist(a, b) for a, b in pairwise(path))
    width, height = cell["width_mm"], cell["height_mm"]
    if operation != "cut" or (width, height) == (COUPON_MM, COUPON_MM):
        return None
    corner = min(COUPON_CORNER_MM, width / 2.0, height / 2.0)
    return float(2.0 * (width + height) - (8.0 - 2.0 * math.pi) * corner)


@functools.lru_cache(maxsize=1000)
def _outcome(event: str, grades: tuple[Any, ...]) -> bool | None:
    return outcome_of(event, Reading(cell="any", **dict(zip(READ_OFF, grades, strict=True))))
