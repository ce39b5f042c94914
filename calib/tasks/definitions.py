"""Ready-made grids: a definition in TOML becomes a board, the same one every time."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from typing import Any

from calib.errors import BadFile, CalibError, shown
from calib.grid.full import full_factorial
from calib.records import OPERATIONS, Grid, Machine, Setting, Sheet
from calib.tasks.library import plan_grid

# What the keys hold: a kind, or a list of that kind with the most that it may have.
_HEAD = {"title": str, "for_whom": str, "assumes": list, "keep_files": bool}
_BOARD: Mapping[str, type | tuple[type, int]] = {
    "operation": str,
    "burns": int,
    "offcut_mm": (float, 2),
    "passes": (int, 50),
    "powers_pct": (float, 50),
    "speeds_mm_s": (float, 50),
    "slowest_mm_s": float,
    "line_pitch_mm": float,
    "reliability": float,
    "char_at_most": int,
    "mark": int,
    "seed": int,
}
_WORDS = {
    str: "text", list: "a list", bool: "true or false", int: "a whole number", float: "a number",
}  # fmt: skip
# No number of a definition is larger; seeds of nine digits are enough.
_MOST = 1e9


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
    except (ValueError, RecursionError) as error:
        raise BadFile(f"The definition isn't TOML ({error}): correct that line.") from None
    _check_keys("the definition", data, {*_HEAD, "machine", "sheet", "board"}, set(_HEAD))
    for key, kind in _HEAD.items():
        if not isinstance(data[key], kind) or data[key] == "":
            raise BadFile(f"{key} is {shown(data[key])}: give {_WORDS[kind]}.")
    board = data.get("board", {})
    _check_keys("[board]", board, set(_BOARD), {"operation"})
    for key, value in board.items():
        _check_board(key, value, _BOARD[key])
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
    if not isinstance(given, dict):
        raise BadFile(f"{where} is {shown(given)}: write a table with that name.")
    for key in given:
        if key not in known:
            raise BadFile(f"{where} has a key {shown(key)}: give {', '.join(sorted(known))}.")
    for key in sorted(needed):
        if key not in given:
            raise BadFile(f"{where} has no key {key!r}: add it.")


def _check_board(key: str, value: Any, kind: type | tuple[type, int]) -> None:
    if isinstance(kind, tuple):
        good = isinstance(value, list) and len(value) <= kind[1]
        good = good and all(_is(kind[0], part) for part in value)
        allowed = f"a list of at most {kind[1]}, each {_WORDS[kind[0]]}"
    else:
        good, allowed = _is(kind, value), _WORDS[kind]
    if not good:
        raise BadFile(f"[board] has {key} = {shown(value)}: give {allowed}.")
    if key == "operation" and value not in OPERATIONS:
        raise BadFile(f"[board] has operation {shown(value)}: give {', '.join(OPERATIONS)}.")


def _is(kind: type, value: Any) -> bool:
    if kind is str:
        return isinstance(value, str)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return abs(value) <= _MOST and (kind is float or isinstance(value, int))


def _frozen(value: Any) -> Any:
    return tuple(_frozen(part) for part in value) if isinstance(value, list) else value


def _record(kind: type[Any], where: str, given: Mapping[str, Any]) -> Any:
    needed = {f.name for f in fields(kind) if f.default is MISSING}
    _check_keys(where, given, {field.name for field in fields(kind)}, needed)
    try:
        return kind(**{key: _frozen(value) for key, value in given.items()})
    except CalibError as wrong:
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
