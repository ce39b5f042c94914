"""What of a board is burnt at one setting: its name in files, its words, its colour, its strokes.

Drawings, programs for one setting and the record sheet all take their groups from here.
"""

from __future__ import annotations

import colorsys
import math
from collections.abc import Iterator
from dataclasses import dataclass

from calib.boards.board import Board, board_of
from calib.boards.naming import setting_words
from calib.boards.strokes import Stroke
from calib.records import Grid, Machine, Setting

# Eight of the 216 colours whose parts are multiples of 51, the set whose two nearest are farthest
# apart (CIEDE2000 22.6), white included, to normal eyes and to those without one kind of cone
# (Machado, Oliveira, Fernandes 2009); each rounds to another of the 16 basic colours of the web.
# Each is the farthest from those before it. tests/test_colours.py works it out again.
PALETTE = (
    "#330000", "#9900ff", "#000066", "#999966", "#336666", "#66ff00", "#ff99ff", "#993300",
)  # fmt: skip
# Of the edge of the piece, which isn't burnt: of the 216 that round to another of the basic colours
# than the eight and white, the farthest from all of them (13.7).
EDGE_COLOUR = "#663399"
# The nearest of DXF's 255 numbered colours.
DXF_COLOURS = (18, 190, 174, 43, 115, 70, 211, 22)


# The plain word of a hue up to so many degrees, and its word where that is dark (own judgement, no
# source, like the bounds below).
_HUES = (
    (15.0, "red", "dark red"), (45.0, "orange", "brown"), (70.0, "yellow", "olive"),
    (165.0, "green", "dark green"), (200.0, "teal", "dark teal"), (255.0, "blue", "dark blue"),
    (290.0, "violet", "dark violet"), (345.0, "pink", "purple"), (360.0, "red", "dark red"),
)  # fmt: skip
_GREYS = ((0.15, "black"), (0.45, "dark grey"), (0.9, "grey"), (1.0, "white"))


def colour_words(colour: str) -> str:
    """What a colour is called at the bench, where a program shows patches and no numbers.

    Examples
    --------
    >>> [colour_words(one) for one in PALETTE]
    ['dark red', 'violet', 'dark blue', 'olive', 'dark teal', 'green', 'pink', 'brown']
    >>> colour_words("#d02020"), colour_words("#808080")
    ('red', 'grey')
    """
    red, green, blue = (int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5))
    hue, lightness, strength = colorsys.rgb_to_hls(red, green, blue)
    if strength < 0.15 or not 0.04 < lightness < 0.96:
        return next(word for least, word in _GREYS if lightness <= least)
    word, dark = next((w, dark) for end, w, dark in _HUES if 360.0 * hue <= end)
    # A dull colour looks darker than it is.
    return dark if lightness * (0.5 + 0.5 * strength) < 0.31 else word


def edge_colour_of(machine: Machine) -> str:
    """Colour of the piece's edge; among own colours, one that is far from each of them."""

    def far(one: str) -> bool:
        return all(
            max(abs(int(one[at : at + 2], 16) - int(own[at : at + 2], 16)) for at in (1, 3, 5)) > 64
            for own in machine.colours
        )

    return next(filter(far, (EDGE_COLOUR, *PALETTE)), EDGE_COLOUR)


def typed_by_hand(machine: Machine) -> bool:
    """Whether a drawing program takes the board, and its settings are typed there."""
    return bool(machine.colours) or machine.power_word_full is None


def palette_of(machine: Machine) -> tuple[str, ...]:
    """The maker's own colours, else the eight."""
    return tuple(colour.lower() for colour in machine.colours) or PALETTE


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """Strokes of one colour, in burning order."""

    key: str  # such as ``03-60pct-12.5mm_s``: keys sort in burning order
    title: str  # in words
    number: int  # from 0, the codes
    setting: Setting
    strokes: tuple[Stroke, ...]
    palette: tuple[str, ...]  # of the machine

    @property
    def part(self) -> int:
        """Which drawing it is in, from 1, where a board is drawn in parts."""
        return self.number // len(self.palette) + 1

    @property
    def colour_in_part(self) -> str:
        """Its stroke colour in the drawing of its part, where a board is drawn in parts."""
        return self.palette[self.number % len(self.palette)]

    @property
    def colour(self) -> str:
        """Its stroke colour; beyond the palette a shade off the one that had its turn before."""
        shade, place = divmod(self.number, len(self.palette))
        parts = (int(self.palette[place][at : at + 2], 16) for at in (1, 3, 5))
        return "#" + "".join(f"{p - shade if p > 127 else p + shade:02x}" for p in parts)


def layers_of(planned: Grid | Board) -> tuple[Layer, ...]:
    """The codes, then a layer for each setting, gentle first.

    Where something is set by hand before each group, a layer for each group.
    """
    board = board_of(planned)
    palette = palette_of(board.machine)
    return tuple(
        Layer(
            key=key,
            title=title,
            number=number,
            setting=setting,
            strokes=strokes,
            palette=palette,
        )
        for number, (key, title, setting, strokes) in enumerate(_parts(board))
    )


def _parts(board: Board) -> Iterator[tuple[str, str, Setting, tuple[Stroke, ...]]]:
    codes = board.label_setting
    by_hand = all(group.by_hand for group in board.groups)

    found: dict[Setting, list[Stroke]] = {}
    for stroke in board.strokes:
        found.setdefault(stroke.setting, []).append(stroke)

    def burnt_at(setting: Setting) -> tuple[Stroke, ...]:
        return tuple(found.get(setting, ()))

    words = f"codes: {setting_words(codes)}"
    yield "00-codes", words, codes, board.labels if by_hand else burnt_at(codes)
    if by_hand:
        for number, group in enumerate(board.groups, 1):
            words = f"{group.name}: {setting_words(group.setting)}"
            yield f"{number:02d}-{group.label}", words, group.setting, group.strokes
        return
    for number, setting in enumerate((s for s in board.settings if s != codes), 1):
        key = f"{number:02d}-{setting.power_pct:g}pct-{setting.speed_mm_s:g}mm_s"
        if setting.passes > 1:
            key += f"-{setting.passes}x"
        if setting.line_pitch_mm is not None:
            key += f"-{setting.line_pitch_mm:g}mm"
        yield key, setting_words(setting), setting, burnt_at(setting)


def colours_of(planned: Grid | Board) -> dict[Setting, str]:
    """The stroke colour of each setting of a board."""
    return {layer.setting: layer.colour for layer in layers_of(planned)}


def drawings_of(planned: Grid | Board) -> int:
    """How many drawings a board takes: programs tell no more colours apart than the palette's."""
    return math.ceil(len(colours_of(planned)) / len(palette_of(planned.machine)))
