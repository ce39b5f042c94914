"""Layers of a region's picture: axes, bands of chance, what wasn't tested, limits, labels."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from calib.pictures.paper import GREY, HALO, HATCH, INK, scale_colours
from calib.pictures.room import Room
from calib.pictures.view import Array, RegionView, figure_words

# Dashes of the lines of equal chance, lowest level first [line widths].
_DASHES: tuple[tuple[float, ...], ...] = ((1.0, 1.6), (4.0, 2.0), (), (7.0, 1.5, 1.5, 1.5))


def nice_ticks(low: float, high: float) -> list[float]:
    """Choose round values on a logarithmic axis.

    Examples
    --------
    >>> nice_ticks(4.0, 70.0)
    [5.0, 10.0, 20.0, 50.0]
    """
    decades = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    ticks: list[float] = []
    for steps in ((1, 2, 5), (1, 1.5, 2, 3, 5, 7), (1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 4, 5, 6, 8)):
        ticks = [float(f"{step}e{decade}") for decade in decades for step in steps]
        ticks = [tick for tick in ticks if low <= tick <= high]
        if len(ticks) >= 4:
            break
    return ticks[:: math.ceil(len(ticks) / 9)] if len(ticks) > 1 else [low, high]


def _limits(view: RegionView) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the ends of both axes: the grid's, widened to what was burnt and is advised."""
    drawn = [burn.setting for _, burn in view.shown]
    drawn += [] if view.recommendation is None else [view.recommendation]
    return (
        _widened(view.power_pct, [setting.power_pct for setting in drawn]),
        _widened(view.speed_mm_s, [setting.speed_mm_s for setting in drawn]),
    )


def _widened(axis: Array, values: list[float]) -> tuple[float, float]:
    low, high = float(axis[0]), float(axis[-1])
    return (
        min(low, *(0.97 * value if value < low else low for value in values), low),
        max(high, *(1.03 * value if value > high else high for value in values), high),
    )


def set_axes(axes: Axes, view: RegionView) -> None:
    """Set power below and speed at both sides, in mm/s and in mm/min."""
    powers, speeds = _limits(view)
    axes.set_xlim(powers)
    axes.set_yscale("log")
    axes.set_ylim(speeds)
    axes.set_xlabel("power [%]", labelpad=4)
    axes.set_ylabel("speed [mm/s]", labelpad=2)
    _log_ticks(axes, speeds)
    minutes = axes.twinx()
    minutes.set_yscale("log")
    minutes.set_ylim(speeds[0] * 60.0, speeds[1] * 60.0)
    minutes.set_ylabel("speed [mm/min]", labelpad=4)
    _log_ticks(minutes, (speeds[0] * 60.0, speeds[1] * 60.0))
    minutes.set_zorder(axes.get_zorder() - 1)
    axes.patch.set_visible(False)
    for one in (axes, minutes):
        one.tick_params(labelsize=12.5, length=5)


def _log_ticks(axes: Axes, ends: tuple[float, float]) -> None:
    axes.yaxis.set_major_locator(FixedLocator(nice_ticks(*ends)))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: figure_words(float(value))))


def draw_chance(axes: Axes, view: RegionView) -> None:
    """Fill the bands of chance and draw the lines between them."""
    chance = np.ma.masked_invalid(np.clip(np.asarray(view.chance, dtype=float), 0.0, 1.0)).T
    bands = (0.0, *view.levels, 1.0)
    filled = axes.contourf(
        view.power_pct,
        view.speed_mm_s,
        chance,
        levels=bands,
        colors=scale_colours(len(bands) - 1),
        zorder=0.5,
    )
    filled.set_gid("bands")
    for number, level in enumerate(view.levels):
        if float(chance.min()) < level < float(chance.max()):
            line = axes.contour(
                view.power_pct,
                view.speed_mm_s,
                chance,
                levels=[level],
                colors=INK,
                linewidths=1.6,
                linestyles=[(0, _DASHES[number % len(_DASHES)])],
                zorder=2.0,
            )
            line.set_gid(f"level-{per_cent(level)}")


def per_cent(chance: float) -> str:
    """Write a chance [1] in per cent, without the sign."""
    return f"{round(100.0 * chance, 2):g}"


def label_levels(axes: Axes, view: RegionView, room: Room) -> None:
    """Write each level onto its line where there is room, each further right than the last."""
    for number, level in enumerate(view.levels):
        places = _on_level(view, level)
        if not len(places):
            continue
        pixels = room.pixels(places)
        wish = 0.2 + 0.5 * number / max(1, len(view.levels) - 1)
        share = (pixels[:, 0] - axes.bbox.x0) / axes.bbox.width
        text, size = f"{per_cent(level)} %", (46.0, 17.0)
        best, _ = room.best(pixels, size, [float(v) for v in np.abs(share - wish)])
        room.take(pixels[best], size)
        label = axes.text(
            float(places[best, 0]), float(places[best, 1]), text, fontsize=13.5, weight="bold",
            ha="center", va="center", path_effects=HALO, zorder=4.5, clip_on=True,
        )  # fmt: skip
        label.set_gid(f"level-{per_cent(level)}-label")


def _on_level(view: RegionView, level: float) -> Array:
    """Return places (power, speed) where the chance crosses a level going up in speed."""
    chance = np.nan_to_num(np.asarray(view.chance, dtype=float), nan=-1.0)
    low, high = chance[:, :-1], chance[:, 1:]
    rows, columns = np.nonzero((low - level) * (high - level) < 0)
    share = (level - low[rows, columns]) / (high - low)[rows, columns]
    speeds = np.log(np.asarray(view.speed_mm_s, dtype=float))
    crossing = np.exp(speeds[columns] + share * (speeds[columns + 1] - speeds[columns]))
    return np.column_stack([np.asarray(view.power_pct, dtype=float)[rows], crossing])


def draw_likely_marks(axes: Axes, view: RegionView, room: Room) -> None:
    """Draw where the most likely mark grade changes and name each grade where there is room."""
    if view.likely_mark is None:
        return
    likely = np.asarray(view.likely_mark, dtype=float)
    powers, speeds = np.meshgrid(view.power_pct, view.speed_mm_s, indexing="ij")
    for grade in range(5):
        if likely.min() < grade - 0.5 < likely.max():
            axes.contour(
                powers, speeds, likely, levels=[grade - 0.5], colors=GREY, linewidths=1.2,
                linestyles=[(0, (1.0, 2.0))], zorder=1.5,
            )  # fmt: skip
        own = likely == grade
        places = np.column_stack([powers[own], speeds[own]])
        if len(places) == 0:
            continue
        pixels, size = room.pixels(places), (74.0, 18.0)
        middle = pixels.mean(axis=0)
        far = np.hypot(*(pixels - middle).T)
        picked = np.argsort(far, kind="stable")[:: max(1, len(far) // 150)]
        best, cost = room.best(pixels[picked], size, [float(v) for v in far[picked]])
        if cost > 0.25:
            continue
        at = int(picked[best])
        room.take(pixels[at], size)
        label = axes.text(
            float(places[at, 0]), float(places[at, 1]), f"mostly {grade}", fontsize=12.0,
            ha="center", va="center", style="italic", path_effects=HALO, zorder=4.4, clip_on=True,
        )  # fmt: skip
        label.set_gid(f"grade-{grade}")


def draw_untested(axes: Axes, view: RegionView) -> None:
    """Grey and hatch what lies outside the hull of the burns."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    frame = np.array([(left, low), (right, low), (right, high), (left, high), (left, low)])
    corners = [frame]
    if view.hull is not None and len(view.hull) >= 3:
        corners.append(_hull_outline(np.asarray(view.hull, dtype=float)))
    outline = Outline.make_compound_path(*(Outline(points, closed=True) for points in corners))
    patch = PathPatch(
        outline, facecolor=(1.0, 1.0, 1.0, 0.45), edgecolor=HATCH, hatch="//", linewidth=0.0,
        zorder=1.0,
    )  # fmt: skip
    patch.set_gid("not-tested")
    axes.add_patch(patch)
    if len(corners) == 2:
        (line,) = axes.plot(*corners[1].T, color=GREY, linewidth=1.2, zorder=1.8)
        line.set_gid("hull")


def _hull_outline(hull: Array) -> Array:
    """Return the closed outline, clockwise, its sides bent as straight logarithms appear."""
    x, y = np.log(hull[:, 0]), np.log(hull[:, 1])
    turn = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    corners = np.log(hull if turn < 0 else hull[::-1])
    share = np.linspace(0.0, 1.0, 24, endpoint=False)[:, None]
    sides = [
        start + share * (end - start)
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True)
    ]
    return np.asarray(np.exp(np.vstack([*sides, corners[:1]])))


def draw_limits(axes: Axes, view: RegionView, room: Room) -> None:
    """Draw the machine's limits where they lie inside the picture."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    for name, power in (("beam starts", view.beam_starts_pct), ("ceiling", view.ceiling_pct)):
        if power is not None and left < power < right:
            line = axes.axvline(power, color=INK, linewidth=1.3, dashes=(6, 2, 1, 2), zorder=2.2)
            line.set_gid("limit-" + name.replace(" ", "-"))
            text = f"{name} {figure_words(power)} %"
            foot, corner = room.pixels([(power, low), (left, low)])
            beside = foot[0] - corner[0] > 16.0 * room.pixels_pt
            # Upright on the left of its line, or lying on the right where the axis is too near.
            way: dict[str, Any] = {"rotation": 90, "ha": "right"} if beside else {"ha": "left"}
            label = axes.annotate(
                text, (power, low), xytext=(-4, 8) if beside else (5, 5), va="bottom", fontsize=11,
                textcoords="offset points", path_effects=HALO, zorder=2.6, **way,
            )  # fmt: skip
            label.set_gid("limit-" + name.replace(" ", "-") + "-label")
            shift, size = ((-10, 50), (16, 100)) if beside else ((54, 12), (100, 16))
            room.take(foot + room.pixels_pt * np.array(shift), size)
    speed = view.max_speed_mm_s
    if speed is not None and low < speed < high:
        line = axes.axhline(speed, color=INK, linewidth=1.3, dashes=(6, 2, 1, 2), zorder=2.2)
        line.set_gid("limit-top-speed")
        axes.annotate(
            f"top speed {figure_words(speed)} mm/s", (right, speed), xytext=(-6, -4),
            textcoords="offset points", fontsize=11, ha="right", va="top", path_effects=HALO,
            zorder=2.6,
        )  # fmt: skip
        room.take(room.pixels((right, speed)) + room.pixels_pt * np.array([-75, -12]), (150, 18))
