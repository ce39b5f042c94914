"""A region on the page: its picture, and the cross that is moved over it."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from calib.pictures.region import (
    CLIPPED,
    FOOT,
    HEIGHT,
    LEFT,
    RIGHT,
    TOP,
    WIDTH,
    Part,
    Places,
    RegionView,
    Shape,
    burns_words,
    region_keys,
    region_parts,
)
from calib.records import Setting

# About the width of a letter of the read-out, which is bold and 14 units tall.
_RIDE = 8.0


def region_svg(view: RegionView, start: Setting, said: str) -> str:
    """Draw a region, with a cross at the setting to begin looking at, and what holds there."""
    places = Places(view)
    x, y = places.at(start.power_pct, start.speed_mm_s)
    ends = {
        "left": LEFT, "right": RIGHT, "top": TOP, "foot": FOOT,
        "power-low": places.power[0], "power-high": places.power[1],
        "speed-low": places.speed[0], "speed-high": places.speed[1],
    }  # fmt: skip
    data = " ".join(f'data-{name}="{value:.8g}"' for name, value in ends.items())
    size = f'width="{RIGHT - LEFT:g}" height="{FOOT - TOP:g}"'
    return (
        f'<svg class="region" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img"'
        f' aria-label="{escape(burns_words(view), quote=True)}" {data}>'
        '<defs><pattern id="hatched" width="7" height="7" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><path class="hatch" d="M0 0V7"/></pattern>'
        f'<clipPath id="plot"><rect x="{LEFT:g}" y="{TOP:g}" {size}/></clipPath></defs>'
        f"{_drawn(region_parts(view))}"
        f'<g clip-path="url(#plot)"><g class="here" transform="translate({x:.1f} {y:.1f})">'
        '<path d="M0 -400V400M-400 0H400"/><circle r="6"/><circle class="grip" r="26"/></g></g>'
        f'<text class="ride" data-out="short" {_aside(x, y, said)}>{escape(said)}</text></svg>'
    )


def _aside(x: float, y: float, said: str) -> str:
    """Where the read-out rides: above the cross, or below it, on the side with more room, and
    never out of the picture."""
    left, wide = x > (LEFT + RIGHT) / 2, _RIDE * len(said) + 4.0
    beside = max(x - 12.0, wide) if left else min(x + 12.0, WIDTH - wide)
    up = y - 14 if y > TOP + 30 else y + 24
    anchor = "end" if left else "start"
    return f'x="{beside:.1f}" y="{up:.1f}" text-anchor="{anchor}"'


def region_key_svgs(view: RegionView, advised: str, kept: str = "") -> list[tuple[str, str]]:
    """What each mark and band means, and how it is drawn."""
    keys = []
    for said, parts in region_keys(view, advised=advised, kept=kept):
        loops = [loop for part in parts if isinstance(part, Shape) for loop in part.loops]
        r = 3.0 + max(abs(length) for loop in loops for point in loop for length in point)
        box = f"{-r:.0f} {-r:.0f} {2 * r:.0f} {2 * r:.0f}"
        keys.append((
            said,
            f'<svg viewBox="{box}" class="region key">{_drawn(parts, frozenset())}</svg>',
        ))
    return keys


def _drawn(parts: Iterable[Part], clipped: frozenset[str] = CLIPPED) -> str:
    drawn = []
    for part in parts:
        if isinstance(part, Shape):
            end = "Z" if part.closed else ""
            data = "".join(
                "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in loop) + end for loop in part.loops
            )
            more = ' clip-path="url(#plot)"' if part.look in clipped else ""
            more += ' fill="url(#hatched)"' if part.look == "untested" else ""
            if part.dashes:
                more += f' stroke-dasharray="{" ".join(f"{length:g}" for length in part.dashes)}"'
            title = f"<title>{escape(part.title)}</title>" if part.title else ""
            more += ' fill-rule="evenodd"' if len(part.loops) > 1 else ""
            drawn.append(f'<path class="{part.look}"{more} d="{data}">{title}</path>')
            continue
        (x, y), anchor = part.at, f' text-anchor="{part.anchor}"' * (part.anchor != "middle")
        place = f'transform="translate({x + 4:.1f} {y:.1f}) rotate(-90)"'
        if not part.upright:
            place = f'x="{x:.1f}" y="{y + 4.3:.1f}"'
        drawn.append(f'<text class="{part.look}"{anchor} {place}>{escape(part.text)}</text>')
    return "".join(drawn)
