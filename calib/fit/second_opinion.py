"""A second opinion on the edge: a plain ordered regression, with nothing believed beforehand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.errors import NoFiniteEstimate
from calib.fit.model import grade_of
from calib.fit.region import Region
from calib.physics import delivered_power_w
from calib.records import COUPON_CUT_MM, Burn
from calib.texts.say import say

# Fewer burns hardly ever overlap, so that the regression has no answer.
_FEWEST = 12
# The edge lies where this grade begins: a coupon that drops, a mark that is clear.
_WORKS = 2
# Standard deviations of a normal's central 90 %.
_NINETY = 1.645


def second_opinion(region: Region) -> str | None:
    """One sentence on the edge at the greatest power burnt; None for fewer than 12 burns.

    The regression is P(grade ≤ j) = Φ(c_j − b₁ ln P − b₂ ln v − b₃ ln s), P in delivered W; its
    interval is the delta method's. Burns of other lots, lengths or passes are left out.
    """
    burns = _comparable(region)
    if sum(b.count for b in burns) < _FEWEST:
        return None
    read = [grade_of(b, "cut" if b.operation == "cut" else "mark") or 0 for b in burns]
    # Numbered without a gap: a grade that was never read has no place of its own.
    seen = sorted(set(read))
    begins = sum(grade < _WORKS for grade in seen)
    if not 0 < begins < len(seen):
        return say("fit.has_no_answer")
    watts = delivered_power_w(region.machine, np.array([b.power_pct for b in burns]))
    speed = np.array([b.speed_mm_s for b in burns])
    pitch = np.array([b.line_pitch_mm or 1.0 for b in burns])
    columns = np.log(np.column_stack([speed, watts, pitch]))
    varies = np.ptp(columns, axis=0) > 0.0
    if not varies[0]:
        return say("fit.has_no_answer_2")
    from calib.fit.ordinal import OrdinalProbit  # loads scikit-learn

    try:
        fit = OrdinalProbit().fit(
            columns[:, varies],
            np.array([seen.index(grade) for grade in read]),
            sample_weight=np.array([b.count for b in burns], dtype=float),
        )
    except NoFiniteEstimate:
        return say("fit.has_no_finite_answer")
    slope = fit.coef_[0]
    if slope >= 0.0:
        return say("fit.finds_no_edge")
    strongest = int(np.argmax(watts))
    rest = columns[strongest, varies][1:]
    ln_speed = (fit.cut_points_[begins - 1] - rest @ fit.coef_[1:]) / slope
    # Slopes of ln v in b₂, the other coefficients and the cut point.
    gradient = np.zeros(len(fit.covariance_))
    gradient[0] = -ln_speed / slope
    gradient[1 : len(fit.coef_)] = -rest / slope
    gradient[len(fit.coef_) + begins - 1] = 1.0 / slope
    away = _NINETY * np.sqrt(gradient @ fit.covariance_ @ gradient)
    ends = np.exp([ln_speed, ln_speed - away, ln_speed + away])
    edge, low, high = (float(f"{speed:.3g}") for speed in ends)
    return say(
        "fit.puts_edge_at_at_interval",
        power_pct=burns[strongest].power_pct,
        edge=edge,
        low=low,
        high=high,
    )


def _comparable(region: Region) -> list[Burn]:
    own = [
        b
        for b in region.burns
        if b.lot is None and (b.cut_length_mm or COUPON_CUT_MM) == COUPON_CUT_MM
    ]
    passes = [b.passes for b in own for _ in range(b.count)]
    usual = max(sorted(set(passes)), key=passes.count, default=1)
    alike = [b for b in own if b.passes == usual]
    # A stair is read at two speeds: the last that went through, and the first that didn't.
    failed = [
        replace(b, speed_mm_s=b.fails_at_mm_s, through="no", fails_at_mm_s=None)
        for b in alike
        if b.fails_at_mm_s is not None
    ]
    return alike + failed
