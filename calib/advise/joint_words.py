"""A joint in sentences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from calib.advise.joint import FitAdvice, Joint


def joint_words(joint: Joint) -> tuple[str, ...]:
    """Say what was found in sentences."""
    lines: list[str] = []
    if joint.kerf is not None:
        lines.append(f"Kerf {joint.kerf}, from {joint.kerf_from}.")
    if joint.kerf_top is not None and joint.kerf_bottom is not None:
        lines.append(f"At the top {joint.kerf_top}, at the bottom {joint.kerf_bottom}.")
    if joint.slot is not None:
        lines.append(
            f"Snug slot {joint.slot.label}: drawn {joint.slot.middle_mm:.2f} mm"
            f" ({joint.slot.low_mm:.2f} to {joint.slot.high_mm:.2f}) for stock of {joint.stock}."
        )
    for fit in (joint.press, joint.glue, joint.inlay):
        if fit is not None:
            lines += _fit_words(fit, joint.stock.value_mm)
    return (*lines, *joint.notes)


def _fit_words(fit: FitAdvice, stock_mm: float) -> Iterator[str]:
    name = fit.name.capitalize()
    if fit.slot_minus_stock is not None:
        change = fit.slot_minus_stock.value_mm
        more = "narrower" if change < 0.0 else "wider"
        yield (
            f"{name}, stock in a slot: draw the slot {abs(change):.2f} mm {more} than the stock,"
            f" {stock_mm + change:.2f} mm here."
        )
    inner = fit.difference
    more = "wider"
    if round(inner.value_mm, 2) < 0.0:
        inner, more = replace(inner, value_mm=-inner.value_mm), "narrower"
    yield (
        f"{name}, one part in another: draw the inner {inner} {more} than the opening;"
        f" that is each outline moved by {fit.both_outlines_mm:z.3f} mm, or one of them by"
        f" {fit.one_outline_mm:z.3f} mm. {fit.assumes}"
    )
