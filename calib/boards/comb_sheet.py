"""The page of a comb board: the parts as they lie, room for what was felt and measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from calib.boards.comb import FEEL_WORDS, CombBoard
from calib.boards.comb_places import CombStep
from calib.boards.naming import file_cautions, setting_words
from calib.errors import InvalidRecord
from calib.print_style import MARGIN_MM, PAPERS_MM, PrintPage, line_height_mm, text_width_mm, wrap

_SCALES = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 8.0, 12.0, 20.0, 50.0)
_ROW_MM, _GAP_MM = 5.4, 3.0
# Shares of the page's height that the parts may take; a smaller one where the rest needs the room.
_BOARD_SHARES = (0.33, 0.25, 0.18, 0.12)
_HOW_SLOTS = (
    "Push a straight, clean edge of the stock into each slot S, from the narrow end on, and tick"
    " what you feel."
)
_HOW_TONGUES = "Push each tongue T across into the slot of the gauge G, as in the corner of a box."
_HOW_CALIPER = (
    "If a caliper is at hand: {which}, the stock, each three times. Top is the face the beam came"
    " from. Measure in the middle of a side, without squeezing."
)
_MEASURED_ROWS = 4


def comb_record_page(board: CombBoard, *, paper: str = "a4", address: str = "") -> bytes:
    """Set the page on which a comb board is taken down.

    Raises InvalidRecord when the paper isn't known; RefusedMaterial, DeclarationNeeded when the
    sheet may not be burnt.
    """
    if paper not in PAPERS_MM:
        raise InvalidRecord(f"paper is {paper!r}: give one of {', '.join(PAPERS_MM)}.")
    cautions = file_cautions(replace(board, how=()))
    for share in _BOARD_SHARES:
        page = PrintPage(paper, f"Comb board {board.board_id}")
        top = _head(page, board, address or board.board_id) + _GAP_MM
        top = _parts(page, board, top, share) + _GAP_MM
        top = _feels(page, board, top) + _GAP_MM
        bottom = _measured(page, board, top)
        if bottom + _GAP_MM <= _cautions(page, cautions):
            break
    return page.finish()


def _head(page: PrintPage, board: CombBoard, address: str) -> float:
    """Code, facts and QR code; return the y below [mm]."""
    qr_mm = 25.0
    right = page.width_mm - MARGIN_MM - qr_mm
    page.text((MARGIN_MM, MARGIN_MM + 3.0), "PAGE OF A COMB BOARD", 7.0, grey=0.25)
    page.text((MARGIN_MM, MARGIN_MM + 9.6), board.board_id, 18.0, bold=True)
    page.qr((right, MARGIN_MM - 1.0), qr_mm, address)
    sheet = board.sheet
    facts = (
        ("machine", board.machine.name),
        ("sheet", f"{sheet.name}, {sheet.material}, {sheet.working_thickness_mm:g} mm"),
        ("cut at", setting_words(board.setting)),
        ("codes at", setting_words(board.label_setting)),
        ("planned for", f"stock of {board.stock_mm:g} mm, kerf of {board.kerf_mm:g} mm"),
    )
    y = MARGIN_MM + 12.0
    for name, value in facts:
        page.lines((MARGIN_MM, y), [name], 7.0, grey=0.35)
        y = page.lines((MARGIN_MM + 18.0, y), wrap(value, right - MARGIN_MM - 20.0, 7.0), 7.0)
    page.text((MARGIN_MM, y + 4.6), "date ______________   sitting ______________", 7.5)
    return max(y + 6.0, MARGIN_MM + qr_mm)


def _parts(page: PrintPage, board: CombBoard, top: float, share: float) -> float:
    """Draw the board to scale; return the y below its caption [mm]."""
    width, height = board.board_mm
    room = (page.width_mm - 2.0 * MARGIN_MM, share * page.height_mm)
    fitting = (s for s in _SCALES if width / s <= room[0] and height / s <= room[1])
    scale = next(fitting, max(width / room[0], height / room[1]))
    page.pen(0.2, grey=0.6)
    page.box((MARGIN_MM, top), (width / scale, height / scale))
    for stroke in board.strokes:
        page.pen(0.3 if stroke.kind == "cut" else 0.15)
        page.polyline([(MARGIN_MM + x / scale, top + y / scale) for x, y in stroke.points])
    bottom = top + height / scale + 3.2
    words = "true to size" if scale == 1.0 else f"scale 1 : {scale:.3g}"
    page.text(
        (MARGIN_MM, bottom),
        f"The board from above, {width:g} x {height:g} mm, {words}. Measure the parts, not the"
        " paper.",
        6.5,
        grey=0.25,
    )
    return bottom + 1.0


def _feels(page: PrintPage, board: CombBoard, top: float) -> float:
    """Tables to tick and how to fill them; return the y below the longest [mm]."""
    wide = page.width_mm - 2.0 * MARGIN_MM
    table = 62.0
    bottom = _ticks(page, (MARGIN_MM, top), "slot", board.slots)
    if board.tongues:
        x = MARGIN_MM + table + 3.0
        bottom = max(bottom, _ticks(page, (x, top), "tongue", board.tongues))
    x = MARGIN_MM + (2 if board.tongues else 1) * (table + 3.0)
    return max(bottom, _how(page, (x, top), MARGIN_MM + wide - x, board))


def _ticks(page: PrintPage, at: tuple[float, float], name: str, steps: Sequence[CombStep]) -> float:
    """One row per step: code, drawn width, three boxes; return the y below [mm]."""
    columns = (12.0, 17.0, 11.0, 11.0, 11.0)
    wide = sum(columns)
    starts = [at[0] + sum(columns[:n]) for n in range(len(columns))]
    heads = (name, "drawn mm", *FEEL_WORDS)
    for start, column, words in zip(starts, columns, heads, strict=True):
        page.text((start + column / 2.0, at[1] + 3.6), words, 7.0, align="middle", bold=True)
    y = at[1] + _ROW_MM
    for step in steps:
        page.pen(0.12, grey=0.5)
        page.line((at[0], y), (at[0] + wide, y))
        base = y + 0.7 * _ROW_MM
        page.text((starts[0] + columns[0] / 2.0, base), step.label, 8.0, align="middle", bold=True)
        page.text((starts[1] + columns[1] / 2.0, base), _two(step), 8.0, align="middle")
        page.pen(0.25)
        for start, column in zip(starts[2:], columns[2:], strict=True):
            page.box((start + column / 2.0 - 1.8, y + 0.9), (3.6, 3.6))
        y += _ROW_MM
    page.pen(0.12, grey=0.5)
    page.line((at[0], y), (at[0] + wide, y))
    return y


def _two(step: CombStep) -> str:
    """Drawn width with two decimals, or three if it has them."""
    shown = f"{step.width_mm:.3f}"
    return shown[:-1] if shown.endswith("0") else shown


def _how(page: PrintPage, at: tuple[float, float], wide: float, board: CombBoard) -> float:
    """What the words mean and what to do; return the y below [mm]."""
    x, y = at
    for word, meaning in FEEL_WORDS.items():
        page.lines((x, y), [word], 7.0)
        y = page.lines((x + 9.5, y), wrap(meaning, wide - 9.5, 7.0), 7.0) + 0.8
    which = "the gauge inside, three tongues outside" if board.tongues else "four slots inside"
    how = [_HOW_SLOTS, *([_HOW_TONGUES] if board.tongues else []), _HOW_CALIPER.format(which=which)]
    y += 1.0
    for sentence in how:
        y = page.lines((x, y), wrap(sentence, wide, 7.0), 7.0) + 1.2
    return y


def _measured(page: PrintPage, board: CombBoard, top: float) -> float:
    """Rows for the caliper: gauge, tongues and stock; return the y below [mm]."""
    first = board.gauge.label if board.gauge else ""
    codes = [first, *([""] * (_MEASURED_ROWS - 1))]
    names, cell = 20.0, (page.width_mm - 2.0 * MARGIN_MM - 20.0) / 6.0
    edges = [MARGIN_MM + names + n * cell for n in range(7)]
    for n, words in enumerate(("at the top, mm", "at the bottom, mm")):
        page.text((edges[3 * n] + 1.5, top + 3.4), words, 7.0, bold=True)
    page.text((MARGIN_MM + 1.5, top + 3.4), "caliper", 7.0, bold=True)
    y = top + _ROW_MM - 0.6
    bottom = y + (len(codes) + 1) * _ROW_MM
    page.pen(0.2)
    for row, code in enumerate((*codes, "stock")):
        page.line((MARGIN_MM, y + row * _ROW_MM), (edges[-1], y + row * _ROW_MM))
        page.text((MARGIN_MM + 1.5, y + (row + 0.7) * _ROW_MM), code or "code", 7.5)
        if not code:
            start = MARGIN_MM + 3.0 + text_width_mm("code", 7.5)
            line = y + (row + 0.78) * _ROW_MM
            page.line((start, line), (MARGIN_MM + names - 2.0, line))
    page.line((MARGIN_MM, bottom), (edges[-1], bottom))
    for edge in (MARGIN_MM, *edges):
        page.line((edge, y), (edge, bottom))
    return bottom


def _cautions(page: PrintPage, texts: Sequence[str]) -> float:
    """Set cautions and notes in two columns at the foot; return the y above them [mm]."""
    wide = page.width_mm - 2.0 * MARGIN_MM
    half, size = (wide - 8.0) / 2.0, 6.0
    wrapped = [wrap(text, half - 2.2, size) for text in texts]
    total = sum(len(lines) for lines in wrapped)
    split, used = 0, 0
    while 2 * used < total:
        used += len(wrapped[split])
        split += 1
    rows = max(used, total - used)
    height = 4.4 + rows * line_height_mm(size) + 1.5
    top = page.height_mm - MARGIN_MM - height
    page.text((MARGIN_MM + 2.5, top + 3.6), "CAUTIONS, before and while you burn", 7.5, bold=True)
    for x, part in ((2.5, wrapped[:split]), (half + 5.5, wrapped[split:])):
        y = top + 4.4
        for lines in part:
            page.lines((MARGIN_MM + x, y), ["•"], size)
            y = page.lines((MARGIN_MM + x + 2.2, y), lines, size)
    page.pen(0.5)
    page.box((MARGIN_MM, top), (wide, height), corner_mm=1.5)
    return top
