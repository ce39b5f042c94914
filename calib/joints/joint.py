"""Parts that fit: from a comb board's readings to kerf, snug slot and what to draw.

With i, by how much a snug slot is narrower than what goes into it, stock of thickness t sits
snugly in a slot drawn s = t − kerf − i, and a tongue drawn w in a gauge drawn g when
w = g + 2 kerf + i. Both together give the kerf by feel, (w − g) + (s − t), whatever i is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from calib.boards.comb import CombBoard
from calib.errors import NotEnoughEvidence
from calib.joints.caliper import Caliper, Estimate, combine
from calib.joints.comb_reading import (
    Faces,
    FitReading,
    check_widths,
    checked,
    faces_of,
    ladders_of,
)  # fmt: skip
from calib.joints.feel import Edge, Ladder, Snug, snug_of
from calib.materials import family_of
from calib.texts.say import say

# Room that glue needs between parts, both sides together [mm] (common practice for white wood
# glue, no source).
GLUE_GAP_MM = 0.10
# How far a slot that feels snug may differ from what sits in it, as a standard deviation [mm]: a
# guess, used only when the kerf rests on the slots alone.
SNUG_DOUBT_MM = 0.04
# Families that crack rather than give (common practice, no source).
_BRITTLE = {"cast acrylic", "extruded acrylic", "acrylic", "glass", "stone"}
# A kerf that is known no better than this calls for more readings [mm].
WIDE_MM = 0.035
# Thickness that differs from the plan by more than this is said [mm].
_OTHER_STOCK_MM = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class FitAdvice:
    """What to draw for one kind of fit."""

    name: str  # press fit, glue fit or inlay
    difference: Estimate  # drawn width of the inner part less that of the opening
    # drawn width of a slot less the thickness of the stock in it; None for an inlay, and when it
    # can't be told
    slot_minus_stock: Estimate | None
    assumes: str  # what it rests on

    @property
    def both_outlines_mm(self) -> float:
        """Move each outline so far when both are moved, the part's outwards [mm]."""
        return self.difference.value_mm / 4.0

    @property
    def one_outline_mm(self) -> float:
        """Move one outline so far when only that one is moved [mm]."""
        return self.difference.value_mm / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """Kerf and fits at one setting."""

    # where it is narrowest, which counts for fits; None when it can't be told
    kerf: Estimate | None
    kerf_from: str  # what it was taken from, in words
    # at the face the beam came from and at the other; None when not measured
    kerf_top: Estimate | None
    kerf_bottom: Estimate | None
    taper: Estimate | None  # top less bottom; None unless both were measured
    stock: Estimate  # thickness of the stock
    slot: Snug | None  # the snug ones; None when the readings don't show where they are
    tongue: Snug | None
    slot_edge: Edge  # whether the readings bracket them
    tongue_edge: Edge
    # drawn snug slot less the stock; the caliper's error is in its interval
    slot_minus_stock: Estimate | None
    # by how much a snug opening is narrower than what sits in it; negative for play
    interference: Estimate | None
    press: FitAdvice | None  # what to draw; None when it can't be told
    glue: FitAdvice | None
    inlay: FitAdvice | None
    notes: tuple[str, ...] = ()


def fit_joint(
    board: CombBoard,
    readings: Iterable[FitReading],
    stock_mm: Sequence[float] = (),
    *,
    caliper: Caliper | None = None,
    coupon_kerf: Estimate | None = None,
) -> Joint:
    """Find kerf, snug slot and what to draw from what was felt and measured on a comb board."""
    check_widths("stock_mm", stock_mm)
    matched = sorted(checked(board, readings), key=lambda pair: (pair[0].label, repr(pair[1])))
    faces = faces_of(matched, stock_mm, caliper)
    ladders = ladders_of(board, matched)
    if not faces.kerf and coupon_kerf is None and not any(ladder.feels for ladder in ladders):
        raise NotEnoughEvidence(say("joints.nothing_was_read_off_comb", board=board))
    stock = faces.scatter.mean([stock_mm or (board.stock_mm,)], outside=1.0)
    slot, tongue = (
        None if ladder.edge in {"unread", "all_tight", "all_loose"} else snug_of(ladder)
        for ladder in ladders
    )
    against_stock = against_gauge = None  # the drawn snug slot less the stock, and so on
    if slot is not None:
        drawn = Estimate(value_mm=slot.middle_mm, random_mm=slot.sd_mm)
        against_stock = combine([(1.0, drawn), (-1.0, stock)])
    if tongue is not None and board.gauge is not None:
        drawn = Estimate(value_mm=tongue.middle_mm, random_mm=tongue.sd_mm)
        against_gauge = combine([(1.0, drawn), (-1.0, _exactly(board.gauge.width_mm))])
    # Every way to the narrowest kerf that the readings allow, with its name.
    named = (
        (say("joints.caliper_on_this_comb"), faces.narrowest),
        (say("joints.measured_size_of_coupons"), coupon_kerf),
    )
    ways = [(name, kerf) for name, kerf in named if kerf is not None]
    measured = [kerf for _, kerf in ways]
    if against_stock is not None and against_gauge is not None:
        both = combine([(1.0, against_gauge), (1.0, against_stock)])
        ways.append((say("joints.feel_of_slots_and_tongues"), both))
    elif against_stock is not None:
        alone = combine([(-1.0, against_stock), (-1.0, _DOUBT)])
        ways.append((say("joints.feel_of_slots_alone"), alone))
    kerf_from, kerf = min(ways, key=lambda way: way[1].standard_mm, default=("", None))
    press = _press(against_stock, against_gauge, measured)
    joint = Joint(
        kerf=kerf,
        kerf_from=kerf_from,
        kerf_top=faces.kerf.get("top"),
        kerf_bottom=faces.kerf.get("bottom"),
        taper=faces.taper,
        stock=stock,
        slot=slot,
        tongue=tongue,
        slot_edge=ladders[0].edge,
        tongue_edge=ladders[1].edge,
        slot_minus_stock=against_stock,
        interference=_interference(against_stock, against_gauge, measured),
        press=press,
        glue=_glue(kerf, press),
        inlay=_inlay(faces, kerf),
    )
    return replace(joint, notes=tuple(_notes(board, ladders, joint, ways, bool(stock_mm))))


# How a snug slot may differ from the stock in it, where nothing measured tells.
_DOUBT = Estimate(value_mm=0.0, random_mm=SNUG_DOUBT_MM)


def _exactly(length_mm: float) -> Estimate:
    return Estimate(value_mm=length_mm, random_mm=0.0)


def _interference(
    slot: Estimate | None, tongue: Estimate | None, measured: Sequence[Estimate]
) -> Estimate | None:
    """By how much a snug opening is narrower than what sits in it.

    A kerf by feel rests on the same slots and tongues, whose errors would count wrongly if it were
    added to them; what it would give is written out in slots and tongues instead.
    """
    ways = []
    if slot is not None:
        ways.append(combine([(-1.0, tongue), (-2.0, slot)]) if tongue is not None else _DOUBT)
        ways += [combine([(-1.0, slot), (-1.0, kerf)]) for kerf in measured]
    if tongue is not None:
        ways += [combine([(1.0, tongue), (-2.0, kerf)]) for kerf in measured]
    return min(ways, key=lambda way: way.standard_mm, default=None)


def _press(
    slot: Estimate | None, tongue: Estimate | None, measured: Sequence[Estimate]
) -> FitAdvice | None:
    ways = [] if tongue is None else [tongue]
    if slot is not None and not ways:
        ways = [combine([(1.0, kerf), (-1.0, slot)]) for kerf in measured]
        ways.append(combine([(-2.0, slot), (-1.0, _DOUBT)]))
    if not ways:
        return None
    return FitAdvice(
        name=say("joints.press_fit"),
        difference=min(ways, key=lambda way: way.standard_mm),
        slot_minus_stock=slot,
        assumes=say("joints.middle_of_what_felt_snug"),
    )


def _glue(kerf: Estimate | None, press: FitAdvice | None) -> FitAdvice | None:
    if kerf is None:
        return None
    gap = _exactly(GLUE_GAP_MM)
    difference = combine([(2.0, kerf), (-1.0, gap)])
    slot: Estimate | None = combine([(1.0, gap), (-1.0, kerf)])
    assumes = say("joints.of_room_for_glue", glue_gap_mm=GLUE_GAP_MM)
    if press is not None and press.difference.value_mm < difference.value_mm:
        difference, slot = press.difference, press.slot_minus_stock
        assumes += say("joints.what_felt_snug_leaves_more_room")
    return FitAdvice(
        name=say("joints.glue_fit"), difference=difference, slot_minus_stock=slot, assumes=assumes
    )


def _inlay(faces: Faces, kerf: Estimate | None) -> FitAdvice | None:
    assumes = say("joints.hole_and_insert_cut_right_through")
    difference, taper = None if kerf is None else combine([(2.0, kerf)]), faces.taper
    if taper is not None:
        if taper.value_mm < 0.0:
            assumes += say("joints.kerf_is_wider_below")
        assumes += say("joints.laid_in_as_it_was_cut", value_mm=abs(taper.value_mm))
        difference = combine([(1.0, faces.kerf["top"]), (1.0, faces.kerf["bottom"])])
    else:
        assumes += say("joints.slope_of_cut_wasnt_measured")
    if difference is None:
        return None
    return FitAdvice(name="inlay", difference=difference, slot_minus_stock=None, assumes=assumes)


def _notes(
    board: CombBoard,
    ladders: tuple[Ladder, Ladder],
    joint: Joint,
    ways: Sequence[tuple[str, Estimate]],
    stock_measured: bool,
) -> Iterator[str]:
    for ladder, name in zip(ladders, ("slots", "tongues"), strict=True):
        yield from _ladder_notes(board, ladder, name)
    if not stock_measured:
        yield say("joints.stock_wasnt_measured", board=board)
    elif abs(joint.stock.value_mm - board.stock_mm) > _OTHER_STOCK_MM:
        yield say("joints.stock_measures_comb_was_planned", joint=joint, board=board)
    for one, two in combinations(ways, 2):
        apart = abs(one[1].value_mm - two[1].value_mm)
        if apart > 2.0 * math.hypot(one[1].standard_mm, two[1].standard_mm):
            yield say("joints.kerf_is", one=one, two=two)
    if joint.kerf is not None and joint.kerf.half_width_mm > WIDE_MM:
        yield say("joints.kerf_is_only_known_to_either", joint=joint)
    if joint.taper is None:
        yield say("joints.kerf_at_top_and_bottom_werent")
    if joint.press is not None and family_of(board.sheet.material) in _BRITTLE:
        yield say("joints.cracks_rather_than_gives", board=board)


def _ladder_notes(board: CombBoard, ladder: Ladder, name: str) -> Iterator[str]:
    edge = ladder.edge
    if edge == "unread":
        if name == "slots" or board.gauge is not None:
            yield say("joints.no_were_tried", name=name)
        return
    if edge in {"all_tight", "all_loose"}:
        span = (max(ladder.widths_mm) - min(ladder.widths_mm)) / (1 + (name == "tongues"))
        # Tight slots want a smaller kerf than planned for, tight tongues too.
        planned, word = board.kerf_mm, edge.removeprefix("all_")
        kerf = max(planned + (-span if word == "tight" else span), 0.02)
        yield say("joints.all_were_tight", name=name, word=word, kerf=kerf, planned=planned)
    elif edge == "all_snug":
        yield say("joints.all_tried_were_snug", name=name)
    elif edge == "one_sided":
        missing = next(word for word in ("loose", "tight") if word not in ladder.feels)
        yield say("joints.none_of_tried_was", name=name, missing=missing)
    if not ladder.in_order:
        yield say("joints.dont_turn_from_tight_to_loose", name=name)


def joint_words(joint: Joint) -> tuple[str, ...]:
    """Say what was found in sentences."""
    lines: list[str] = []
    if joint.kerf is not None:
        lines.append(say("joints.kerf_from", joint=joint))
    if joint.kerf_top is not None and joint.kerf_bottom is not None:
        lines.append(say("joints.at_top_at_bottom", joint=joint))
    if joint.slot is not None:
        lines.append(say("joints.snug_slot_drawn", joint=joint))
    for fit in (joint.press, joint.glue, joint.inlay):
        if fit is not None:
            lines += _fit_words(fit, joint.stock.value_mm)
    return (*lines, *joint.notes)


def _fit_words(fit: FitAdvice, stock_mm: float) -> Iterator[str]:
    name = fit.name.capitalize()
    if fit.slot_minus_stock is not None:
        change = fit.slot_minus_stock.value_mm
        slot, more = stock_mm + change, "narrower" if change < 0.0 else "wider"
        yield say("joints.stock_in_slot", name=name, change=abs(change), more=more, slot=slot)
    inner, more = fit.difference, "wider"
    if round(inner.value_mm, 2) < 0.0:
        inner, more = replace(inner, value_mm=-inner.value_mm), "narrower"
    yield say("joints.one_part_in_another", name=name, inner=inner, more=more, fit=fit)
