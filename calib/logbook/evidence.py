"""What the fits and the track record read: burns, and what came out of stated chances."""

from __future__ import annotations

import functools
import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from calib.logbook import ledger
from calib.logbook.boards import OF_CELL, Said, by_cell, grades_of, says_nothing, the_look
from calib.logbook.bodies import Run, body_of
from calib.logbook.coding import read_time
from calib.logbook.entries import AdvisedJob, Forecast
from calib.logbook.events import outcome_of
from calib.logbook.ledger import Entry, entries, stands, with_state
from calib.logbook.room import Directory, Room, code_of, counting
from calib.logbook.runs import lot_of, of_pair
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
_LOOSE = ("job", "check_strip")


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
        with self.looking() as (connection, directory):
            where = of_pair(connection, directory, machine, sheet)
            boards = boards_with_cells(connection, directory, where)
            loose = ledger.read(connection, entries.c.kind.in_(_LOOSE), *where)
            codes = {board.id: code_of(directory, connection, board) for board, _ in boards}
        knows = _Known(directory, machine, sheet, setup)
        found = [
            burn
            for board, said in boards
            if codes[board.id] not in without
            and operation in (None, board.body["grid"]["operation"])
            and lot in (None, lot_of(directory, board))
            for burn in _burns_of(board, said, knows)
        ]
        for entry in sorted(loose, key=lambda one: (one.at, one.id)):
            if knows.counts(entry.body) and lot in (None, lot_of(directory, entry)):
                run: Run = body_of(entry)
                found += [burn for burn in run.burns if operation in (None, burn.operation)]
        return tuple(found)

    def pairs(self, operation: Operation | None = None) -> tuple[tuple[str, str], ...]:
        """List the pairs of which something was recorded."""
        with self.looking() as (connection, directory):
            found = _burnt(connection, directory, operation)
        names = {(directory.name(machine), directory.name(sheet)) for machine, sheet, _ in found}
        return tuple(sorted(names))

    def burnt_on(self) -> dict[str, str]:
        """Name the machine on which each sheet was burnt last, by the name of the sheet."""
        with self.looking() as (connection, directory):
            found = _burnt(connection, directory, None)
        named = sorted((at, directory.name(machine), sheet) for machine, sheet, at in found)
        return {directory.name(sheet): machine for _, machine, sheet in named}

    def forecasts(
        self, *, machine: str | None = None, sheet: str | None = None, unread: bool = False
    ) -> tuple[Forecast, ...]:
        """List the chances that were forecast of cells, each with what came out."""
        with self.looking() as (connection, directory):
            where = of_pair(connection, directory, machine, sheet)
            boards = boards_with_cells(connection, directory, where)
            codes = {board.id: code_of(directory, connection, board) for board, _ in boards}
        return tuple(
            forecast
            for board, said in boards
            for forecast in _forecasts(directory, board, said, codes[board.id])
            if unread or forecast.outcome is not None
        )

    def advised_jobs(
        self, *, machine: str | None = None, sheet: str | None = None
    ) -> tuple[AdvisedJob, ...]:
        """List the jobs that were run at a kept setting, with what had been stated of it.

        What was kept then counts, whatever is kept now.
        """
        with self.looking() as (connection, directory):
            where = of_pair(connection, directory, machine, sheet)
            jobs = ledger.read(connection, entries.c.kind == "job", *where)
            ids = {job.body["kept"] for job in jobs} - {""}
            kept = {
                key: entry
                for key, entry in ledger.by_ids(connection, ids).items()
                if entry.is_valid and entry.body["advice"] is not None
            }
        return tuple(
            AdvisedJob(
                advice=body_of(before).advice,
                advised_at=read_time(before.at),
                job=job.id,
                at=read_time(job.at),
                machine=directory.name(job.machine),
                sheet=directory.name(job.sheet),
                burns=body_of(job).burns,
            )
            for job in sorted(jobs, key=lambda one: (one.at, one.id))
            if (before := kept.get(job.body["kept"])) is not None and job.at >= before.at
        )


class _Known:
    """Which burns count: of one set-up, or while two books differ on the set-up or the lot."""

    def __init__(
        self, directory: Directory, machine: str, sheet: str, setup: str | None = None
    ) -> None:
        known = directory.machines[machine].known
        self.setups = known if setup is None else frozenset([setup])
        self.lots = directory.sheets[sheet].known

    def counts(self, body: Mapping[str, Any]) -> bool:
        """True when the set-up and the lot that a body names are known to the current ones."""
        return (self.setups is None or body["setup"] in self.setups) and (
            self.lots is None or body["lot"] in self.lots
        )


def boards_with_cells(
    connection: sa.Connection, directory: Directory, where: Sequence[sa.ColumnElement[bool]]
) -> list[tuple[Entry, dict[str, Said]]]:
    """Boards that count, oldest first, each with what stands of its cells.

    Of boards that were said to be the same the first is given, with what was said of all of them.
    """
    found = ledger.read(connection, entries.c.kind == "board", *where, all=True)
    said = said_of_boards(connection, directory, OF_CELL, where)
    boards = [
        board
        for board in found
        if board.is_valid and board.id == min(directory.same.get(board.id, (board.id,)))
    ]
    boards.sort(key=lambda board: (board.at, board.slot))
    return [(board, by_cell(said.get(board.id, ()))) for board in boards]


def said_of_boards(
    connection: sa.Connection,
    directory: Directory,
    kinds: Sequence[str],
    where: Sequence[sa.ColumnElement[bool]],
) -> Mapping[str, list[Entry]]:
    """What stands of the cells of boards, by the first id of each."""
    said: defaultdict[str, list[Entry]] = defaultdict(list)
    for entry in ledger.read(connection, entries.c.kind.in_(kinds), *where):
        said[min(directory.same.get(entry.about, (entry.about,)))].append(entry)
    return said


def _burns_of(board: Entry, said: Mapping[str, Said], knows: _Known) -> Iterator[Burn]:
    grid = board.body["grid"]
    if grid.get("stair"):
        yield from _stair_of(grid, said, knows)
        return
    cells = sorted(enumerate(grid["cells"]), key=lambda one: (one[1]["burn_order"], one[0]))
    for _, cell in cells:
        look = the_look(said.get(cell["label"], {}))
        if look is None or all(value is None for value in grades_of(look)):
            continue
        if knows.counts(look.body):
            yield Burn(
                operation=grid["operation"],
                session=look.body["session"],
                cut_length_mm=_cut_length_mm(grid["operation"], cell),
                **{name: cell[name] for name in _CELL},
                **dict(zip(READ_OFF, grades_of(look), strict=True)),
            )


def _stair_of(grid: Any, said: Mapping[str, Said], knows: _Known) -> Iterator[Burn]:
    """The one burn that the readings of a stair's steps are."""
    looks = [the_look(said.get(cell["label"], {})) for cell in grid["cells"]]
    told = [look if look is not None and knows.counts(look.body) else None for look in looks]
    through = [None if look is None else grades_of(look)[0] for look in told]
    steps = [
        Setting(power_pct=c["power_pct"], speed_mm_s=c["speed_mm_s"], passes=c["passes"])
        for c in grid["cells"]
    ]
    sessions = [look.body["session"] for look in told if look is not None]
    burn = stair_burn(
        steps,
        [None if grade is None else grade == "through" for grade in through],
        sessions[0] if sessions else "",
    )
    if burn is not None:
        yield burn


def _cut_length_mm(operation: str, cell: Mapping[str, Any]) -> float | None:
    """Cut path of a coupon [mm]; None for the standard one, and for marks."""
    width, height = cell["width_mm"], cell["height_mm"]
    if operation != "cut" or (width, height) == (COUPON_MM, COUPON_MM):
        return None
    corner = min(COUPON_CORNER_MM, width / 2.0, height / 2.0)
    return float(2.0 * (width + height) - (8.0 - 2.0 * math.pi) * corner)


def _burnt(
    connection: sa.Connection, directory: Directory, operation: Operation | None
) -> list[tuple[str, str, str]]:
    """Ids of the pairs of which something stands, and when the newest of it was said."""
    pair = (entries.c.machine, entries.c.sheet)
    query = sa.select(*pair, sa.func.max(entries.c.at)).select_from(with_state).group_by(*pair)
    query = query.where(stands, *counting(directory))
    looks = query.where(entries.c.kind == "look", sa.not_(says_nothing()))
    loose = query.where(entries.c.kind.in_(_LOOSE))
    if operation is not None:
        has = f'"operation":"{operation}"'
        of_kind = sa.select(entries.c.id).where(
            entries.c.kind == "board", entries.c.body.contains(has)
        )
        looks = looks.where(entries.c.about.in_(of_kind))
        loose = loose.where(entries.c.body.contains(has))
    return [
        (machine, sheet, at)
        for part in (looks, loose)
        for machine, sheet, at in connection.execute(part)
    ]


@functools.lru_cache(maxsize=1000)
def _outcome(event: str, grades: tuple[Any, ...]) -> bool | None:
    return outcome_of(event, Reading(cell="any", **dict(zip(READ_OFF, grades, strict=True))))


def _forecasts(
    directory: Directory, board: Entry, said: Mapping[str, Said], code: str
) -> Iterator[Forecast]:
    of_board: dict[str, Any] = {
        "board": code,
        "machine": directory.name(board.machine),
        "sheet": directory.name(board.sheet),
        "operation": board.body["grid"]["operation"],
        "at": read_time(board.at),
        "notes": tuple(board.body["grid"]["notes"]),
    }
    for cell, events in sorted(board.body["forecasts"].items()):
        look = the_look(said.get(cell, {}))
        for event, chance in sorted(events.items()):
            outcome = _outcome(event, (None,) * len(READ_OFF) if look is None else grades_of(look))
            yield Forecast(
                chance=chance / 1000.0, outcome=outcome, event=event, cell=cell, **of_board
            )
