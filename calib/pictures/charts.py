"""Charts for looking at a record of stated chances, at drift, and at what a setting costs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from calib.pictures.paper import (
    ACCENT,
    GREY,
    HALO,
    HATCH,
    INK,
    PictureFormat,
    Words,
    axes_at,
    drawable,
    drawing,
    saved,
    scale_colours,
)
from calib.pictures.region import figure_words, nice_ticks
from calib.texts.say import say

_PLOT_IN, _FOOT_IN = 4.6, 0.85
# Points of a track record nearer than this would cover each other's numbers.
_NEAR = 0.06
_HATCHES = ("", "///", "...", "\\\\\\", "xx", "---", "ooo", "+++")


def track_record_picture(
    rows: Sequence[Any],
    *,
    title: str = say("pictures.what_was_stated"),
    format: PictureFormat = "png",
) -> bytes:
    """Draw stated chances against shares that came, each with its interval and its count.

    Raises InvalidRecord when the format is another.
    """
    words = say("pictures.on_line_it_came_out")
    stated = [row.stated for row in rows]
    with drawing(_height(title, words)) as figure:
        axes = _framed(figure, title, words)
        low = min([0.8, *(row.low for row in rows), *stated])
        start = max(0.0, math.floor(10.0 * low - 0.3) / 10.0)
        rim = 0.02 * (1.0 - start)
        axes.plot([start, 1.0], [start, 1.0], color=GREY, linewidth=1.4, dashes=(5, 3))
        for number, (row, following) in enumerate(zip(rows, [*stated, math.inf][1:], strict=True)):
            axes.plot([row.stated] * 2, [row.low, row.high], "_-", ms=12, color=INK, linewidth=2.0)
            axes.plot([row.stated], [row.came], "o", ms=10, color=INK, gid=f"stated-{number + 1}")
            # The count stands to the right, or left of a point with a near neighbour.
            left = following - row.stated < _NEAR
            axes.annotate(
                str(row.count), (row.stated, row.came), xytext=(-10 if left else 10, 0),
                fontsize=11.5, textcoords="offset points", va="center", path_effects=HALO,
                ha="right" if left else "left",
            )  # fmt: skip
        axes.set_xlim(start - rim, 1.0 + 3.0 * rim)
        axes.set_ylim(start - rim, 1.0 + rim)
        axes.set_xlabel(say("pictures.stated_chance_numbers"))
        axes.set_ylabel(say("pictures.share_that_came_out"))
        return saved(figure, format)


def control_chart_picture(
    values: npt.ArrayLike,
    *,
    low: npt.ArrayLike,
    high: npt.ArrayLike,
    alarms: Sequence[bool],
    limit: float,
    labels: Sequence[str],
    format: PictureFormat = "png",
) -> bytes:
    """Draw a change from check to check, each with its interval; alarms stand out by their shape.

    ``values``, ``low``, ``high`` and ``alarms`` hold one entry per check, (n,); ``labels`` the
    headline, the name of the vertical axis, then one short name per check. In an SVG the points
    are named ``check-1-calm`` or ``check-1-alarm``. Raises InvalidRecord when the format is
    another.
    """
    series, bottom, top = (np.asarray(v, dtype=float) for v in (values, low, high))
    title, unit, *names = labels
    places = np.arange(1, len(series) + 1)
    words = say("pictures.what_was_known_after_each_check")
    with drawing(_height(title, words) + 0.5) as figure:
        axes = _framed(figure, title, words)
        axes.axhline(0.0, color=GREY, linewidth=1.4)
        axes.axhline(limit, color=INK, linewidth=1.6, dashes=(5, 3))
        axes.vlines(places, bottom, top, color=GREY, linewidth=3.0)
        for place, value, alarm in zip(places, series, alarms, strict=True):
            axes.plot(
                [place], [value], "s" if alarm else "o", ms=11 if alarm else 8, path_effects=HALO,
                color=ACCENT if alarm else INK, gid=f"check-{place}-{'alarm' if alarm else 'calm'}",
            )  # fmt: skip
        axes.set_xlim(0.5, len(series) + 0.5)
        axes.set_ylabel(drawable(unit))
        every = math.ceil(len(series) / 12)
        axes.set_xticks(places[::every], [drawable(n) for n in names[::every]], rotation=40)
        for tick in axes.get_xticklabels():
            tick.set(ha="right", rotation_mode="anchor")
        return saved(figure, format)


def cost_picture(
    speed_mm_s: npt.ArrayLike,
    parts: Mapping[str, npt.ArrayLike],
    *,
    chosen_mm_s: float | None = None,
    title: str = say("pictures.what_part_costs"),
    unit: str = say("pictures.cost_per_part"),
    format: PictureFormat = "png",
) -> bytes:
    """Stack the parts of a cost that change with speed and show the speed that was chosen.

    Parts that are the same everywhere are told beside. Raises InvalidRecord when the format is
    another.
    """
    speeds = np.asarray(speed_mm_s, dtype=float)
    layers = {name: np.asarray(values, dtype=float) for name, values in parts.items()}
    fixed = {name: float(v[0]) for name, v in layers.items() if np.ptp(v) <= 1e-9 * abs(v[0])}
    layers = {name: values for name, values in layers.items() if name not in fixed}
    words = say("pictures.what_changes_with_speed")
    if told := [f"{name} {value:.2f}" for name, value in fixed.items() if value]:
        words += say("pictures.same_at_every_speed", told=", ".join(told))
    with drawing(_height(title, words) + 0.3 + 0.36 * math.ceil(len(layers) / 2)) as figure:
        axes = _framed(figure, title, words)
        base = np.zeros_like(speeds)
        colours = scale_colours(max(2, len(layers)))
        for number, (name, values) in enumerate(layers.items()):
            band = axes.fill_between(
                speeds, base, base + values, facecolor=colours[number], edgecolor=HATCH,
                hatch=_HATCHES[number % len(_HATCHES)], linewidth=0.8, label=drawable(name),
            )  # fmt: skip
            band.set_gid(f"part-{number + 1}")
            base = base + values
        axes.plot(speeds, base, color=INK, linewidth=2.2, gid="total")
        ends, highest = (float(speeds[0]), float(speeds[-1])), float(base.max())
        axes.set_xscale("log")
        axes.set_xlim(ends)
        axes.set_ylim(0.0, 1.15 * highest if highest > 0 else 1.0)
        axes.xaxis.set_major_locator(FixedLocator(nice_ticks(*ends)))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: figure_words(float(value))))
        axes.set_xlabel("speed [mm/s]")
        axes.set_ylabel(drawable(unit))
        if chosen_mm_s is not None:
            cost = float(np.interp(chosen_mm_s, speeds, base))
            axes.axvline(chosen_mm_s, color=ACCENT, linewidth=1.6, dashes=(6, 2))
            axes.plot(
                [chosen_mm_s], [cost], "o", ms=15, mfc="white", mec=ACCENT, mew=3.0, zorder=5,
                gid="chosen",
            )  # fmt: skip
            axes.annotate(
                f"{figure_words(chosen_mm_s)} mm/s", (chosen_mm_s, cost), xytext=(0, 14),
                fontsize=13, weight="bold", textcoords="offset points", ha="center",
                path_effects=HALO, zorder=6,
            )  # fmt: skip
        figure.legend(
            loc="lower left", ncols=2, frameon=False, fontsize=12, bbox_to_anchor=(0.1, 0.01)
        )
        return saved(figure, format)


def _height(title: str, words: str) -> float:
    head = Words(text=title, size_pt=17.0, bold=True).height_in
    return 0.45 + head + Words(text=words).height_in + _PLOT_IN + _FOOT_IN


def _framed(figure: Figure, title: str, words: str) -> Axes:
    top = Words(text=title, size_pt=17.0, bold=True, gid="title").write(figure, 0.3)
    top = Words(text=words, gid="what").write(figure, top)
    axes = axes_at(figure, top + 0.15, _PLOT_IN)
    axes.spines[["top", "right"]].set_visible(False)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    return axes
