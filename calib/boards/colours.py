"""One stroke colour per setting, from a perceptually even scale ordered by line energy."""

from __future__ import annotations

from calib.boards.board import Board
from calib.limits import gentle_first
from calib.records import Grid, Setting

# The scale "viridis" from 0.86 down to 0 in 16 equal steps, light to dark: even in lightness and
# readable with the common kinds of colour blindness (S. van der Walt, N. Smith, 2015, dedicated to
# the public domain, CC0; values as computed by matplotlib 3.11). Its yellow end is left out: it
# can't be seen on white.
SCALE = (
    (162, 218, 55), (127, 211, 78), (94, 201, 98), (66, 190, 113), (46, 179, 124),
    (33, 166, 133), (31, 153, 138), (34, 140, 141), (39, 128, 142), (44, 114, 142),
    (50, 101, 142), (57, 86, 140), (63, 72, 137), (69, 56, 130), (72, 38, 119),
    (72, 20, 103), (68, 1, 84),
)  # fmt: skip


def colour_at(share: float) -> str:
    """Pick a colour of the scale.

    Examples
    --------
    >>> colour_at(0.0), colour_at(1.0)
    ('#a2da37', '#440154')
    """
    place = min(max(share, 0.0), 1.0) * (len(SCALE) - 1)
    low = min(int(place), len(SCALE) - 2)
    parts = (
        round(a + (place - low) * (b - a)) for a, b in zip(SCALE[low], SCALE[low + 1], strict=True)
    )
    return "#" + "".join(f"{part:02x}" for part in parts)


def even_colours(count: int) -> list[str]:
    """So many colours of the scale, light to dark, each used once."""
    last = max(count - 1, 1)
    colours: list[str] = []
    for place in range(count):
        share = place / last
        # Beyond some 200 colours two may round to one.
        while (colour := colour_at(share)) in colours:
            share += 0.1 / last if share < 0.5 else -0.1 / last
        colours.append(colour)
    return colours


def setting_colours(board: Board | Grid) -> dict[Setting, str]:
    """Give each setting of a board its stroke colour, that of the codes included."""
    cells = board.groups if isinstance(board, Board) else board.cells
    settings = gentle_first(board.machine, {board.label_setting, *(c.setting for c in cells)})
    return dict(zip(settings, even_colours(len(settings)), strict=True))
