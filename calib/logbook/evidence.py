"""What the fits and the track record read: burns, forecasts with outcomes, the full history."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.logbook.coding import read_time, write_time
from calib.logbook.entries import Forecast, PromisedJob
from calib.logbook.events import outcome_of
from calib.logbook.promises import promise_from
from calib.logbook.readings import reading_from
from calib.logbook.room import Room, Row, find_machine, find_sheet, last_of, rows_of, still_counts
from calib.logbook.runs import burn_from
from calib.logbook.tables import (
    boards,
    cells,
    forecasts,
    machines,
    promises,
    readings,
    run_burns,
    runs,
    sheets,
)
from calib.records import COUPON_CORNER_MM, COUPON_MM, Burn, Operation

_CELL = ("power_pct", "speed_mm_s", "passes", "line_pitch_mm", "x_mm", "y_mm", "burn_order")
_GRADES = ("through", "char", "mark")


class Evidence(Room):
    """What a logbook knows of pairs."""

    def burns(
        self,
        machine: str,
        sheet: str,
        operation: Operation | None = None,
        *,
        lot: str | None = None,
        since: datetime | None = None,
        without_board: str | None = None,
        without_boards: Sequence[str] = (),
    ) -> tuple[Burn, ...]:
        """List the burns of a pair as they count now: boards, jobs and check strips.

        Raises LogbookError when machine or sheet aren't in the logbook.
        """
        with self.look() as connection:
            pair = find_machine(connection, machine)["id"], find_sheet(connection, sheet)["id"]
            query, loose = _board_burns(pair), _run_burns(pair)
            if operation is not None:
                query = query.where(boards.c.operation == operation)
                loose = loose.where(run_burns.c.operation == operation)
            if lot is not None:
                query, loose = query.where(boards.c.lot == lot), loose.where(runs.c.lot == lot)
            if since is not None:
                at = write_time(since)
                query, loose = query.where(readings.c.at >= at), loose.where(runs.c.at >= at)
            if without_board is not None:
                query = query.where(boards.c.code != without_board)
            if without_boards:
                query = query.where(boards.c.code.not_in(without_boards))
            found = [_burn_of_cell(row) for row in rows_of(connection, query)]
            return (*found, *(burn_from(row) for row in rows_of(connection, loose)))

    def pairs(self, operation: Operation | None = None) -> tuple[tuple[str, str], ...]:
        """List the pairs of which something was taken down."""
        some_grade = sa.or_(*[readings.c[name].is_not(None) for name in _GRADES])
        on_boards = (
            sa
            .select(boards.c.machine_id, boards.c.sheet_id)
            .join(readings, readings.c.board_id == boards.c.id)
            .where(last_of(readings, "board_id", "cell"), some_grade)
        )
        loose = sa.select(runs.c.machine_id, runs.c.sheet_id).where(still_counts(runs.c.id))
        if operation is not None:
            on_boards = on_boards.where(boards.c.operation == operation)
            loose = loose.where(runs.c.operation == operation)
        found = sa.union(on_boards, loose).subquery()
        query = (
            sa
            .select(machines.c.name, sheets.c.name.label("sheet"))
            .join(found, found.c.machine_id == machines.c.id)
            .join(sheets, sheets.c.id == found.c.sheet_id)
        )
        with self.look() as connection:
            return tuple(sorted((row["name"], row["sheet"]) for row in rows_of(connection, query)))

    def burnt_on(self) -> dict[str, str]:
        """Name the machine on which each sheet was burnt last, by the name of the sheet."""
        some_grade = sa.or_(*[readings.c[name].is_not(None) for name in _GRADES])
        on_boards = (
            sa
            .select(boards.c.machine_id, boards.c.sheet_id, readings.c.at)
            .join(readings, readings.c.board_id == boards.c.id)
            .where(last_of(readings, "board_id", "cell"), some_grade)
        )
        loose = sa.select(runs.c.machine_id, runs.c.sheet_id, runs.c.at)
        found = sa.union(on_boards, loose.where(still_counts(runs.c.id))).subquery()
        query = (
            sa
            .select(sheets.c.name.label("sheet"), machines.c.name)
            .join(found, found.c.machine_id == machines.c.id)
            .join(sheets, sheets.c.id == found.c.sheet_id)
            .order_by(found.c.at, machines.c.name)
        )
        with self.look() as connection:
            return {row["sheet"]: row["name"] for row in rows_of(connection, query)}

    def forecasts(
        self, *, machine: str | None = None, sheet: str | None = None, unread: bool = False
    ) -> tuple[Forecast, ...]:
        """List the chances that were forecast of cells, each with what came out."""
        query = _forecast_query()
        query = query.where(machines.c.name == machine) if machine is not None else query
        query = query.where(sheets.c.name == sheet) if sheet is not None else query
        with self.look() as connection:
            found = [_forecast_from(row) for row in rows_of(connection, query)]
        return tuple(forecast for forecast in found if unread or forecast.outcome is not None)

    def promised_jobs(
        self, *, machine: str | None = None, sheet: str | None = None
    ) -> tuple[PromisedJob, ...]:
        """List the jobs that were run on a promise, each with the promise and what came out."""
        query = _promised_query()
        query = query.where(machines.c.name == machine) if machine is not None else query
        query = query.where(sheets.c.name == sheet) if sheet is not None else query
        with self.look() as connection:
            rows = rows_of(connection, query)
            ids = {row["run_id"] for row in rows}
            burns = (
                sa
                .select(run_burns)
                .where(run_burns.c.run_id.in_(ids))
                .order_by(run_burns.c.run_id, run_burns.c.position)
            )
            by_run: dict[str, list[Burn]] = {}
            for row in rows_of(connection, burns):
                by_run.setdefault(row["run_id"], []).append(burn_from(row))
        return tuple(
            PromisedJob(
                promise=promise_from(row),
                promised_at=read_time(row["at"]),
                job=row["run_id"],
                at=read_time(row["run_at"]),
                machine=row["machine"],
                sheet=row["sheet"],
                burns=tuple(by_run[row["run_id"]]),
            )
            for row in rows
        )


def _promised_query() -> sa.Select[Any]:
    return (
        sa
        .select(promises, runs.c.id.label("run_id"), runs.c.at.label("run_at"))
        .add_columns(machines.c.name.label("machine"), sheets.c.name.label("sheet"))
        .join(runs, runs.c.promise_id == promises.c.id)
        .join(machines, machines.c.id == promises.c.machine_id)
        .join(sheets, sheets.c.id == promises.c.sheet_id)
        .where(still_counts(runs.c.id), runs.c.at >= promises.c.at)
        .order_by(runs.c.at, runs.c.id)
    )


def _board_burns(pair: tuple[str, str]) -> sa.Select[Any]:
    return (
        sa
        .select(boards.c.operation, cells.c.width_mm, cells.c.height_mm, readings.c.sitting)
        .add_columns(*[cells.c[name] for name in _CELL], *[readings.c[name] for name in _GRADES])
        .join(cells, cells.c.board_id == boards.c.id)
        .join(
            readings,
            sa.and_(readings.c.board_id == cells.c.board_id, readings.c.cell == cells.c.label),
        )
        .where(boards.c.machine_id == pair[0], boards.c.sheet_id == pair[1])
        .where(last_of(readings, "board_id", "cell"))
        .where(sa.or_(*[readings.c[name].is_not(None) for name in _GRADES]))
        .order_by(boards.c.planned_at, boards.c.code, cells.c.burn_order, cells.c.position)
    )


def _run_burns(pair: tuple[str, str]) -> sa.Select[Any]:
    return (
        sa
        .select(run_burns)
        .join(runs, runs.c.id == run_burns.c.run_id)
        .where(runs.c.machine_id == pair[0], runs.c.sheet_id == pair[1], still_counts(runs.c.id))
        .order_by(runs.c.at, runs.c.id, run_burns.c.position)
    )


def _burn_of_cell(row: Row) -> Burn:
    names = (*_CELL, *_GRADES, "operation", "sitting")
    return Burn(**{name: row[name] for name in names}, cut_length_mm=_cut_length_mm(row))


def _cut_length_mm(row: Row) -> float | None:
    """Cut path of a coupon [mm]; None for the standard one, and for marks."""
    width, height = row["width_mm"], row["height_mm"]
    if row["operation"] != "cut" or (width, height) == (COUPON_MM, COUPON_MM):
        return None
    corner = min(COUPON_CORNER_MM, width / 2.0, height / 2.0)
    return float(2.0 * (width + height) - (8.0 - 2.0 * math.pi) * corner)


def _forecast_query() -> sa.Select[Any]:
    on_cell = sa.and_(
        readings.c.board_id == forecasts.c.board_id,
        readings.c.cell == forecasts.c.cell,
        last_of(readings, "board_id", "cell"),
    )
    names = ["through", "char", "mark", "note", "width_mm", "height_mm"]
    return (
        sa
        .select(forecasts.c.cell, forecasts.c.event, forecasts.c.chance)
        .add_columns(boards.c.code, boards.c.operation, boards.c.planned_at)
        .add_columns(machines.c.name.label("machine"), sheets.c.name.label("sheet"))
        .add_columns(*[readings.c[name] for name in names])
        .join(boards, boards.c.id == forecasts.c.board_id)
        .join(machines, machines.c.id == boards.c.machine_id)
        .join(sheets, sheets.c.id == boards.c.sheet_id)
        .outerjoin(readings, on_cell)
        .order_by(boards.c.planned_at, boards.c.code, forecasts.c.cell, forecasts.c.event)
    )


def _forecast_from(row: Row) -> Forecast:
    reading = reading_from({**row, "note": row["note"] or ""})
    return Forecast(
        chance=row["chance"],
        outcome=outcome_of(row["event"], reading),
        event=row["event"],
        board=row["code"],
        cell=row["cell"],
        machine=row["machine"],
        sheet=row["sheet"],
        operation=row["operation"],
        at=read_time(row["planned_at"]),
    )
