"""Check an exchange document as a whole before anything of it is stored."""

from __future__ import annotations

import binascii
import functools
import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

from calib.errors import BadFile, InvalidRecord, shown
from calib.logbook.boards import check_cells, grid_from
from calib.logbook.coding import record_from_json, write_time
from calib.logbook.events import check_event
from calib.logbook.keeping import check_kept
from calib.logbook.layout import FORMAT, VERSION, Document, read_rows
from calib.logbook.notes import check_filename, media_type_of
from calib.logbook.promises import promise_from, setting_from
from calib.logbook.readings import reading_from
from calib.logbook.runs import burn_from, kind_of
from calib.logbook.schema import SCHEMA_FILE
from calib.records import Machine, Sheet

Rows = dict[str, list[dict[str, Any]]]

# Texts that no database of ours takes, or that break a line of a list.
_BAD_TEXT = re.compile("[\x00-\x09\x0b-\x1f\ud800-\udfff]")
# No length, speed, count or sum of money is larger.
_MOST = 1e9
_REFERENCES = {
    "machine_id": "machines",
    "sheet_id": "sheets",
    "board_id": "boards",
    "change_id": "changes",
    "setup_id": "setups",
    "promise_id": "promises",
}


def read_document(text: str) -> Document:
    """Read the text of an exchange file.

    Raises BadFile when it isn't JSON, or no object.
    """
    try:
        document = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise BadFile(f"The file isn't JSON ({error}): export the other logbook again.") from None
    if not isinstance(document, dict):
        raise BadFile("The file holds no logbook: export the other logbook again.")
    return document


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number")


def checked_rows(document: Document) -> Rows:
    """Check a document and read it into rows.

    Raises BadFile when it is no logbook, of a newer version, or anything in it isn't allowed.
    """
    _check_head(document)
    _check_schema(document)
    _check_texts(document)
    _check_numbers(document)
    try:
        rows = read_rows(document)
        _check_references(rows)
        for check in (_check_changes, _check_machines, _check_sheets, _check_boards, _check_rest):
            check(rows)
    except (InvalidRecord, binascii.Error, ValueError) as error:
        raise BadFile(f"The file can't be taken: {error} Nothing of it was stored.") from None
    return rows


def _check_head(document: Document) -> None:
    if document.get("format") != FORMAT:
        raise BadFile(f"The file's format is {document.get('format')!r}: give a calib logbook.")
    if document.get("version") != VERSION:
        raise BadFile(
            f"The file is of version {document.get('version')!r}, this program reads {VERSION}:"
            " bring calib up to date."
        )


@functools.cache
def _validator() -> Any:
    import jsonschema  # only wanted for an import

    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    return jsonschema.Draft202012Validator(schema)


def _check_schema(document: Document) -> None:
    try:
        error = next(_validator().iter_errors(document), None)
    except RecursionError:
        raise BadFile("The file is nested too deeply: export the other logbook again.") from None
    if error is not None:
        where = "/".join(str(step) for step in error.absolute_path) or "its top"
        said = error.message if len(error.message) <= 200 else error.message[:200] + "…"
        raise BadFile(f"The file doesn't fit the schema at {where}: {said}. Nothing was stored.")


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, (list, tuple)):
        for part in value:
            yield from _texts(part)
    elif isinstance(value, dict):
        for part in value.values():
            yield from _texts(part)


def _check_texts(document: Document) -> None:
    for text in _texts(document):
        if _BAD_TEXT.search(text):
            raise BadFile(
                f"The text {text[:60]!r} in the file holds a character that can't be kept."
                " Nothing was stored."
            )


def _check_numbers(document: Document) -> None:
    for place, number in _numbers(document):
        if not abs(number) <= _MOST:
            said = "/".join(map(str, place))
            raise BadFile(
                f"This document has {shown(number)} at {said}: numbers go up to {_MOST:g}."
                " Nothing was stored."
            )


def _numbers(value: Any, place: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], float]]:
    if isinstance(value, (int, float)):
        yield place, value
    elif isinstance(value, (list, dict)):
        parts = value.items() if isinstance(value, dict) else enumerate(value)
        for step, part in parts:
            yield from _numbers(part, (*place, step))


def _check_changes(rows: Rows) -> None:
    """An undo takes back an earlier change, of the same things."""
    known = {row["id"]: row for row in rows["changes"]}
    earlier: set[str] = set()
    for row in rows["changes"]:
        earlier.add(row["id"])
        target = known.get(row["undoes"])
        if row["undoes"] is None or target is None:
            continue
        if row["undoes"] == row["id"] or target["id"] not in earlier:
            raise InvalidRecord(
                f"change {row['id']} of {row['at']} takes back"
                f" {'itself' if row is target else 'a change that comes after it'}."
            )
        about = ("machine_id", "sheet_id", "board_id")
        if any(row[name] != target[name] for name in about):
            raise InvalidRecord(
                f"change {row['id']} of {row['at']} takes back a change of another machine, sheet"
                " or board."
            )
    for table, items in rows.items():
        for item in items:
            if item.get("follows") is not None and item["follows"] == item["id"]:
                raise InvalidRecord(f"{table} has {item['id']}, which follows itself.")


def _check_references(rows: Rows) -> None:
    known = {table: {row["id"] for row in rows[table]} for table in _REFERENCES.values()}
    for table, items in rows.items():
        columns = [name for name in _REFERENCES if items and name in items[0]]
        for item in items:
            for name in columns:
                if item[name] is not None and item[name] not in known[_REFERENCES[name]]:
                    raise InvalidRecord(f"{table} names {name} {item[name]!r}, which isn't there.")
    for table, items in rows.items():
        if items and "id" in items[0]:
            _check_once(table, "id", (item["id"] for item in items))
    for table, name in (("machines", "name"), ("sheets", "name"), ("boards", "code")):
        _check_once(table, name, (item[name] for item in rows[table]))


def _check_once(table: str, name: str, values: Iterable[str]) -> None:
    value, times = next(iter(Counter(values).most_common(1)), ("", 0))
    if times > 1:
        raise InvalidRecord(f"{table} has {name} {value!r} {times} times.")


def _check_time(text: str) -> None:
    if write_time(datetime.fromisoformat(text)) != text:
        raise InvalidRecord(f"{text!r} is not a time.")


def _check_machines(rows: Rows) -> None:
    for row in rows["machines"]:
        if not row["name"].strip():
            raise InvalidRecord("a machine has no name.")
    for row in rows["setups"]:
        record_from_json(Machine, json.loads(row["record"]))


def _check_sheets(rows: Rows) -> None:
    stuff = {row["id"]: (row["material"], row["thickness_mm"]) for row in rows["sheets"]}
    for row in rows["sheets"]:
        Sheet(**{name: row[name] for name in ("name", "material", "thickness_mm")})
    for row in rows["sheet_versions"]:
        sheet = record_from_json(Sheet, json.loads(row["record"]))
        if (sheet.material.casefold(), sheet.thickness_mm) != (
            stuff[row["sheet_id"]][0].casefold(),
            stuff[row["sheet_id"]][1],
        ):
            raise InvalidRecord(
                f"a lot of {sheet.name!r} is of {sheet.material}, {sheet.thickness_mm:g} mm, the"
                f" sheet is of {stuff[row['sheet_id']][0]}, {stuff[row['sheet_id']][1]:g} mm."
            )


def _names(
    things: list[dict[str, Any]], versions: list[dict[str, Any]], of: str
) -> dict[str, set[str]]:
    """What each thing is called here, or was called before it got another name at an import."""
    names = {row["id"]: {row["name"]} for row in things}
    for row in versions:
        names[row[of]].add(json.loads(row["record"])["name"])
    return names


def _check_boards(rows: Rows) -> None:
    labels = _check_grids(rows)
    for row in (*rows["readings"], *rows["forecasts"], *rows["photographs"]):
        if row["cell"] not in labels[row["board_id"]] and row["cell"]:
            raise InvalidRecord(f"cell {row['cell']!r} isn't on its board.")
    for row in rows["readings"]:
        reading_from(row)
    for row in rows["forecasts"]:
        check_event(row["event"])
        if not 0.0 <= row["chance"] <= 1.0:
            raise InvalidRecord(f"the chance of {row['event']!r} is {row['chance']!r}: not 0 to 1.")
    for row in rows["photographs"]:
        check_filename(row["filename"])
        if media_type_of(row["content"]) != row["media_type"]:
            raise InvalidRecord(f"photograph {row['filename']!r} isn't {row['media_type']}.")


def _check_grids(rows: Rows) -> dict[str, set[str]]:
    """Check that each board is of the machine and sheet that it says itself; give its cells."""
    cells: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows["cells"]:
        cells[row["board_id"]].append(row)
    labels: dict[str, set[str]] = {}
    machines = _names(rows["machines"], rows["setups"], "machine_id")
    sheets = _names(rows["sheets"], rows["sheet_versions"], "sheet_id")
    stuff = {row["id"]: (row["material"].casefold(), row["thickness_mm"]) for row in rows["sheets"]}
    for row in rows["boards"]:
        machine = record_from_json(Machine, json.loads(row["machine"]))
        sheet = record_from_json(Sheet, json.loads(row["sheet"]))
        for kind, name, known in (
            ("machine", machine.name, machines[row["machine_id"]]),
            ("sheet", sheet.name, sheets[row["sheet_id"]]),
        ):
            if name not in known:
                raise InvalidRecord(
                    f"board {row['code']!r} is of {kind} {min(known)!r}, and says itself that it is"
                    f" of {name!r}."
                )
        if (sheet.material.casefold(), sheet.thickness_mm) != stuff[row["sheet_id"]]:
            raise InvalidRecord(
                f"board {row['code']!r} is of {sheet.material}, {sheet.thickness_mm:g} mm, and its"
                f" sheet {sheet.name!r} isn't."
            )
        names = {"machine_name": machine.name, "sheet_name": sheet.name}
        grid = grid_from({**row, **names}, cells[row["id"]])
        check_cells(grid)
        labels[row["id"]] = {cell.label for cell in grid.cells}
    return labels


def _check_rest(rows: Rows) -> None:
    for row in rows["kept"]:
        check_kept(row["kind"], row["content"])
    for row in rows["promises"]:
        promise_from(row)
    burns = defaultdict(list)
    for row in rows["run_burns"]:
        burns[row["run_id"]].append(burn_from(row))
    for row in rows["runs"]:
        if (kind_of(burns[row["id"]]), burns[row["id"]][0].operation) != (
            row["kind"],
            row["operation"],
        ):
            raise InvalidRecord(f"the burns of job {row['id']} are of another kind or operation.")
    for row in rows["settled"]:
        if row["power_pct"] is not None:
            setting_from(row)
    for items in rows.values():
        for item in items:
            for name in ("at", "since", "planned_at"):
                if name in item:
                    _check_time(item[name])
