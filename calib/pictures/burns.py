"""Marks on a region's picture: burns by outcome, the advised setting, and the keys below."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from matplotlib.transforms import offset_copy

from calib.pictures.layers import per_cent
from calib.pictures.paper import (
    ACCENT,
    GREY,
    HALO,
    HATCH,
    INK,
    LEFT_IN,
    WIDTH_IN,
    scale_colours,
    text_width_in,
)
from calib.pictures.room import Room
from calib.pictures.view import RegionView, outcome_of, setting_words
from calib.records import Burn, Setting


def _mark_style(outcome: str, view: RegionView) -> dict[str, object]:
    """Return shape and fill of a burn's mark."""
    if outcome == "through":
        return {"marker": "o", "markersize": 11, "markerfacecolor": INK}
    if outcome == "hanging":
        return {
            "marker": "D", "markersize": 10, "fillstyle": "bottom",
            "markerfacecolor": INK, "markerfacecoloralt": "white",
        }  # fmt: skip
    if outcome == "no":
        return {"marker": "X", "markersize": 12, "markerfacecolor": "white"}
    grade = int(outcome)
    if grade == view.wanted_mark:
        return {"marker": "o", "markersize": 19, "markerfacecolor": INK}
    shape = "o" if grade < view.wanted_mark else "s"
    return {"marker": shape, "markersize": 17, "markerfacecolor": "white"}


def draw_burns(axes: Axes, view: RegionView, room: Room) -> None:
    """Draw each burn by its outcome; burns at one setting stand side by side."""
    groups: dict[tuple[float, float], list[tuple[int, Burn]]] = {}
    for number, burn in view.shown:
        groups.setdefault((burn.power_pct, burn.speed_mm_s), []).append((number, burn))
    step = 11.0 if view.operation == "cut" else 18.0
    for setting, group in groups.items():
        step_pt = min(step, 60.0 / len(group))
        for place, numbered in enumerate(group):
            shift = (place - (len(group) - 1) / 2.0) * step_pt
            _draw_burn(axes, view, numbered, shift)
        size = 13.0 if view.operation == "cut" else 20.0
        room.take(room.pixels(setting), (size + step_pt * (len(group) - 1), size))


def _draw_burn(axes: Axes, view: RegionView, numbered: tuple[int, Burn], shift_pt: float) -> None:
    number, burn = numbered
    outcome = outcome_of(burn)
    place = offset_copy(axes.transData, fig=axes.get_figure(root=True), x=shift_pt, units="points")
    (mark,) = axes.plot(
        [burn.power_pct], [burn.speed_mm_s], linestyle="none", markeredgecolor=INK,
        markeredgewidth=1.5, transform=place, zorder=4.0, path_effects=HALO, clip_on=False,
        **_mark_style(outcome, view),  # type: ignore[arg-type]
    )  # fmt: skip
    mark.set_gid(f"burn-{number}-{outcome}")
    if outcome.isdigit():
        colour = "white" if int(outcome) == view.wanted_mark else INK
        axes.text(
            burn.power_pct, burn.speed_mm_s, outcome, transform=place, ha="center",
            va="center_baseline", fontsize=12, weight="bold", color=colour, zorder=4.1,
        )  # fmt: skip
    if burn.count > 1:
        axes.annotate(
            f"×{burn.count}", (burn.power_pct, burn.speed_mm_s), xytext=(shift_pt, -9),
            textcoords="offset points", ha="center", va="top", fontsize=10.5,
            path_effects=HALO, zorder=4.2,
        )  # fmt: skip


def draw_recommendation(axes: Axes, view: RegionView, room: Room) -> None:
    """Draw the advised setting as a ring with a cross and its numbers in a box nearby."""
    setting = view.recommendation
    if setting is None:
        return
    x, y = [setting.power_pct], [setting.speed_mm_s]
    _, ring = (
        axes.plot(
            x, y, marker=marker, markersize=size, markerfacecolor="none", markeredgecolor=ACCENT,
            linestyle="none", markeredgewidth=width, zorder=5.0, clip_on=False,
            path_effects=[withStroke(linewidth=width + 3.0, foreground="white")],
        )[0]
        for marker, size, width in (("+", 34, 2.4), ("o", 23, 3.0))
    )  # fmt: skip
    ring.set_gid("recommendation")
    room.take(room.pixels((x[0], y[0])), (36.0, 36.0))
    # The line pitch gets a line of its own: a wide box covers too much.
    lines = "\n".join(setting_words(setting)).replace(", lines", "\nlines").split("\n")
    width = 72.0 * max(text_width_in(line, 12.5 * 1.14) for line in lines) + 12.0
    shift = _free_side(room, setting, (width, 21.0 * len(lines)))
    label = axes.annotate(
        "\n".join(lines), (x[0], y[0]), xytext=shift, textcoords="offset points", ha="center",
        va="center", fontsize=12.5, weight="bold", zorder=6.0,
        bbox={"boxstyle": "round,pad=0.35", "facecolor": "white", "edgecolor": ACCENT},
        arrowprops={"arrowstyle": "-", "color": ACCENT, "linewidth": 1.6, "shrinkB": 12.0},
    )  # fmt: skip
    label.set_gid("recommendation-label")


_ALONG = (0.4, 0.5, 0.6, 0.7)  # shares of the line from the advised setting to its label


def _free_side(room: Room, setting: Setting, size_pt: tuple[float, float]) -> tuple[float, float]:
    """Choose the shift [pt] at which the label, then its line, covers least; near if equal."""
    centre = room.pixels((setting.power_pct, setting.speed_mm_s))
    shifts = [
        (side * (0.5 * size_pt[0] + away), up * (0.5 * size_pt[1] + rise))
        for away in (16.0, 50.0)
        for rise in (10.0, 40.0, 80.0, 120.0)
        for up in (1, -1)
        for side in (-1, 1)
    ]
    pixels = centre + room.pixels_pt * np.array(shifts)
    crossed = [
        sum(room.cost(tuple(centre[0] + share * (end - centre[0])), (9.0, 9.0)) for share in _ALONG)
        for end in pixels
    ]
    wishes = [math.hypot(*shift) + 150.0 * c for shift, c in zip(shifts, crossed, strict=True)]
    best, _ = room.best(pixels, size_pt, wishes)
    room.take(pixels[best], size_pt)
    return shifts[best]


def _burn_keys(view: RegionView) -> list[Line2D]:
    if view.operation == "cut":
        words = {"through": "through", "hanging": "hanging", "no": "no"}
    else:
        wanted = view.wanted_mark
        words = {str(wanted): f"mark {wanted}, as wanted"}
        words |= {str(wanted - 1): "less"} if wanted > 0 else {}
        words |= {str(wanted + 1): "more"} if wanted < 4 else {}
    keys = []
    for outcome, name in words.items():
        style = _mark_style(outcome, view) | {"markersize": 11}
        keys.append(
            Line2D(
                [],
                [],
                linestyle="none",
                markeredgecolor=INK,
                markeredgewidth=1.5,
                label=name,
                **style,  # type: ignore[arg-type]
            )  # fmt: skip
        )
    return keys


def draw_keys(figure: Figure, view: RegionView, top_in: float) -> None:
    """Explain marks in one row and bands in the next."""
    height_in = float(figure.get_size_inches()[1])
    marks = _burn_keys(view)
    if view.recommendation is not None:
        marks.append(
            Line2D(
                [],
                [],
                marker="o",
                markersize=13,
                markerfacecolor="none",
                markeredgecolor=ACCENT,
                markeredgewidth=2.6,
                linestyle="none",
                label="advised",
            )  # fmt: skip
        )
    bands = (0.0, *view.levels, 1.0)
    patches = [
        Patch(facecolor=colour, edgecolor=GREY, label=f"{per_cent(low)}–{per_cent(high)} %")
        for colour, low, high in zip(
            scale_colours(len(bands) - 1), bands[:-1], bands[1:], strict=True
        )
    ]
    patches.append(Patch(facecolor="white", edgecolor=HATCH, hatch="///", label="not tested"))
    rows: tuple[Sequence[Line2D | Patch], ...] = (marks, patches)
    for row, handles in enumerate(rows):
        figure.legend(
            handles=handles,
            loc="upper left",
            bbox_to_anchor=((LEFT_IN - 0.05) / WIDTH_IN, 1.0 - (top_in + 0.36 * row) / height_in),
            ncols=len(handles),
            frameon=False,
            fontsize=11.5,
            columnspacing=1.1,
            handletextpad=0.45,
            handlelength=1.5,
            borderaxespad=0.0,
            borderpad=0.1,
        )
