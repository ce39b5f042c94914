"""What the fits and the track record read: burns, and what came out of stated chances."""

from __future__ import annotations

import functools
import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

import sqlalchemy as sa

from calib.logbook.boards import OF_CELL, Said, by_cell, grades_of, the_look
from calib.logbook.bodies import body_of
from calib.logbook.coding import read_time
from calib.logbook.entries import AdvisedJob, Forecast
from calib.logbook.events import outcome_of
from calib.logbook.ledger import Entry, entries, stands, with_state
from calib.logbook.room import Room, View
from calib.records import (
    COUPON_CORNER_MM,
    COUPON_MM,
    READ_OFF,
    Burn,
    Operation,
    Reading,
    Setting,
    stair_burn,
)

_CELL = ("power_pct", "speed_mm_s", "passes", "line_pitch_mm", "x_mm", "y_mm", "burn_order")
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

        Of a lot by its name, or burnt with a set-up by its id, where one is given. While two books
        differ on the set-up or the lot, those count that the shown one knew of.
        Raises LogbookError when machine or sheet aren't in the logbook.
        """
        with self.looking() as view:
            names, of_pair = view.names, view.names.pair(machine, sheet)
            boards = boards_with_cells(view, **of_pair)
            runs = runs_of(view, **of_pair)
        setups = names.machine(machine).known if setup is None else {setup}
        lots = names.sheet(sheet).known

        def counts(entry: Entry) -> bool:
            with_setup = setups is None or entry.body["setup"] in setups
            return with_setup and (lots is None or entry.body["lot"] in lots)

        found: list[Burn] = []
        for board, said in boards:
            fits = operation in (None, board.body["grid"]["operation"])
            if fits and names.code(board) not in without and lot in (None, names.lot(board)):
                found += [burn for look, burn in _burns_of(board, said) if counts(look)]
        for run in runs:
            if counts(run) and lot in (None, names.lot(run)):
                found += [b for b in body_of(run).burns if operation in (None, b.operation)]
        return tuple(found)

    def pairs(self, operation: Operation | None = None) -> tuple[tuple[str, str], ...]:
        """List the pairs of which something was recorded."""
        return tuple(sorted({pair for pair, _ in self._burnt(operation)}))

    def burnt_on(self) -> dict[str, str]:
        """Name the machine on which each sheet was burnt last, by the name of the sheet."""
        newest = sorted((at, machine, sheet) for (machine, sheet), at in self._burnt())
        return {sheet: machine for _, machine, sheet in newest}

    def _burnt(self, operation: Operation | None = None) -> Iterator[tuple[tuple[str, str], str]]:
        """The pairs of which something stands, and when the newest of it was said."""
        with self.looking() as view:
            names = view.names
            of_board = entries.c.kind == "board"
            burnt = sa.and_(entries.c.kind.in_(("look", *LOOSE)))
            if operation is not None:
                # No text in a body can look like a field.
                has = entries.c.body.contains(f'"operation":"{operation}"')
                boards = entries.c.about.in_(sa.select(entries.c.id).where(of_board, has))
                burnt = sa.and_(burnt, sa.or_(boards, has))
            columns = (entries.c.about, entries.c.machine, entries.c.sheet)
            query = sa.select(*columns, sa.func.max(entries.c.at)).select_from(with_state)
            found = view.connection.execute(query.where(stands, burnt).group_by(*columns)).all()
        for about, machine, sheet, at in found:
            if not {about, machine, sheet} & names.gone:
                yield (names.name(machine), names.name(sheet)), at

    def forecasts(
        self, *, machine: str | None = None, sheet: str | None = None, unread: bool = False
    ) -> tuple[Forecast, ...]:
        """List the chances that were forecast of cells, each with what came out."""
        with self.looking() as view:
            boards = boards_with_cells(view, **view.names.pair(machine, sheet))
        found = []
        for board, said in boards:
            for cell, events in sorted(board.body["forecasts"].items()):
                look = the_look(said.get(cell, {}))
                for event, chance in sorted(events.items()):
                    outcome = None if look is None else _outcome(event, grades_of(look))
                    if unread or outcome is not None:
                        forecast = Forecast(
                            chance=chance / 1000.0,
                            outcome=outcome,
                            event=event,
                            cell=cell,
                            board=view.names.code(board),
                            machine=view.names.name(board.machine),
                            sheet=view.names.name(board.sheet),
                            operation=board.body["grid"]["operation"],
                            at=read_time(board.at),
                            notes=tuple(board.body["grid"]["notes"]),
                        )
                        found.append(forecast)
        return tuple(found)

    def advised_jobs(
        self, *, machine: str | None = None, sheet: str | None = None
    ) -> tuple[AdvisedJob, ...]:
        """List the jobs that were run at a kept setting, with what had been stated of it.

        What was kept then counts, whatever is kept now.
        """
        with self.looking() as view:
            jobs = runs_of(view, "job", **view.names.pair(machine, sheet))
            kept = view.by_ids({job.body["kept"] for job in jobs} - {""})
        return tuple(
            AdvisedJob(
                advice=body_of(before).advice,
                advised_at=read_time(before.at),
                job=job.id,
                at=read_time(job.at),
                machine=view.names.name(job.machine),
                sheet=view.names.name(job.sheet),
                burns=body_of(job).burns,
            )
            for job in jobs
            if (before := kept.get(job.body["kept"])) is not None
            and before.is_valid
            and before.body["advice"] is not None
            and job.at >= before.at
        )


def runs_of(view: View, *kinds: str, **of: Any) -> list[Entry]:
    """Jobs and check strips that count, oldest first; by the values of columns."""
    found = view.read(kind=kinds or LOOSE, **of)
    return sorted(found, key=lambda entry: (entry.at, entry.id))


def boards_with_cells(view: View, **of: Any) -> list[tuple[Entry, dict[str, Said]]]:
    """Boards that count, oldest first, each with what stands of its cells; by columns.

    Of boards that were said to be the same the first is given, with what was said of all of them.
    """
    said: defaultdict[str, list[Entry]] = defaultdict(list)
    for entry in view.read(kind=OF_CELL, **of):
        said[view.names.first(entry.about)].append(entry)
    boards = [
        board
        for board in view.read(kind="board", earlier=True, **of)
        if board.id == view.names.first(board.id)
    ]
    boards.sort(key=lambda board: (board.at, board.slot))
    return [(board, by_cell(said.get(board.id, ()))) for board in boards]


def _burns_of(board: Entry, said: Mapping[str, Said]) -> Iterator[tuple[Entry, Burn]]:
    """Looks that count of a board's cells, in the order of burning, with the burns they saw."""
    grid = board.body["grid"]
    if grid.get("stair"):
        yield from _stair_of(grid, said)
        return
    for cell in sorted(grid["cells"], key=lambda one: one["burn_order"]):
        look = the_look(said.get(cell["label"], {}))
        if look is not None and any(value is not None for value in grades_of(look)):
            burn = Burn(
                operation=grid["operation"],
                session=look.body["session"],
                cut_length_mm=_cut_length_mm(grid["operation"], cell),
                source="job" if cell.get("path_mm") else "board",
                **{name: cell[name] for name in _CELL},
                **dict(zip(READ_OFF, grades_of(look), strict=True)),
            )
            yield look, burn


def _stair_of(grid: Any, said: Mapping[str, Said]) -> Iterator[tuple[Entry, Burn]]:
    """The one burn that the looks at a stair's steps are, with the first of them."""
    looks = [the_look(said.get(cell["label"], {})) for cell in grid["cells"]]
    through = [None if look is None else grades_of(look)[0] for look in looks]
    steps = [
        Setting(power_pct=c["power_pct"], speed_mm_s=c["speed_mm_s"], passes=c["passes"])
        for c in grid["cells"]
    ]
    first = next((look for look in looks if look is not None), None)
    fell = [None if grade is None else grade == "through" for grade in through]
    burn = stair_burn(steps, fell, first.body["session"] if first else "")
    if first is not None and burn is not None:
        yield first, burn


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
