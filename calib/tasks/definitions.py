"""Ready-made grids: a definition in TOML becomes a board, the same one every time."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from calib.errors import BadFile, CalibError
from calib.grid.full import full_factorial
from calib.records import Grid, Machine, Setting, Sheet
from calib.tasks.library import plan_grid

_HEAD = {"title": str, "for_whom": str, "assumes": list, "keep_files": bool}
_BOARD = {
    "operation", "burns", "offcut_mm", "passes", "powers_pct", "speeds_mm_s", "line_pitch_mm",
    "reliability", "char_at_most", "mark", "seed",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Definition:
    """A ready-made grid as its file says it.

    Parameters
    ----------
    title, for_whom
        What it is, and who can use it.
    assumes
        What must be so for it to fit, in sentences.
    keep_files
        True when its files are kept beside it.
    machine, sheet
        For whom it is planned.
    board
        What is planned: the fields of the table ``[board]``.
    """

    title: str
    for_whom: str
    assumes: tuple[str, ...]
    keep_files: bool
    machine: Machine
    sheet: Sheet
    board: Mapping[str, Any]


def read_definition(text: str) -> Definition:
    """Read the definition of a ready-made grid.

    Parameters
    ----------
    text
        TOML with ``title``, ``for_whom``, ``assumes``, ``keep_files`` and the tables ``[machine]``,
        ``[sheet]`` and ``[board]``, whose keys are names of fields with their units.

    Returns
    -------
    Definition
        Checked: its records can be made.

    Raises
    ------
    BadFile
        When it isn't TOML, or a key is missing, unknown or holds what it may not hold.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadFile(f"The definition isn't TOML ({error}): correct that line.") from None
    _check_keys("the definition", data, {*_HEAD, "machine", "sheet", "board"}, set(_HEAD))
    for key, kind in _HEAD.items():
        if not isinstance(data[key], kind) or data[key] == "":
            raise BadFile(f"{key} is {data[key]!r}: give a {kind.__name__}.")
    board = data.get("board", {})
    _check_keys("[board]", board, _BOARD, {"operation"})
    return Definition(
        title=data["title"],
        for_whom=data["for_whom"],
        assumes=tuple(str(sentence) for sentence in data["assumes"]),
        keep_files=data["keep_files"],
        machine=_record(Machine, "[machine]", data.get("machine", {})),
        sheet=_record(Sheet, "[sheet]", data.get("sheet", {})),
        board={key: _frozen(value) for key, value in board.items()},
    )


def _check_keys(where: str, given: Mapping[str, Any], known: set[str], needed: set[str]) -> None:
    for key in given:
        if key not in known:
            raise BadFile(f"{where} has a key {key!r}: give {', '.join(sorted(known))}.")
    for key in sorted(needed):
        if key not in given:
            raise BadFile(f"{where} has no key {key!r}: add it.")


def _frozen(value: Any) -> Any:
    return tuple(_frozen(part) for part in value) if isinstance(value, list) else value


def _record(kind: type[Any], where: str, given: Mapping[str, Any]) -> Any:
    _check_keys(where, given, {field.name for field in fields(kind)}, set())
    try:
        return kind(**{key: _frozen(value) for key, value in given.items()})
    except (CalibError, TypeError) as wrong:
        raise BadFile(f"{where}: {wrong}") from None


def ready_made_grid(definition: Definition) -> Grid:
    """Plan the board of a definition.

    Parameters
    ----------
    definition
        From ``read_definition``.

    Returns
    -------
    Grid
        The same definition gives the same board.

    Raises
    ------
    RefusedMaterial, DeclarationNeeded, BoardDoesNotFit, MachineLimit, InvalidRecord
        As for ``plan_grid``.
    """
    wish = dict(definition.board)
    powers, speeds = wish.pop("powers_pct", ()), wish.pop("speeds_mm_s", ())
    settings: tuple[Setting, ...] = ()
    if powers or speeds:
        settings = full_factorial(
            definition.machine,
            powers,
            speeds,
            passes=wish.get("passes", (1,)),
            line_pitches_mm=(wish.get("line_pitch_mm"),),
        )
        wish["burns"] = len(settings)
    return plan_grid(definition.machine, definition.sheet, settings=settings, **wish)
