"""The page of a comb board: the parts as they lie, room for what was felt and measured."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from calib.boards.comb import FEEL_WORDS, CombBoard
from calib.boards.comb_places import CombStep
from calib.boards.naming import file_cautions, setting_words
from calib.errors import BoardDoesNotFit
from calib.print_style import (
    BOLD_FONT,
    MM,
    PLAIN_FONT,
    TICK,
    Drawing,
    framed,
    gap,
    in_two_columns,
    one_page,
    outline,
    page_head,
    room_mm,
    scale_for,
    table,
    words,
)
from calib.texts.say import say

# Heights that the parts may take [mm]; a smaller one where the rest needs the room.
_BOARD_MM = (98.0, 74.0, 53.0, 35.0)
_TICKS_MM = 65.0
_THIN = (0.35, (0.5, 0.5, 0.5))
_HOW_SLOTS = say("boards.push_straight_clean_edge_of_stock")
_HOW_TONGUES = say("boards.push_each_tongue_t_across")
_HOW_CALIPER = say("boards.if_caliper_is_at_hand")
_MEASURED_ROWS = 4


def comb_record_page(board: CombBoard, *, paper: str = "a4", address: str = "") -> bytes:
    """Set the page on which a comb board is recorded.

    Raises InvalidRecord when the paper isn't known; RefusedMaterial, DeclarationNeeded when the
    sheet may not be burnt.
    """
    width, _ = room_mm(paper)
    cautions = file_cautions(replace(board, how=()))
    page = one_page(
        paper,
        say("boards.comb_board_2", board=board),
        _choices(board, address or board.board_id, cautions, width),
    )
    if page is None:
        raise BoardDoesNotFit(say("boards.comb_board_has_more_slots", board=board, paper=paper))
    return page


def _choices(
    board: CombBoard, address: str, cautions: Sequence[str], width: float
) -> Iterator[list[Any]]:
    sheet = board.sheet
    facts = (
        ("machine", board.machine.name),
        ("sheet", f"{sheet.name}, {sheet.material}, {sheet.working_thickness_mm:g} mm"),
        (say("boards.cut_at"), setting_words(board.setting)),
        (say("boards.codes_at"), setting_words(board.label_setting)),
        ("for", say("boards.stock_of_kerf", board=board)),
    )
    for high in _BOARD_MM:
        scale = scale_for(board.board_mm, (width, high))
        said = say("boards.true_to_size") if scale == 1.0 else f"scale 1 : {scale:.3g}"
        yield [
            page_head("PAGE OF A COMB BOARD", board.board_id, facts, address, width),
            gap(2.0),
            words("date ______________   session ______________", 7.5),
            gap(3.0),
            _parts(board, scale),
            gap(0.8),
            words(
                say("boards.board_from_above", board=board, said=said),
                6.5,
                grey=0.25,
            ),
            gap(3.0),
            _feels(board, width),
            gap(3.0),
            _measured(board, width),
            gap(3.0),
            framed(
                in_two_columns(
                    say("boards.cautions_before_and_while_you_burn"), cautions, width - 5.0, 6.0
                ),
                width,
            ),
        ]


def _parts(board: CombBoard, scale: float) -> Drawing:
    def draw(canvas: Any) -> None:
        canvas.scale(1.0 / scale, 1.0 / scale)
        canvas.setLineWidth(0.2 * scale)
        canvas.setStrokeGray(0.6)
        canvas.rect(0.0, 0.0, *board.board_mm)
        canvas.setStrokeGray(0.0)
        for stroke in board.strokes:
            canvas.setLineWidth((0.3 if stroke.kind == "cut" else 0.15) * scale)
            outline(canvas, stroke.points)

    return Drawing((board.board_mm[0] / scale, board.board_mm[1] / scale), draw)


def _feels(board: CombBoard, width: float) -> Any:
    """Tables to tick, what the words mean, and what to do."""
    which = (
        say("boards.gauge_inside_three_tongues_outside")
        if board.tongues
        else say("boards.four_slots_inside")
    )
    how = [_HOW_SLOTS, *([_HOW_TONGUES] if board.tongues else []), _HOW_CALIPER.format(which=which)]
    tables = [_ticks("slot", board.slots)]
    tables += [_ticks("tongue", board.tongues)] if board.tongues else []
    left = width - len(tables) * _TICKS_MM
    meanings = table(
        [[words(word), words(meaning)] for word, meaning in FEEL_WORDS.items()], [9.5, left - 9.5]
    )
    said = [meanings, *(part for text in how for part in (gap(1.2), words(text)))]
    return table([[*tables, said]], [_TICKS_MM] * len(tables) + [left])


def _ticks(name: str, steps: Sequence[CombStep]) -> Any:
    """One row per step: code, drawn width, three boxes."""
    return table(
        [
            [name, say("boards.drawn"), *FEEL_WORDS],
            *([step.label, _two(step), *[TICK] * len(FEEL_WORDS)] for step in steps),
        ],
        [12.0, 17.0, 11.0, 11.0, 11.0],
        ("ALIGN", (0, 0), (-1, -1), "CENTER"),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("FONT", (0, 0), (-1, 0), BOLD_FONT, 7.0),
        ("FONT", (0, 1), (0, -1), BOLD_FONT, 8.0),
        ("FONT", (1, 1), (1, -1), PLAIN_FONT, 8.0),
        ("FONT", (2, 1), (-1, -1), PLAIN_FONT, 13.5),
        ("LINEBELOW", (0, 0), (-1, -1), *_THIN),
        heights_mm=[5.4] * (len(steps) + 1),
    )


def _two(step: CombStep) -> str:
    """Drawn width with two decimals, or three if it has them."""
    shown = f"{step.width_mm:.3f}"
    return shown[:-1] if shown.endswith("0") else shown


def _measured(board: CombBoard, width: float) -> Any:
    """Rows for the caliper: gauge, tongues and stock."""
    first = board.gauge.label if board.gauge else "code _____"
    codes = [first, *["code _____"] * (_MEASURED_ROWS - 1), "stock"]
    return table(
        [
            ["caliper", say("boards.at_top"), "", "", say("boards.at_bottom"), "", ""],
            *([code, *[""] * 6] for code in codes),
        ],
        [20.0, *[(width - 20.0) / 6.0] * 6],
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LEFTPADDING", (0, 0), (-1, -1), 1.5 * MM),
        ("FONT", (0, 0), (-1, 0), BOLD_FONT, 7.0),
        ("FONT", (0, 1), (-1, -1), PLAIN_FONT, 7.5),
        ("GRID", (0, 1), (-1, -1), 0.55, "black"),
        heights_mm=[4.8, *[5.4] * len(codes)],
    )
