"""The picture of a region: power against speed, as PNG or SVG, the same for the same data.

Outcomes and levels differ in shape, fill or dashes, never in colour alone.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path as Outline
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from matplotlib.transforms import offset_copy

from calib.pictures.labels import Labels
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
    axes_at,
    drawing,
    saved,
    scale_colours,
)
from calib.pictures.scale import Array, hull_outline, nice_ticks
from calib.pictures.view import RegionView, figure_words, outcome_of, setting_words
from calib.records import grades_typed

_RIGHT_IN, _PLOT_IN, _KEYS_IN = 1.05, 5.0, 1.7
# Dashes of the lines of equal chance, lowest level first [line widths].
_DASHES: tuple[tuple[float, ...], ...] = ((1.0, 1.6), (4.0, 2.0), (), (7.0, 1.5, 1.5, 1.5))


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
        _set_axes(axes, view)
        labels = Labels(axes)
        _draw_chance(axes, view)
        _draw_untested(axes, view)
        _draw_limits(axes, view, labels)
        _draw_burns(axes, view, labels)
        _draw_recommendation(axes, view, labels)
        # Labels come last, where room is left.
        _label_levels(axes, view, labels)
        _draw_likely_marks(axes, view, labels)
        _draw_keys(figure, view, top + 0.15 + _PLOT_IN + 0.7)
        top += _PLOT_IN + _KEYS_IN
        for words in foot:
            top = words.write(figure, top)
        return saved(figure, format)


def _head(view: RegionView) -> list[Words]:
    passes = "1 pass" if view.passes == 1 else f"{view.passes} passes"
    if view.line_pitch_mm is not None:
        passes += f", lines {figure_words(view.line_pitch_mm)} mm apart"
    setting = view.recommendation
    advice = "" if setting is None else f"advised: {setting_words(setting)}"
    return [
        Words(text=view.title, size_pt=17.0, bold=True, gid="title"),
        Words(text=f"{view.words}, {passes}", size_pt=12.5, gid="what"),
        Words(text=advice, size_pt=14.0, bold=True, gid="advice"),
    ]


def _foot(view: RegionView) -> list[Words]:
    others = len(view.burns) - len(view.shown)
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
        Words(text=hidden if others else "", size_pt=11.0, gid="not-drawn"),
    ]


def _set_axes(axes: Axes, view: RegionView) -> None:
    """Set power below and speed at both sides, in mm/s and in mm/min."""
    drawn = [burn.setting for _, burn in view.shown]
    drawn += [] if view.recommendation is None else [view.recommendation]
    low, high = _widened(view.speed_mm_s, [setting.speed_mm_s for setting in drawn])
    axes.set_xlim(_widened(view.power_pct, [setting.power_pct for setting in drawn]))
    axes.set_xlabel("power [%]", labelpad=4)
    minutes = axes.twinx()
    for one, unit, factor in ((axes, "mm/s", 1.0), (minutes, "mm/min", 60.0)):
        ends = factor * low, factor * high
        one.set_yscale("log")
        one.set_ylim(ends)
        one.set_ylabel(f"speed [{unit}]", labelpad=3)
        one.yaxis.set_major_locator(FixedLocator(nice_ticks(*ends)))
        one.yaxis.set_minor_locator(NullLocator())
        one.yaxis.set_major_formatter(FuncFormatter(lambda value, _: figure_words(float(value))))
        one.tick_params(labelsize=12.5, length=5)
    minutes.set_zorder(axes.get_zorder() - 1)
    axes.patch.set_visible(False)


def _widened(axis: Array, values: list[float]) -> tuple[float, float]:
    """Ends of an axis, with room for what lies beyond it."""
    low, high = float(axis[0]), float(axis[-1])
    return (
        min([low, *(0.97 * value for value in values if value < low)]),
        max([high, *(1.03 * value for value in values if value > high)]),
    )


def _draw_chance(axes: Axes, view: RegionView) -> None:
    """Fill the bands of chance and draw the lines between them; contourpy works them out."""
    chance = np.ma.masked_invalid(np.clip(np.asarray(view.chance, dtype=float), 0.0, 1.0)).T
    at = view.power_pct, view.speed_mm_s, chance
    bands = (0.0, *view.levels, 1.0)
    filled = axes.contourf(*at, levels=bands, colors=scale_colours(len(bands) - 1), zorder=0.5)
    filled.set_gid("bands")
    for number, level in enumerate(view.levels):
        if float(chance.min()) < level < float(chance.max()):
            dashes = (0, _DASHES[number % len(_DASHES)])
            line = axes.contour(
                *at, levels=[level], colors=INK, linewidths=1.6, linestyles=[dashes], zorder=2.0
            )
            line.set_gid(f"level-{_per_cent(level)}")


def _per_cent(chance: float) -> str:
    return f"{round(100.0 * chance, 2):g}"


def _label_levels(axes: Axes, view: RegionView, labels: Labels) -> None:
    """Write each level onto its line where there is room, each further right than the last."""
    left, right = axes.get_xlim()
    for number, level in enumerate(view.levels):
        places = _on_level(view, level)
        wish = 0.2 + 0.5 * number / max(1, len(view.levels) - 1)
        away = np.abs((places[:, 0] - left) / (right - left) - wish)
        if len(places):
            labels.write(
                f"{_per_cent(level)} %", places, [float(share) for share in away], (46.0, 17.0),
                fontsize=13.5, weight="bold", zorder=4.5, gid=f"level-{_per_cent(level)}-label",
            )  # fmt: skip


def _on_level(view: RegionView, level: float) -> Array:
    """Return places (power, speed) where the chance crosses a level going up in speed."""
    chance = np.nan_to_num(np.asarray(view.chance, dtype=float), nan=-1.0)
    low, high = chance[:, :-1], chance[:, 1:]
    rows, columns = np.nonzero((low - level) * (high - level) < 0)
    share = (level - low[rows, columns]) / (high - low)[rows, columns]
    speeds = np.log(np.asarray(view.speed_mm_s, dtype=float))
    crossing = np.exp(speeds[columns] + share * (speeds[columns + 1] - speeds[columns]))
    return np.column_stack([np.asarray(view.power_pct, dtype=float)[rows], crossing])


def _draw_likely_marks(axes: Axes, view: RegionView, labels: Labels) -> None:
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
        places = np.column_stack([powers[likely == grade], speeds[likely == grade]])
        if len(places):
            pixels = axes.transData.transform(places)
            far = np.hypot(*(pixels - pixels.mean(axis=0)).T)
            some = np.argsort(far, kind="stable")[:: max(1, len(far) // 150)]
            labels.write(
                f"mostly {grade}", places[some], [float(v) for v in far[some]], (74.0, 18.0),
                most_covered=0.25, fontsize=12.0, style="italic", zorder=4.4, gid=f"grade-{grade}",
            )  # fmt: skip


def _draw_untested(axes: Axes, view: RegionView) -> None:
    """Grey and hatch what lies outside the hull of the burns."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    frame = np.array([(left, low), (right, low), (right, high), (left, high), (left, low)])
    outlines = [frame]
    if view.hull is not None and len(view.hull) >= 3:
        outlines.append(hull_outline(view.hull))
        (line,) = axes.plot(*outlines[1].T, color=GREY, linewidth=1.2, zorder=1.8)
        line.set_gid("hull")
    patch = PathPatch(
        Outline.make_compound_path(*(Outline(points, closed=True) for points in outlines)),
        facecolor=(1.0, 1.0, 1.0, 0.45), edgecolor=HATCH, hatch="//", linewidth=0.0, zorder=1.0,
    )  # fmt: skip
    patch.set_gid("not-tested")
    axes.add_patch(patch)


def _draw_limits(axes: Axes, view: RegionView, labels: Labels) -> None:
    """Draw the machine's limits where they lie inside the picture."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    line: dict[str, Any] = {"color": INK, "linewidth": 1.3, "dashes": (6, 2, 1, 2), "zorder": 2.2}
    text: dict[str, Any] = {
        "textcoords": "offset points", "fontsize": 11, "path_effects": HALO, "zorder": 2.6,
    }  # fmt: skip
    for name, power in (("beam starts", view.beam_starts_pct), ("ceiling", view.ceiling_pct)):
        if power is None or not left < power < right:
            continue
        gid = "limit-" + name.replace(" ", "-")
        axes.axvline(power, gid=gid, **line)
        way: dict[str, Any]
        # Upright on the left of its line, or lying on the right where the axis is too near.
        if power - left > 0.05 * (right - left):
            shift, way, size, centre = (
                (-4, 8),
                {"rotation": 90, "ha": "right"},
                (16, 100),
                (-10, 50),
            )
        else:
            shift, way, size, centre = (5, 5), {"ha": "left"}, (100, 16), (54, 12)
        axes.annotate(
            f"{name} {figure_words(power)} %", (power, low), xytext=shift, va="bottom",
            gid=f"{gid}-label", **text, **way,
        )  # fmt: skip
        labels.take((power, low), size, *centre)
    speed = view.max_speed_mm_s
    if speed is not None and low < speed < high:
        axes.axhline(speed, gid="limit-top-speed", **line)
        axes.annotate(
            f"top speed {figure_words(speed)} mm/s", (right, speed), xytext=(-6, -4), ha="right",
            va="top", **text,
        )  # fmt: skip
        labels.take((right, speed), (150, 18), -75, -12)


def _mark_style(outcome: str, wanted: tuple[int, int]) -> dict[str, Any]:
    """Shape and fill of a burn's mark."""
    edge: dict[str, Any] = {"linestyle": "none", "markeredgecolor": INK, "markeredgewidth": 1.5}
    if outcome == "through":
        return {**edge, "marker": "o", "markersize": 11, "markerfacecolor": INK}
    if outcome == "hanging":
        return {
            **edge, "marker": "D", "markersize": 10, "fillstyle": "bottom", "markerfacecolor": INK,
            "markerfacecoloralt": "white",
        }  # fmt: skip
    if outcome == "no":
        return {**edge, "marker": "X", "markersize": 12, "markerfacecolor": "white"}
    grade = int(outcome)
    return {
        **edge, "marker": "o" if grade <= wanted[1] else "s", "markersize": 17,
        "markerfacecolor": INK if wanted[0] <= grade <= wanted[1] else "white",
    }  # fmt: skip


def _draw_burns(axes: Axes, view: RegionView, labels: Labels) -> None:
    """Draw each burn by its outcome; burns at one setting stand side by side."""
    groups: dict[tuple[float, float], list[tuple[int, str, int]]] = {}
    for number, burn in view.shown:
        at = (burn.power_pct, burn.speed_mm_s)
        groups.setdefault(at, []).append((number, outcome_of(burn), burn.count))
    size = 13.0 if view.operation == "cut" else 20.0
    low, high = view.wanted_mark
    for at, group in groups.items():
        step = min(size - 2.0, 60.0 / len(group))
        labels.take(at, (size + step * (len(group) - 1), size))
        for place, (number, outcome, count) in enumerate(group):
            shift = (place - (len(group) - 1) / 2.0) * step
            beside = offset_copy(
                axes.transData, fig=axes.get_figure(root=True), x=shift, units="points"
            )
            axes.plot(
                *([value] for value in at), transform=beside, zorder=4.0, path_effects=HALO,
                clip_on=False, gid=f"burn-{number}-{outcome}",
                **_mark_style(outcome, view.wanted_mark),
            )  # fmt: skip
            if outcome.isdigit():
                axes.text(
                    *at, outcome, transform=beside, ha="center", va="center_baseline", fontsize=12,
                    weight="bold", zorder=4.1,
                    color="white" if low <= int(outcome) <= high else INK,
                )  # fmt: skip
            if count > 1:
                axes.annotate(
                    f"×{count}", at, xytext=(shift, -9), textcoords="offset points", ha="center",
                    va="top", fontsize=10.5, path_effects=HALO, zorder=4.2,
                )  # fmt: skip


def _draw_recommendation(axes: Axes, view: RegionView, labels: Labels) -> None:
    """Draw the advised setting as a ring with a cross; the head says its numbers."""
    setting = view.recommendation
    if setting is None:
        return
    for marker, size, width, gid in (("+", 34, 2.4, ""), ("o", 23, 3.0, "recommendation")):
        axes.plot(
            [setting.power_pct], [setting.speed_mm_s], marker=marker, markersize=size,
            markerfacecolor="none", markeredgecolor=ACCENT, linestyle="none",
            markeredgewidth=width, zorder=5.0, clip_on=False, gid=gid or None,
            path_effects=[withStroke(linewidth=width + 3.0, foreground="white")],
        )  # fmt: skip
    labels.take((setting.power_pct, setting.speed_mm_s), (36.0, 36.0))


def _draw_keys(figure: Figure, view: RegionView, top_in: float) -> None:
    """Explain marks in one row and bands in the next."""
    wanted = low, high = view.wanted_mark
    keys = {"through": "through", "hanging": "hanging", "no": "no"}
    if view.operation != "cut":
        keys = {str(low): f"mark {grades_typed(wanted)}, as wanted"}
        keys |= {str(low - 1): "less"} if low > 0 else {}
        keys |= {str(high + 1): "more"} if high < 4 else {}
    marks: list[Any] = [
        Line2D([], [], label=name, **(_mark_style(outcome, wanted) | {"markersize": 11}))
        for outcome, name in keys.items()
    ]
    if view.recommendation is not None:
        ring: dict[str, Any] = {"markersize": 13, "markeredgecolor": ACCENT, "markeredgewidth": 2.6}
        marks.append(
            Line2D([], [], marker="o", markerfacecolor="none", ls="none", label="advised", **ring)
        )
    ends = [_per_cent(chance) for chance in (0.0, *view.levels, 1.0)]
    patches: list[Any] = [
        Patch(facecolor=colour, edgecolor=GREY, label=f"{low}–{high} %")
        for colour, low, high in zip(scale_colours(len(ends) - 1), ends[:-1], ends[1:], strict=True)
    ]
    patches.append(Patch(facecolor="white", edgecolor=HATCH, hatch="///", label="not tested"))
    for row, handles in enumerate((marks, patches)):
        top = 1.0 - (top_in + 0.36 * row) / float(figure.get_size_inches()[1])
        figure.legend(
            handles=handles, loc="upper left", bbox_to_anchor=((LEFT_IN - 0.05) / WIDTH_IN, top),
            ncols=len(handles), frameon=False, fontsize=11.5, columnspacing=1.1,
            handletextpad=0.45, handlelength=1.5, borderaxespad=0.0, borderpad=0.1,
        )  # fmt: skip
