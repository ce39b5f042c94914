"""A region as a drawing of a few kilobytes: bands of chance, burns, what was not tested."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from html import escape

from calib.pictures.scale import Loop, hull_outline, nice_ticks, outlines_above
from calib.pictures.view import RegionView, outcome_of
from calib.records import Burn, Setting
from calib.report.words import setting_words

# Frame of the plot, in units of about a pixel on a phone.
WIDTH, HEIGHT = 380.0, 400.0
LEFT, RIGHT, TOP, FOOT = 46.0, 372.0, 10.0, 352.0
_DASHES = ("2 3", "7 4", "none")
# Burns at one setting stand side by side [units].
_ASIDE = 9.0


def ends(view: RegionView) -> tuple[tuple[float, float], tuple[float, float]]:
    """Ends of the axes: powers [%], speeds [mm/s]."""
    powers, speeds = view.power_pct, view.speed_mm_s
    return (float(powers[0]), float(powers[-1])), (float(speeds[0]), float(speeds[-1]))


class Axes:
    """Turns settings into places: power across, the logarithm of speed upwards."""

    def __init__(self, view: RegionView) -> None:
        self._power, self._speed = ends(view)

    def x(self, power_pct: float) -> float:
        """Place of a power [units]."""
        low, high = self._power
        return LEFT + (RIGHT - LEFT) * (power_pct - low) / (high - low)

    def y(self, speed_mm_s: float) -> float:
        """Place of a speed [units]."""
        low, high = (math.log(speed) for speed in self._speed)
        return FOOT - (FOOT - TOP) * (math.log(speed_mm_s) - low) / (high - low)

    def path(self, points: Iterable[tuple[float, float]]) -> str:
        """A closed outline."""
        return "M" + "L".join(f"{self.x(p):.1f} {self.y(v):.1f}" for p, v in points) + "Z"


def region_svg(view: RegionView, start: Setting) -> str:
    """Draw a region, with a cross at the setting to begin looking at."""
    axes, advised = Axes(view), view.recommendation
    burns = [burn for _, burn in view.shown]
    at = view.power_pct, view.speed_mm_s, view.chance
    bands = [(level, outlines_above(*at, level)) for level in view.levels]
    (power_low, power_high), (speed_low, speed_high) = ends(view)
    parts = [
        _frame("b0"),
        *(
            f'<path class="b{n}" fill-rule="evenodd" d="{_outline(axes, loops)}"/>'
            for n, (_, loops) in enumerate(bands, 1)
            if loops
        ),
        _untested(axes, view),
        *(_level(axes, n, level, loops, burns) for n, (level, loops) in enumerate(bands) if loops),
        _frame("frame"),
        _power_axis(axes, power_low, power_high),
        _speed_axis(axes, speed_low, speed_high),
        *_burns(axes, view.wanted_mark, burns),
        _advised(axes, advised) if advised else "",
        f'<g clip-path="url(#plot)"><g class="here" transform="translate('
        f'{axes.x(start.power_pct):.1f} {axes.y(start.speed_mm_s):.1f})">'
        '<path d="M0 -400V400M-400 0H400"/><circle r="6"/></g></g>',
    ]
    data = " ".join(
        f'data-{name}="{value:.8g}"'
        for name, value in (
            ("left", LEFT), ("right", RIGHT), ("top", TOP), ("foot", FOOT),
            ("power-low", power_low), ("power-high", power_high),
            ("speed-low", speed_low), ("speed-high", speed_high),
        )
    )  # fmt: skip
    counted = Counter(_outcome(burn) for burn in burns)
    came = ", ".join(f"{number} {outcome}" for outcome, number in sorted(counted.items()))
    advice = f"Advised: {setting_words(advised)}." if advised else ""
    words = f"Power against speed, {view.words}. Burns: {came or 'none yet'}. {advice}".strip()
    words = escape(words, quote=True)
    return (
        f'<svg class="region" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{words}"'
        f' {data}><defs><pattern id="untested" width="7" height="7"'
        ' patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path class="hatch"'
        f' d="M0 0V7"/></pattern><clipPath id="plot">{_frame("")}</clipPath></defs>'
        f"{''.join(parts)}</svg>"
    )


def _frame(name: str) -> str:
    kind = f' class="{name}"' if name else ""
    return (
        f'<rect{kind} x="{LEFT:g}" y="{TOP:g}" width="{RIGHT - LEFT:g}" height="{FOOT - TOP:g}"/>'
    )


def _outline(axes: Axes, loops: Iterable[Loop]) -> str:
    return "".join(axes.path(loop) for loop in loops)


def _level(
    axes: Axes, number: int, level: float, loops: tuple[Loop, ...], burns: Iterable[Burn]
) -> str:
    """The line of a level, and its name to the right of its middle, away from burns."""
    line = (
        f'<path class="level" stroke-dasharray="{_DASHES[number]}" clip-path="url(#plot)"'
        f' d="{_outline(axes, loops)}"/>'
    )
    inner = [
        (axes.x(p), axes.y(v))
        for loop in loops
        for p, v in loop
        if LEFT + 30 < axes.x(p) < RIGHT - 30 and TOP + 14 < axes.y(v) < FOOT - 14
    ]
    if not inner:
        return line
    taken = [(axes.x(burn.power_pct), axes.y(burn.speed_mm_s)) for burn in burns]
    wish = RIGHT - 90.0 - 60.0 * number

    def cost(place: tuple[float, float]) -> float:
        near = sum(abs(place[0] - x) < 34 and abs(place[1] - y) < 16 for x, y in taken)
        return abs(place[0] - wish) + 60.0 * near

    x, y = min(inner, key=cost)
    return f'{line}<text class="name" x="{x:.1f}" y="{y + 4:.1f}">{100 * level:g} %</text>'


def _untested(axes: Axes, view: RegionView) -> str:
    frame = f"M{LEFT:g} {TOP:g}H{RIGHT:g}V{FOOT:g}H{LEFT:g}Z"
    if view.hull is None or len(view.hull) < 3:
        return f'<path class="untested" fill="url(#untested)" d="{frame}"/>'
    hull = axes.path(hull_outline(view.hull))
    return (
        f'<path class="untested" fill="url(#untested)" fill-rule="evenodd" d="{frame}{hull}"/>'
        f'<path class="hull" d="{hull}"/>'
    )


def _outcome(burn: Burn) -> str:
    return f"mark {outcome_of(burn)}" if burn.operation != "cut" else outcome_of(burn)


def _burns(axes: Axes, wanted: tuple[int, int], burns: Iterable[Burn]) -> list[str]:
    drawn, seen = [], Counter[tuple[float, float]]()
    for burn in burns:
        place = (burn.power_pct, burn.speed_mm_s)
        x, y = axes.x(place[0]) + _ASIDE * seen[place], axes.y(place[1])
        seen[place] += 1
        drawn.append(_burn(burn, x, y, wanted))
    return drawn


def _burn(burn: Burn, x: float, y: float, wanted: tuple[int, int]) -> str:
    title = f"<title>{escape(setting_words(burn.setting))}: {_outcome(burn)}</title>"
    at = f'<g class="burn" transform="translate({x:.1f} {y:.1f})">{title}'
    if burn.mark is not None and burn.operation != "cut":
        shape = '<circle r="8"/>' if burn.mark <= wanted[1] else '<path d="M-8 -8h16v16h-16z"/>'
        kind = "wanted" if wanted[0] <= burn.mark <= wanted[1] else "other"
        return f'{at}<g class="{kind}">{shape}<text y="4.2">{burn.mark}</text></g></g>'
    shapes = {
        "through": '<circle class="full" r="5"/>',
        "hanging": '<circle class="bare" r="5"/><path class="full" d="M-5 0a5 5 0 0 0 10 0z"/>',
        "no": '<path class="cross" d="M-5 -5l10 10m0 -10l-10 10"/>',
    }
    return f"{at}{shapes.get(burn.through or '', '')}</g>"


def _advised(axes: Axes, advised: Setting) -> str:
    x, y = axes.x(advised.power_pct), axes.y(advised.speed_mm_s)
    return (
        f'<g class="advised" transform="translate({x:.1f} {y:.1f})"><circle r="11"/>'
        '<path d="M-17 0h12M5 0h12M0 -17v12M0 5v12"/></g>'
    )


def _power_axis(axes: Axes, low: float, high: float) -> str:
    step = next(s for s in (1, 2, 5, 10, 20) if (high - low) / s <= 8 or s == 20)
    ticks = [step * n for n in range(math.ceil(low / step), math.floor(high / step) + 1)]
    marks = "".join(
        f'<path class="tick" d="M{axes.x(t):.1f} {FOOT:g}v5"/>'
        f'<text x="{axes.x(t):.1f}" y="{FOOT + 18:g}">{t:g}</text>'
        for t in ticks
    )
    return f'{marks}<text x="{(LEFT + RIGHT) / 2:g}" y="{FOOT + 38:g}">power [%]</text>'


def _speed_axis(axes: Axes, low: float, high: float) -> str:
    marks = "".join(
        f'<path class="tick" d="M{LEFT:g} {axes.y(t):.1f}h-5"/>'
        f'<text class="end" x="{LEFT - 8:g}" y="{axes.y(t) + 4:.1f}">{t:g}</text>'
        for t in nice_ticks(low, high)
    )
    y = (TOP + FOOT) / 2
    return f'{marks}<text transform="translate(12 {y:g}) rotate(-90)">speed [mm/s]</text>'
