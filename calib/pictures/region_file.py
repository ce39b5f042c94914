"""The picture of a region as PNG or SVG file, the same for the same data."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline

from calib.pictures import region
from calib.pictures.paper import (
    ACCENT,
    GREY,
    HALO,
    HATCH,
    INK,
    LEFT_IN,
    WIDTH_IN,
    PictureFormat,
    Words,
    drawable,
    drawing,
    saved,
    scale_colours,
    text_width_in,
)
from calib.pictures.region import Part, RegionView, Shape, figure_words, setting_words
from calib.texts.say import say

_UNIT_IN = WIDTH_IN / region.WIDTH
_UNIT_PT = 72.0 * _UNIT_IN
_KEY_PT, _KEY_ROW = 11.5, 19.0
_LINE: dict[str, Any] = {"facecolor": "none", "edgecolor": INK}
_LOOKS: dict[str, dict[str, Any]] = {
    "untested": {
        "facecolor": (1.0, 1.0, 1.0, 0.45), "edgecolor": HATCH, "hatch": "//", "linewidth": 0.0,
    },
    "hull": {"facecolor": "none", "edgecolor": GREY, "linewidth": 1.0},
    "level": {**_LINE, "linewidth": 1.5},
    "grade": {"facecolor": "none", "edgecolor": GREY, "linewidth": 1.2},
    "limit": {**_LINE, "linewidth": 1.2},
    "frame": {"facecolor": "none", "edgecolor": GREY, "linewidth": 1.2},
    "rim": {"facecolor": "none", "edgecolor": GREY, "linewidth": 0.8},
    "tick": {**_LINE, "linewidth": 1.0},
    "full": {"facecolor": INK, "edgecolor": INK, "linewidth": 1.3},
    "half": {"facecolor": HATCH, "edgecolor": INK, "linewidth": 1.0},
    "bare": {"facecolor": "white", "edgecolor": INK, "linewidth": 1.5, "path_effects": HALO},
    "cross": {**_LINE, "linewidth": 2.6, "path_effects": HALO},
    "kept": {**_LINE, "linewidth": 2.0, "path_effects": HALO},
    "advised": {"facecolor": "none", "edgecolor": ACCENT, "linewidth": 3.0, "path_effects": HALO},
}  # fmt: skip
_TEXTS: dict[str, dict[str, Any]] = {
    "text": {"fontsize": 12.5},
    "small": {"fontsize": 11.0, "path_effects": HALO},
    "name": {"fontsize": 13.5, "weight": "bold", "path_effects": HALO},
    "likely": {"fontsize": 12.0, "style": "italic", "path_effects": HALO},
    "share": {"fontsize": 12.0, "weight": "bold", "path_effects": HALO},
    "numeral": {"fontsize": 12.0, "weight": "bold"},
    "numeral-white": {"fontsize": 12.0, "weight": "bold", "color": "white"},
    "key": {"fontsize": _KEY_PT},
}


def region_picture(view: RegionView, *, format: PictureFormat = "png") -> bytes:
    """Draw power against speed: bands of chance, burns, the recommendation, what wasn't tested.

    Raises InvalidRecord when the format is another.
    """
    head, foot = _head(view), _foot(view)
    keys = list(_key_rows(region.region_keys(view)))
    rows = 1 + max(row for row, *_ in keys)
    head_in = 0.3 + sum(words.height_in for words in head)
    plot_in = _UNIT_IN * (region.HEIGHT + _KEY_ROW * rows + 6.0)
    whole = head_in + plot_in + 0.3 + sum(words.height_in for words in foot)
    with drawing(whole) as figure:
        top = 0.3
        for words in head:
            top = words.write(figure, top)
        axes = figure.add_axes((0.0, 1.0 - (top + plot_in) / whole, 1.0, plot_in / whole))
        axes.set_axis_off()
        axes.set_xlim(0.0, region.WIDTH)
        axes.set_ylim(plot_in / _UNIT_IN, 0.0)
        parts = region.region_parts(view)
        size = region.RIGHT - region.LEFT, region.FOOT - region.TOP
        clip = Rectangle((region.LEFT, region.TOP), *size, transform=axes.transData)
        colours = scale_colours(len(view.levels) + 1)
        looks = _LOOKS | {
            f"b{n}": {"facecolor": colour, "linewidth": 0.0} for n, colour in enumerate(colours)
        }
        _draw(axes, parts, looks, clip)
        for row, x, said, shapes in keys:
            y = region.HEIGHT + _KEY_ROW * (row + 0.5)
            moved = [_moved(shape, x + 11.0, y) for shape in shapes]
            _draw(axes, moved, looks, None, scale=0.8)
            at = (x + 25.0, y)
            _draw(axes, [region.Label(look="key", text=said, at=at, anchor="start")], looks, None)
        top += plot_in
        for words in foot:
            top = words.write(figure, top)
        return saved(figure, format)


def _head(view: RegionView) -> list[Words]:
    passes = "1 pass" if view.passes == 1 else say("pictures.passes", view=view)
    if view.line_pitch_mm is not None:
        passes += say("pictures.lines_apart", figure=figure_words(view.line_pitch_mm))
    setting = view.recommendation
    advice = "" if setting is None else f"advised: {setting_words(setting)}"
    return [
        Words(text=view.title, size_pt=17.0, bold=True, gid="title"),
        Words(text=f"{view.chance_words}, {passes}", size_pt=12.5, gid="what"),
        Words(text=advice, size_pt=14.0, bold=True, gid="advice"),
    ]


def _foot(view: RegionView) -> list[Words]:
    others = len(view.burns) - len(view.shown)
    hidden = say("pictures.burn_not_drawn", others=others, value="s" * (others > 1))
    return [
        Words(text=view.said, size_pt=12.5, gid="said"),
        Words(text=hidden if others else "", size_pt=11.0, gid="not-drawn"),
    ]


def _key_rows(keys: Sequence[tuple[str, list[Part]]]) -> Any:
    """Row and left end [units] of each key, as many in a row as there is room for."""
    left = LEFT_IN / _UNIT_IN
    row, x = 0, left
    for said, shapes in keys:
        wide = 25.0 + text_width_in(said, _KEY_PT) / _UNIT_IN + 12.0
        if x > left and x + wide > region.WIDTH - 6.0:
            row, x = row + 1, left
        yield row, x, said, shapes
        x += wide


def _moved(part: Part, x: float, y: float) -> Part:
    """A part of a key, which is drawn round (0, 0), at its place and a little smaller."""
    if isinstance(part, Shape):
        loops = tuple(tuple((x + 0.8 * u, y + 0.8 * v) for u, v in loop) for loop in part.loops)
        return Shape(look=part.look, loops=loops, closed=part.closed)
    return region.Label(look=part.look, text=part.text, at=(x, y))


def _draw(
    axes: Axes, parts: Sequence[Part], looks: dict[str, Any], clip: Any, *, scale: float = 1.0
) -> None:
    for part in parts:
        if isinstance(part, Shape):
            loops = [
                Outline([*loop, loop[0]] if part.closed else loop, closed=part.closed)
                for loop in part.loops
            ]
            clipped = clip is not None and part.look in region.CLIPPED
            whole = Outline.make_compound_path(*loops)
            patch = PathPatch(whole, clip_on=clipped, **looks[part.look])
            if part.dashes:
                unit = _UNIT_PT / float(patch.get_linewidth())
                patch.set_linestyle((0.0, [unit * length for length in part.dashes]))
            patch.set_gid(part.name or None)
            axes.add_patch(patch)
            if clipped:
                patch.set_clip_path(clip)
            continue
        align = {"start": "left", "middle": "center", "end": "right"}[part.anchor]
        style = _TEXTS[part.look]
        text = axes.text(
            part.at[0], part.at[1], drawable(part.text), ha=align, va="center_baseline",
            rotation=90.0 if part.upright else 0.0,
            **style | {"fontsize": scale * style["fontsize"]},
        )  # fmt: skip
        text.set_gid(part.name or None)
