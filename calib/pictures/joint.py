"""What a joint board tells, drawn: how each width felt, where it is snug, and what to draw."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape

from calib.boards.comb import CombBoard, Feel
from calib.boards.comb_places import CombStep
from calib.joints.feel import Snug
from calib.joints.joint import Joint
from calib.texts.say import say

_WIDTH, _KEY, _ROW, _LEFT, _RIGHT = 400.0, 30.0, 128.0, 24.0, 376.0
# Told apart by shape: wide at the top, round, wide at the foot.
_SIGNS: dict[Feel, str] = {
    "tight": "M-7 -6h14l-7 12z",
    "snug": "M-7 0a7 7 0 1 0 14 0a7 7 0 1 0 -14 0z",
    "loose": "M-7 6h14l-7 -12z",
}


def joint_svg(board: CombBoard, joint: Joint, felt: Mapping[str, Feel]) -> str:
    """Draw the slots, and the tongues where there are some, along their drawn widths.

    ``felt`` is how each code felt. The fits are marked where the slot for the stock is to be drawn.
    """
    fits = [
        (one.name, joint.stock.value_mm + one.slot_minus_stock.value_mm)
        for one in (joint.press, joint.glue)
        if one is not None and one.slot_minus_stock is not None
    ]
    rows = [
        "".join(_row(say("pictures.slots"), board.slots, felt, joint.slot, fits)),
        "".join(_row(say("pictures.tongues"), board.tongues, felt, joint.tongue, ())),
    ]
    shown = [row for row in rows if row]
    key = "".join(
        f'<g class="{feel}" transform="translate({_LEFT + 7 + 90 * number:g} 13)">'
        f'<path d="{sign}"/><text class="key" x="12" y="5">{feel}</text></g>'
        for number, (feel, sign) in enumerate(_SIGNS.items())
    )
    body = key + "".join(
        f'<g transform="translate(0 {_KEY + _ROW * number:g})">{row}</g>'
        for number, row in enumerate(shown)
    )
    return (
        f'<svg class="joint" viewBox="0 0 {_WIDTH:g} {_KEY + _ROW * len(shown):g}" role="img"'
        f' aria-label="{escape(say("pictures.how_widths_felt"))}">{body}</svg>'
    )


def _row(
    title: str,
    steps: Sequence[CombStep],
    felt: Mapping[str, Feel],
    snug: Snug | None,
    fits: Sequence[tuple[str, float]],
) -> Iterator[str]:
    read = [step for step in steps if step.label in felt]
    if not read:
        return
    ends = [step.width_mm for step in steps] + [width for _, width in fits]
    low, high = min(ends), max(ends)

    def x(width_mm: float) -> float:
        share = (width_mm - low) / max(high - low, 1e-9)
        return _LEFT + (_RIGHT - _LEFT) * min(max(share, 0.0), 1.0)

    yield f'<text class="title" x="{_LEFT:g}" y="18">{escape(title)}</text>'
    if snug is not None:
        left, wide = x(snug.low_mm), x(snug.high_mm) - x(snug.low_mm)
        yield f'<rect class="snug" x="{left:.1f}" y="56" width="{wide:.1f}" height="28"/>'
    yield f'<path class="axis" d="M{_LEFT:g} 70H{_RIGHT:g}"/>'
    for step in (steps[0], steps[-1]):
        yield f'<text class="end" x="{x(step.width_mm):.1f}" y="117">{step.width_mm:.2f}</text>'
    for step in read:
        feel = felt[step.label]
        words = f"{step.label}, {step.width_mm:.2f} mm: {feel}"
        yield (
            f'<g class="{feel}" transform="translate({x(step.width_mm):.1f} 70)">'
            f'<title>{escape(words)}</title><path d="{_SIGNS[feel]}"/>'
            f'<text y="30">{escape(step.label)}</text></g>'
        )
    for number, (name, width) in enumerate(fits):
        at = x(width)
        side = "end" if at > (_LEFT + _RIGHT) / 2.0 else "start"
        y = 36.0 + 84.0 * (number % 2)
        yield f'<path class="fit" d="M{at:.1f} 42V98"/>'
        yield (
            f'<text class="fit" x="{at:.1f}" y="{y:g}" text-anchor="{side}">'
            f"{escape(name)} {width:.2f} mm</text>"
        )
