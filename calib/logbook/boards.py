"""Boards with every planned cell and what was forecast of it."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from calib.errors import InvalidRecord, LogbookError
from calib.logbook.coding import check_text, read_json, stable_id, write_record, write_time
from calib.logbook.events import check_event
from calib.logbook.room import (
    Room,
    Row,
    add_change,
    find_board,
    find_machine,
    find_sheet,
    machine_from,
    rows_of,
    sheet_from,
)
from calib.logbook.tables import boards, cells, forecasts
from calib.records import Cell, Grid, Setting

Forecasts = Mapping[str, Mapping[str, float]]


class Boards(Room):
    """The planned boards of a logbook."""

    def add_board(self, grid: Grid, *, when: datetime, forecasts: Forecasts | None = None) -> None:
        """Take a planned board into the logbook; the same one again adds nothing.

        Raises LogbookError when another board has this code, or machine or sheet aren't in the
        logbook; InvalidRecord when two cells have one label, or a forecast isn't of a cell, a known
        event, a chance.
        """
        at = write_time(when)
        check_text("board_id", grid.board_id, longest=40)
        check_cells(grid)
        chances = _check_forecasts(grid, forecasts or {})
        with self.change() as connection:
            known = sa.select(boards.c.id).where(boards.c.code == grid.board_id)
            if connection.execute(known).scalar() is not None:
                _check_same(grid, grid_of(connection, find_board(connection, grid.board_id)))
                return
            machine = find_machine(connection, grid.machine.name)
            sheet = find_sheet(connection, grid.sheet.name)
            add_grid(connection, grid, (machine["id"], sheet["id"]), at, chances)

    def board(self, board_id: str) -> Grid:
        """Look a planned board up.

        Raises LogbookError when there is none.
        """
        with self.look() as connection:
            return grid_of(connection, find_board(connection, board_id))


def check_cells(grid: Grid) -> None:
    """Check each cell: a setting that can be typed and fits the board, a label, a place on it.

    A cell doesn't check itself; its setting does when it is made.
    """
    labels = [cell.label for cell in grid.cells]
    for cell in grid.cells:
        label = check_text("cell", cell.label, longest=8)
        _ = cell.setting
        where = f"cell {label!r} of board {grid.board_id!r}"
        if (grid.operation == "area_mark") != (cell.line_pitch_mm is not None):
            raise InvalidRecord(
                f"{where} has line_pitch_mm {cell.line_pitch_mm!r}, the board is of operation"
                f" {grid.operation!r}: area marks have one, nothing else has."
            )
        for start, length, most in (
            (cell.x_mm, cell.width_mm, grid.board_mm[0]),
            (cell.y_mm, cell.height_mm, grid.board_mm[1]),
        ):
            if not (0.0 <= start and length > 0.0 and start + length <= most + 0.001):
                raise InvalidRecord(
                    f"{where} lies from {start:g} to {start + length:g} mm, the board from 0 to"
                    f" {most:g} mm."
                )
        for name in ("burn_order", "block"):
            if not 1 <= getattr(cell, name) <= 10_000:
                raise InvalidRecord(f"{where} has {name} {getattr(cell, name)!r}: from 1 to 10000.")
        if labels.count(label) > 1:
            raise InvalidRecord(f"cell {label!r} stands twice on board {grid.board_id!r}.")


def _check_forecasts(grid: Grid, given: Forecasts) -> list[dict[str, Any]]:
    labels = {cell.label for cell in grid.cells}
    rows = []
    for label, events in given.items():
        if label not in labels:
            raise InvalidRecord(
                f"a forecast is given for cell {label!r}: board {grid.board_id!r} has"
                f" {', '.join(sorted(labels))}."
            )
        for event, chance in events.items():
            check_event(event)
            value = float(chance)
            if not 0.0 <= value <= 1.0:
                raise InvalidRecord(f"the chance of {event!r} is {chance!r}: give 0 to 1.")
            rows.append({"cell": label, "event": event, "chance": value})
    return rows


def _check_same(given: Grid, known: Grid) -> None:
    if given != known:
        raise LogbookError(
            f"Another board {given.board_id!r} is in the logbook, with other cells or for another"
            " machine or sheet: plan this one anew."
        )


def add_grid(
    connection: sa.Connection,
    grid: Grid,
    pair: tuple[str, str],
    at: str,
    chances: Sequence[Row],
) -> None:
    """Add a board with its cells and forecasts; the pair is the ids of machine and sheet."""
    machine_id, sheet_id = pair
    row = board_row(grid, pair, at)
    change = add_change(
        connection,
        "board",
        at,
        [row["id"]],
        machine_id=machine_id,
        sheet_id=sheet_id,
        board_id=row["id"],
    )
    connection.execute(boards.insert().values(**row, change_id=change))
    connection.execute(cells.insert(), cell_rows(grid, row["id"]))
    if chances:
        connection.execute(
            forecasts.insert(), [{**chance, "board_id": row["id"]} for chance in chances]
        )


def board_row(grid: Grid, pair: tuple[str, str], at: str) -> dict[str, Any]:
    """Write a grid as the row of a board."""
    machine_id, sheet_id = pair
    label = dataclasses.asdict(grid.label_setting)
    return {
        "id": stable_id("board", machine_id, sheet_id, grid),
        "code": grid.board_id,
        "machine_id": machine_id,
        "sheet_id": sheet_id,
        "planned_at": at,
        "operation": grid.operation,
        "round": grid.round,
        "board_width_mm": grid.board_mm[0],
        "board_height_mm": grid.board_mm[1],
        "machine": write_record(grid.machine),
        "sheet": write_record(grid.sheet),
        "lot": grid.sheet.lot,
        **{f"label_{name}": value for name, value in label.items()},
        "notes": json.dumps(list(grid.notes), ensure_ascii=False),
    }


def cell_rows(grid: Grid, board_id: str) -> list[dict[str, Any]]:
    """Write the cells of a grid as rows, in their order."""
    return [
        {"board_id": board_id, "position": position, **dataclasses.asdict(cell)}
        for position, cell in enumerate(grid.cells)
    ]


def cell_from(row: Row) -> Cell:
    """Make the cell of a row."""
    return Cell(**{field.name: row[field.name] for field in dataclasses.fields(Cell)})


def grid_of(connection: sa.Connection, board: Row) -> Grid:
    """Read the whole grid of a board that `find_board` found."""
    query = sa.select(cells).where(cells.c.board_id == board["id"]).order_by(cells.c.position)
    return grid_from(board, rows_of(connection, query))


def grid_from(board: Row, cell_rows: Sequence[Row]) -> Grid:
    """Make the grid of a board's row and its cells' rows."""
    label = {field.name: board[f"label_{field.name}"] for field in dataclasses.fields(Setting)}
    return Grid(
        board_id=board["code"],
        machine=machine_from({"record": board["machine"], "name": board["machine_name"]}),
        sheet=sheet_from({"record": board["sheet"], "name": board["sheet_name"]}),
        operation=board["operation"],
        round=board["round"],
        board_mm=(board["board_width_mm"], board["board_height_mm"]),
        cells=tuple(cell_from(row) for row in cell_rows),
        label_setting=Setting(**label),
        notes=tuple(read_json(board["notes"])),
    )
