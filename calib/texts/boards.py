"""Text of boards: what is planned, what was recorded, which files there are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.hazards import check_hazard
from calib.logbook import Looked, Recorded
from calib.records import KINDS, Grid, Reading
from calib.tasks.results import ENOUGH_BURNS
from calib.tasks.workshop import assumptions
from calib.texts.words import (
    bullets,
    counted,
    operation_words,
    pair_typed,
    paragraphs,
    reading_words,
    setting_words,
    table,
    wrapped,
)
from calib.units import show_speed

if TYPE_CHECKING:
    from calib.boards.focus import FocusBoard
    from calib.tasks.boards import Planned
    from calib.tasks.results import NextStep, Question
    from calib.tasks.steps import Overview, PairState

_FIRST_CAUTION = "Read the cautions on the record sheet before you burn, and stay with the machine."


def planned_data(planned: Planned, written: Sequence[Path]) -> dict[str, Any]:
    """A planned board as data, with its files and the time it takes."""
    from calib.boards.board_time import board_time, sheet_use  # loads numpy

    use = sheet_use(planned.grid)
    return {
        "grid": planned.grid,
        "burns_before": planned.before,
        "unread_boards": planned.unread,
        "board_time_s": round(board_time(planned.grid).total_s, 1),
        "taken_mm2": round(use.taken_mm2, 1),
        "waste_share": round(use.waste_share, 3),
        "forecasts": planned.forecasts,
        "files": written,
    }


def planned_round_text(planned: Sequence[Planned]) -> str:
    """Describe a planned round, one board after the other."""
    from calib.boards.board_time import sheet_use

    if len(planned) == 1:
        return planned_text(planned[0])
    cells = sum(len(one.grid.cells) for one in planned)
    head = f"One round of {counted(cells, 'cell')} on {len(planned)} boards."
    return paragraphs(
        head, *(planned_text(one, f"\nSheet: {sheet_use(one.grid).words}.") for one in planned)
    )


def planned_text(planned: Planned, more: str = "") -> str:
    """Describe a board that was just planned; ``more`` is said under its size."""
    from calib.boards.board_time import board_time

    grid = planned.grid
    size = f"{counted(len(grid.cells), 'cell')}, {board_time(grid).words}."
    rests = (
        "Nothing of this sheet has been burnt on this machine yet: it rests on what is expected."
        if planned.before == 0
        else f"It rests on {counted(planned.before, 'burn')} of this sheet and machine."
    )
    forecast = {label: _forecast(grid, events) for label, events in planned.forecasts.items()}
    return paragraphs(
        f"{_head(grid)}\n{wrapped(f'{size} {rests}')}{more}",
        _cells(grid, "forecast", forecast),
        bullets("Notes", _own_notes(grid)),
        _FIRST_CAUTION,
    )


def _own_notes(grid: Grid) -> list[str]:
    """Notes of this very board: what holds of its machine or sheet is said with those."""
    advice = check_hazard(grid.sheet, grid.machine, grid.operation).advice
    assumed = {_begin(sentence) for sentence in assumptions(grid.machine)}
    return [n for n in grid.notes if n not in advice and _begin(n) not in assumed]


def _begin(sentence: str) -> str:
    return sentence.partition(":")[0].rstrip(".")


def _head(grid: Grid) -> str:
    return (
        f"Board {grid.board_id}, round {grid.round}: {operation_words(grid.operation)} of"
        f" {grid.sheet.name} on {grid.machine.name}, {grid.board_mm[0]:g} x {grid.board_mm[1]:g} mm"
    )


def _forecast(grid: Grid, events: Mapping[str, float]) -> str:
    if grid.operation == "cut":
        return f"{events['through']:.0%} falls free"
    event, chance = next(iter(events.items()))
    return f"{chance:.0%} {event.replace('_', ' ')}"


def _cells(grid: Grid, last: str, values: Mapping[str, str]) -> str:
    pitched = KINDS[grid.operation].shape == "area"
    header = [
        "cell",
        "power",
        "speed",
        "passes",
        *(["line pitch"] if pitched else []),
        "burnt as",
        last,
    ]
    rows = [
        [
            cell.named,
            f"{cell.power_pct:g} %",
            show_speed(cell.speed_mm_s),
            str(cell.passes),
            *([f"{cell.line_pitch_mm:g} mm"] if pitched else []),
            f"no. {cell.burn_order}",
            values.get(cell.label, ""),
        ]
        for cell in grid.cells
    ]
    return table(header, rows)


def board_text(
    grid: Grid,
    readings: Sequence[Reading],
    looks: Mapping[str, Looked],
    burnt: Sequence[str] = (),
) -> str:
    """Describe a board with what was recorded of it."""
    material = grid.sheet.material
    read = {reading.cell: reading_words(reading, material) for reading in readings}
    read |= {
        cell: f"? {_or_words([one.reading for one in looked.apart], material)}: which is right?"
        for cell, looked in looks.items()
        if looked.apart
    }
    graded = sum(not reading.is_empty for reading in readings)
    return paragraphs(
        "\n".join((
            f"{_head(grid)}\n{graded} of {counted(len(grid.cells), 'cell')} recorded.",
            *burnt,
        )),
        _cells(grid, "came out", read),
        bullets("Notes", grid.notes),
    )


def _or_words(readings: Sequence[Reading], material: str) -> str:
    return " / ".join(reading_words(reading, material) or "not read" for reading in readings)


def recorded_text(grid: Grid, recorded: Recorded, readings: Sequence[Reading]) -> str:
    """Say what was stored of a board, and what is left."""
    read = {reading.cell for reading in readings if not reading.is_empty}
    left = [cell.label for cell in grid.cells if cell.label not in read]
    parts = [
        f"{number} {word}"
        for number, word in (
            (recorded.added, "new"),
            (recorded.corrected, "corrected"),
            (recorded.unchanged, "as before"),
        )
        if number
    ]
    rest = f" Left empty, so not burnt: {', '.join(left)}." if left else ""
    return f"Board {grid.board_id}: {', '.join(parts) or 'nothing new'}.{rest}"


def next_step_text(step: NextStep) -> str:
    """Say why something comes next, and what to type, complete with its names."""
    if step.step == "check_machine":
        pair = pair_typed(step.sheet, step.machine)
        return f"Next: calib machine check --reference {pair}"
    why = ""
    if step.step == "plan":
        why = "All burns came out alike so far. "
        if step.burns < ENOUGH_BURNS:
            why = f"{counted(step.burns, 'burn')} so far; a setting takes about {ENOUGH_BURNS}. "
    return f"{why}Next: calib {step.step} {_typed(step)}"


def _typed(step: NextStep | PairState) -> str:
    operation = "" if step.operation == "cut" else f" --operation {step.operation}"
    return pair_typed(step.sheet, step.machine) + operation


def overview_text(overview: Overview) -> str:
    """Say what is open, and the next command of each sheet; it runs as it is pasted."""
    if not overview.has_machine:
        return paragraphs(
            "The logbook is empty. Describe your machine first, with its own numbers:",
            "  calib machine add bench --watts 60 --bed 600x400 --top-speed 400",
        )
    if not overview.pairs:
        return paragraphs(
            "No sheet yet. Describe the first one:",
            "  calib sheet add 'birch 3' --material 'birch plywood' --thickness 3",
        )
    lines = []
    for state in overview.pairs:
        where = f"{state.sheet} on {state.machine}, {operation_words(state.operation)}"
        why, command = _next_of(state)
        lines.append(f"{where}: {why}\n  calib {command}")
    if overview.questions:
        count = counted(overview.questions, "thing")
        lines.append(f"{count} said in two ways: which is right?\n  calib book questions")
    return "\n".join(lines)


def _next_of(state: PairState) -> tuple[str, str]:
    """Where a pair stands, and the command that comes next."""
    board, burns = state.waiting, counted(state.burns, "burn")
    if state.step == "record" and board is not None:
        read = f"{board.read} of {counted(board.cells, 'cell')} recorded."
        return f"board {board.id}, {read}", f"record {board.id}"
    if state.new_lot:
        return "a new lot; a few burns try it.", f"plan {_typed(state)} --for lot"
    if state.step == "none" and state.kept is not None:
        card = pair_typed(state.sheet, state.machine)
        return f"{setting_words(state.kept.setting)} is kept.", f"sheet card {card}"
    if state.step == "plan":
        return f"{burns if state.burns else 'nothing burnt yet'}.", f"plan {_typed(state)}"
    return f"{burns}; ask for a setting.", f"recommend {_typed(state)}"


def question_text(question: Question, material: str) -> str:
    """Ask for one thing of a cell."""
    cell = question.cell
    choices = " · ".join(f"{choice} {meaning}" for choice, meaning in question.choices.items())
    if question.field == "through":
        choices = " · ".join(f"{choice} ({said})" for choice, said in question.choices.items())
    apart = f" (read as {_or_words(question.apart, material)})" if question.apart else ""
    return f"{cell.named}, {setting_words(cell.setting)}: {question.field}?{apart}\n  {choices}"


_KINDS = {
    ".svg": "the drawing, a colour for each setting",
    ".dxf": "the same, a layer for each setting",
    ".nc": "the program",
    "-outline.nc": "moves round the board, beam off",
    "-record.pdf": "the record sheet to print",
    "-plan.csv": "the plan",
    "-results.csv": "fill it in, then record it",
}


def files_text(files: Mapping[str, bytes], written: Sequence[Path], folder: Path) -> str:
    """Say which files were written, and which were left alone."""
    names = {path.name for path in written}
    kept = [
        f"{name} in {folder} was filled in and is left as it is."
        for name in files
        if name not in names
    ]
    kinds = [file_kind(path.name) for path in written]
    listed = "; ".join(
        f"{path.name}, {kind}" if kind else path.name
        for kind, path in sorted(zip(kinds, written, strict=True), key=lambda one: _order(one[0]))
    )
    if not any(name.endswith(".nc") for name in files):
        kept.append(
            "There is no program: the machine record doesn't say the S word at full power"
            " (calib machine change --help)."
        )
    return "\n".join([*([wrapped(f"Files in {folder}: {listed}.")] if written else []), *kept])


def _order(kind: str) -> int:
    return [*_KINDS.values(), kind].index(kind)


def file_kind(name: str) -> str:
    """What the end of a file's name says of it."""
    ending = max((end for end in _KINDS if name.endswith(end)), key=len, default="")
    return _KINDS.get(ending, "")


def focus_data(board: FocusBoard) -> dict[str, Any]:
    """A focus board as data."""
    return {
        "machine": board.machine.name,
        "sheet": board.sheet.name,
        "heights_mm": board.heights_mm,
        "setting": board.setting,
        "board_mm": board.board_mm,
    }


def focus_text(board: FocusBoard) -> str:
    """Describe a focus board."""
    heights = ", ".join(f"{height:+g}" if height else "0" for height in board.heights_mm)
    return wrapped(
        f"Focus board for {board.sheet.name} on {board.machine.name}: lines at"
        f" {setting_words(board.setting)}, one for each height: {heights} mm against the usual one"
        f" (more is farther away). It takes {board.board_mm[0]:g} x {board.board_mm[1]:g} mm. The"
        " thinnest, darkest line was burnt in focus."
    )
