"""The one plotting room: pictures as PNG or SVG bytes, the same for the same data.

Outcomes and levels differ in shape, fill or dashes, never in colour alone.
"""

from __future__ import annotations

from matplotlib.axes import Axes

from calib.pictures.burns import draw_burns, draw_keys, draw_recommendation
from calib.pictures.charts import (
    TrackRow,
    control_chart_picture,
    cost_picture,
    track_record_picture,
)
from calib.pictures.layers import (
    draw_chance,
    draw_likely_marks,
    draw_limits,
    draw_untested,
    label_levels,
    set_axes,
)
from calib.pictures.paper import PictureFormat, Words, axes_at, drawing, saved
from calib.pictures.room import Room
from calib.pictures.view import RegionView, figure_words, setting_words

__all__ = [
    "RegionView",
    "TrackRow",
    "control_chart_picture",
    "cost_picture",
    "region_picture",
    "track_record_picture",
]

_RIGHT_IN, _PLOT_IN, _KEYS_IN = 1.05, 5.0, 1.7


def region_picture(view: RegionView, *, format: PictureFormat = "png") -> bytes:
    """Draw power against speed: bands of chance, burns, the recommendation, what wasn't tested.

    Raises InvalidRecord when the format is another.
    """
    head, foot = _head(view), _foot(view)
    head_in = 0.3 + sum(words.height_in for words in head)
    foot_in = 0.15 + sum(words.height_in for words in foot)
    with drawing(head_in + _PLOT_IN + _KEYS_IN + foot_in) as figure:
        top = 0.3
        for words in head:
            top = words.write(figure, top)
        axes = axes_at(figure, top + 0.15, _PLOT_IN, right_in=_RIGHT_IN)
        _draw_layers(axes, view)
        draw_keys(figure, view, top + 0.15 + _PLOT_IN + 0.7)
        top += 0.15 + _PLOT_IN + _KEYS_IN - 0.15
        for words in foot:
            top = words.write(figure, top)
        return saved(figure, format)


def _draw_layers(axes: Axes, view: RegionView) -> None:
    """Draw from the ground up; labels come last, where room is left."""
    set_axes(axes, view)
    room = Room(axes)
    draw_chance(axes, view)
    draw_untested(axes, view)
    draw_limits(axes, view, room)
    draw_burns(axes, view, room)
    draw_recommendation(axes, view, room)
    label_levels(axes, view, room)
    draw_likely_marks(axes, view, room)


def _head(view: RegionView) -> list[Words]:
    advice = ""
    if view.recommendation is not None:
        advice = "advised: " + ", ".join(setting_words(view.recommendation))
    return [
        Words(text=view.title, size_pt=17.0, bold=True, gid="title"),
        Words(text=view.words + _of_passes(view), size_pt=12.5, gid="what"),
        Words(text=advice, size_pt=14.0, bold=True, gid="advice"),
    ]


def _of_passes(view: RegionView) -> str:
    passes = "1 pass" if view.passes == 1 else f"{view.passes} passes"
    if view.line_pitch_mm is None:
        return f", {passes}"
    return f", {passes}, lines {figure_words(view.line_pitch_mm)} mm apart"


def _foot(view: RegionView) -> list[Words]:
    others = sum(not view.shows(burn) for burn in view.burns)
    hidden = ""
    if others:
        hidden = f"{others} burn{'s' * (others > 1)} not drawn: not read, or other passes or pitch."
    settings = [(burn.power_pct, burn.speed_mm_s) for _, burn in view.shown]
    beside = len(set(settings)) < len(settings)
    return [
        Words(
            text="Marks side by side: burnt at one setting." if beside else "",
            size_pt=11.5,
            gid="side-by-side",
        ),
        Words(text=view.promise, size_pt=12.5, gid="promise"),
        Words(text=hidden, size_pt=11.0, gid="not-drawn"),
    ]
