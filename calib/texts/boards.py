"""Text of boards: what is planned, what was recorded, which files there are."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.hazards import check_hazard
from calib.logbook import Looked, Recorded
from calib.records import KINDS, Grid, Reading
from calib.tasks.results import ENOUGH_BURNS, STAIR_COUNTS, proof_outcome
from calib.tasks.workshop import assumptions
from calib.texts.say import say
from calib.texts.words import (
    bullets,
    counted,
    fields_typed,
    operation_words,
    pair_typed,
    paragraphs,
    reading_words,
    setting_words,
    table,
    wish_typed,
    wrapped,
)
from calib.units import show_percent, show_speed

if TYPE_CHECKING:
    from calib.boards.focus import FocusBoard
    from calib.tasks.boards import Planned
    from calib.tasks.results import NextStep, Question
    from calib.tasks.standing import Overview, PairState


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
    cells = counted(sum(len(one.grid.cells) for one in planned), "cell")
    return paragraphs(
        say("texts.one_round", cells=cells, boards=len(planned)),
        *(planned_text(one, f"\nSheet: {sheet_use(one.grid).words}.") for one in planned),
    )


def planned_text(planned: Planned, more: str = "") -> str:
    """Describe a board that was just planned; ``more`` is said under its size."""
    from calib.boards.board_time import board_time

    grid = planned.grid
    size = f"{cells_words(grid)}, {board_time(grid).words}."
    forecast = {label: _forecast(grid, events) for label, events in planned.forecasts.items()}
    # What holds of the machine or the sheet, not of this very board, is said with those.
    elsewhere = set(check_hazard(grid.sheet, grid.machine, grid.operation).advice)
    if planned.before:
        elsewhere.add(say("boards.heat_looks_like_energy"))  # said of the first board
    assumed = {_begin(sentence) for sentence in assumptions(grid.machine)}
    notes = [n for n in grid.notes if n not in elsewhere and _begin(n) not in assumed]
    return paragraphs(
        f"{_head(grid)}\n{wrapped(f'{size} {planned.rests}')}{more}",
        _cells(grid, "forecast", forecast),
        bullets("Notes", notes),
        say("texts.read_cautions_first"),
    )


def cells_words(grid: Grid) -> str:
    """How many cells a board has, or that it is a stair."""
    if grid.stair:
        return say("texts.stair_of_steps", count=len(grid.cells))
    return counted(len(grid.cells), "cell")


def _begin(sentence: str) -> str:
    return sentence.partition(":")[0].rstrip(".")


def _head(grid: Grid) -> str:
    return say("texts.board_head", grid=grid, operation=operation_words(grid.operation))


def _forecast(grid: Grid, events: Mapping[str, float]) -> str:
    if grid.operation == "cut":
        return f"{show_percent(events['through'])} falls free"
    event, chance = next(iter(events.items()))
    return f"{show_percent(chance)} {event.replace('_', ' ')}"


def _cells(grid: Grid, last: str, values: Mapping[str, str]) -> str:
    pitched = KINDS[grid.operation].shape == "area"
    header = ["cell", "power", "speed", "passes", *["line pitch"] * pitched, "burnt as"]
    header += [last] * bool(values)
    rows = [
        [
            cell.named,
            f"{cell.power_pct:g} %",
            show_speed(cell.speed_mm_s),
            str(cell.passes),
            *([f"{cell.line_pitch_mm:g} mm"] if pitched else []),
            f"no. {cell.burn_order}",
            *([values.get(cell.label, "")] * bool(values)),
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
    for cell, looked in looks.items():
        if looked.apart:
            apart = _or_words([one.reading for one in looked.apart], material)
            read[cell] = say("texts.which_is_right", readings=apart)
    graded = sum(not reading.is_empty for reading in readings)
    done = say("texts.cells_recorded", read=graded, cells=cells_words(grid))
    return paragraphs(
        "\n".join((_head(grid), done, *burnt)),
        _cells(grid, "came out", read),
        bullets("Notes", grid.notes),
    )


def _or_words(readings: Sequence[Reading], material: str) -> str:
    return " / ".join(reading_words(reading, material) or "not read" for reading in readings)


def recorded_text(grid: Grid, recorded: Recorded, readings: Sequence[Reading]) -> str:
    """Say what was stored of a board, and what is left."""
    read = {reading.cell for reading in readings if not reading.is_empty}
    left = ", ".join(cell.label for cell in grid.cells if cell.label not in read)
    done = {
        "new": recorded.added, "corrected": recorded.corrected, "as before": recorded.unchanged
    }  # fmt: skip
    parts = ", ".join(f"{number} {word}" for word, number in done.items() if number)
    if grid.stair:
        parts = say("texts.stair_is_recorded", count=len(grid.cells))
        if grid.operation == "cut":
            cut = sum(reading.through == "through" for reading in readings)
            parts = say("texts.stair_is_cut_up_to", step=cut, count=len(grid.cells))
    rest = say("texts.left_empty", cells=left) if left else ""
    said = say("texts.what_was_recorded", grid=grid, parts=parts or "nothing new", rest=rest)
    return "\n".join(filter(None, (said, proof_words(grid, readings))))


def proof_words(grid: Grid, readings: Sequence[Reading]) -> str:
    """Say whether a proof held; nothing of other boards, or while parts are unread."""
    held, failed = proof_outcome(grid, readings)
    if failed:
        parts = "; ".join(cell.named for cell in failed)
        return wrapped(say("texts.proof_failed", cell=grid.cells[0], parts=parts))
    return say("texts.proof_held", cell=grid.cells[0]) if held else ""


def next_step_text(step: NextStep) -> str:
    """Say why something comes next, and what to type, complete with its names."""
    if step.step == "check_machine":
        return say("texts.next_check", pair=pair_typed(step.sheet, step.machine))
    if step.step == "card":
        return say("texts.next_card", pair=pair_typed(step.sheet, step.machine))
    why, typed = "", _typed(step)
    if step.step == "plan":
        why = say("texts.all_alike")
        if step.burns < ENOUGH_BURNS and step.has_stair:
            counts = STAIR_COUNTS
            why = say("texts.few_and_stair", burnt=step.burnt, enough=ENOUGH_BURNS, counts=counts)
        elif step.burns < ENOUGH_BURNS:
            why = say("texts.few_burns", burnt=step.burnt, enough=ENOUGH_BURNS)
    if step.wish is not None:
        typed += wish_typed(step.wish)
    if step.setting is not None:
        typed += fields_typed(step.setting)
    return say("texts.next_command", why=why, step=step.step, typed=typed)


def _typed(step: NextStep | PairState) -> str:
    return pair_typed(step.sheet, step.machine, step.operation)


def overview_text(overview: Overview) -> str:
    """Say what is open, and the next command of each sheet; it runs as it is pasted."""
    if not overview.has_machine:
        return paragraphs(
            say("texts.book_is_empty"),
            "  calib machine add bench --watts 60 --bed 600x400 --top-speed 400",
        )
    if not overview.pairs:
        return paragraphs(
            say("texts.no_sheet_yet"),
            "  calib sheet add 'birch 3' --material 'birch plywood' --thickness 3",
        )
    lines = []
    for state in overview.pairs:
        where = f"{state.sheet} on {state.machine}, {operation_words(state.operation)}"
        why, command = _next_of(state)
        lines.append(f"{where}: {why}\n  calib {command}")
        for board in state.open if state.step != "record" else state.open[1:]:
            lines.append(
                say("texts.cells_still_to_record", where=where, board=board)
                if board.read
                else say("texts.board_is_open_too", where=where, board=board)
            )
    if overview.questions:
        lines.append(say("texts.said_in_two_ways", things=counted(overview.questions, "thing")))
    return "\n".join(lines)


def _next_of(state: PairState) -> tuple[str, str]:
    """Where a pair stands, and the command that comes next."""
    board = state.waiting
    if state.step == "record" and board is not None:
        cells = counted(board.cells, "cell")
        return say("texts.board_waits", board=board, cells=cells), f"record {board.id}"
    if state.new_lot:
        return say("texts.new_lot_few_burns"), f"plan {_typed(state)} --for lot"
    if state.step == "none" and state.kept is not None:
        setting, card = setting_words(state.kept.setting), pair_typed(state.sheet, state.machine)
        return say("texts.setting_is_kept", setting=setting), f"sheet card {card}"
    if state.step == "plan":
        why = f"{state.burnt}." if state.burnt else say("texts.nothing_burnt_yet")
        return why, f"plan {_typed(state)}"
    if state.kept is not None and state.kept.failed_proof:
        asked = wish_typed(state.kept.advice.wish) if state.kept.advice else ""
        return say("texts.proof_failed_since"), f"recommend {_typed(state)}{asked}"
    return say("texts.ask_for_a_setting", burnt=state.burnt), f"recommend {_typed(state)}"


def question_text(question: Question, material: str) -> str:
    """Ask for one thing of a cell."""
    cell, choices = question.cell, question.choices.items()
    if question.field == "through":
        said = " · ".join(f"{choice} ({meaning})" for choice, meaning in choices)
    else:
        said = " · ".join(f"{choice} {meaning}" for choice, meaning in choices)
    apart = ""
    if question.apart:
        apart = say("texts.read_as", readings=_or_words(question.apart, material))
    return f"{cell.named}, {setting_words(cell.setting)}: {question.field}?{apart}\n  {said}"


_KINDS = {
    ".svg": say("texts.drawing_colour"),
    "-filled.svg": say("texts.drawing_filled"),
    ".dxf": say("texts.drawing_layers"),
    ".nc": say("texts.program"),
    "-outline.nc": say("texts.outline"),
    "-record.pdf": say("texts.record_sheet"),
    "-plan.csv": say("texts.plan"),
    "-results.csv": say("texts.results"),
}


def files_text(files: Mapping[str, bytes], written: Sequence[Path], folder: Path) -> str:
    """Say which files were written, and which were left alone."""
    names = {path.name for path in written}
    rank = {kind: place for place, kind in enumerate([*_KINDS.values(), ""])}
    kept = [say("texts.left_as_it_is", name=n, folder=folder) for n in files if n not in names]
    if not any(name.endswith(".nc") for name in files):
        kept.append(say("texts.there_is_no_program"))
    kinds = [(file_kind(path.name), path.name) for path in written]
    listed = "; ".join(
        f"{name}, {kind}" if kind else name
        # Parts of a split drawing stand behind the whole of it.
        for kind, name in sorted(kinds, key=lambda one: (rank.get(one[0], 0.5), one[1]))
    )
    said = [wrapped(say("texts.files_in", folder=folder, listed=listed))] if written else []
    return "\n".join([*said, *kept])


def file_kind(name: str) -> str:
    """What the end of a file's name says of it."""
    if part := re.search(r"-(\d+)of(\d+)\.svg$", name):
        if part[1] != "1":
            return say("texts.further_part_of_drawing", number=part[1], count=part[2])
        return say("texts.part_of_drawing", number=part[1], count=part[2])
    ending = max((end for end in _KINDS if name.endswith(end)), key=len, default="")
    return _KINDS.get(ending, "")


def focus_data(board: FocusBoard) -> dict[str, Any]:
    """A focus board as data."""
    names = ("heights_mm", "setting", "board_mm")
    data = {name: getattr(board, name) for name in names}
    return {"machine": board.machine.name, "sheet": board.sheet.name, **data}


def focus_text(board: FocusBoard) -> str:
    """Describe a focus board."""
    heights = ", ".join(f"{height:+g}" if height else "0" for height in board.heights_mm)
    setting = setting_words(board.setting)
    return wrapped(say("texts.focus_board", board=board, setting=setting, heights=heights))
