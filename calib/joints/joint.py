"""Parts that fit: from a comb board's readings to kerf, snug slot and what to draw.

With i, by how much a snug slot is narrower than what goes into it, stock of thickness t sits
snugly in a slot drawn s = t − kerf − i, and a tongue drawn w in a gauge drawn g when
w = g + 2 kerf + i. Both together give the kerf by feel, (w − g) + (s − t), whatever i is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from calib.boards.comb import CombBoard
from calib.errors import NotEnoughEvidence
from calib.joints.caliper import Caliper, Estimate, combine, mean_estimate
from calib.joints.comb_reading import (
    Faces,
    FitReading,
    check_widths,
    checked,
    faces_of,
    ladders_of,
)
from calib.joints.feel import Edge, Ladder, Snug, snug_of
from calib.materials import family_of

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
    tool = caliper or Caliper()
    check_widths("stock_mm", stock_mm)
    matched = sorted(checked(board, readings), key=lambda pair: (pair[0].label, repr(pair[1])))
    faces = faces_of(matched, stock_mm, tool)
    ladders = ladders_of(board, matched)
    if not faces.kerf and coupon_kerf is None and not any(ladder.feels for ladder in ladders):
        raise NotEnoughEvidence(
            f"nothing was read off comb {board.board_id}: try the stock in its slots and note"
            " tight, snug or loose for each."
        )
    stock = mean_estimate(
        [tuple(stock_mm) or (board.stock_mm,)], faces.scatter, tool, jaws="outside"
    )
    slot, tongue = (
        None if ladder.edge in {"unread", "all_tight", "all_loose"} else snug_of(ladder)
        for ladder in ladders
    )
    against_stock = against_gauge = None  # the drawn snug slot less the stock, and so on
    if slot is not None:
        against_stock = combine([(1.0, _drawn(slot)), (-1.0, stock)])
    if tongue is not None and board.gauge is not None:
        gauge = Estimate(value_mm=board.gauge.width_mm, random_mm=0.0)
        against_gauge = combine([(1.0, _drawn(tongue)), (-1.0, gauge)])
    # Every way to the narrowest kerf that the readings allow, with its name.
    named = (
        ("the caliper on this comb", faces.narrowest),
        ("the measured size of coupons", coupon_kerf),
    )
    ways = [(name, kerf) for name, kerf in named if kerf is not None]
    measured = [kerf for _, kerf in ways]
    if against_stock is not None and against_gauge is not None:
        both = combine([(1.0, against_gauge), (1.0, against_stock)])
        ways.append(("the feel of slots and tongues", both))
    elif against_stock is not None:
        alone = combine([(-1.0, against_stock), (-1.0, _DOUBT)])
        ways.append(("the feel of the slots alone", alone))
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


def _drawn(snug: Snug) -> Estimate:
    return Estimate(value_mm=snug.middle_mm, random_mm=snug.sd_mm)


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
    difference = tongue
    if difference is None and slot is not None:
        ways = [combine([(1.0, kerf), (-1.0, slot)]) for kerf in measured]
        ways.append(combine([(-2.0, slot), (-1.0, _DOUBT)]))
        difference = min(ways, key=lambda way: way.standard_mm)
    if difference is None:
        return None
    return FitAdvice(
        name="press fit",
        difference=difference,
        slot_minus_stock=slot,
        assumes=(
            "The middle of what felt snug: goes in by hand and holds. The same setting, stock of"
            " the same kind, and edges as they left the machine, not sanded."
        ),
    )


def _glue(kerf: Estimate | None, press: FitAdvice | None) -> FitAdvice | None:
    if kerf is None:
        return None
    gap = Estimate(value_mm=GLUE_GAP_MM, random_mm=0.0)
    difference = combine([(2.0, kerf), (-1.0, gap)])
    slot: Estimate | None = combine([(1.0, gap), (-1.0, kerf)])
    assumes = (
        f"{GLUE_GAP_MM:g} mm of room for glue, both sides together: common practice for white wood"
        " glue. Parts of the size the kerf leaves, and the glue's maker may want more or less."
    )
    if press is not None and press.difference.value_mm < difference.value_mm:
        difference, slot = press.difference, press.slot_minus_stock
        assumes += " What felt snug leaves more room than that: drawn as the press fit."
    return FitAdvice(name="glue fit", difference=difference, slot_minus_stock=slot, assumes=assumes)


def _inlay(faces: Faces, kerf: Estimate | None) -> FitAdvice | None:
    assumes = (
        "Hole and insert cut right through, at this setting, from sheets alike; the insert drawn"
        " mirrored and laid in underside up, so that both slopes agree and the seam closes over"
        " the whole thickness."
    )
    difference, taper = None if kerf is None else combine([(2.0, kerf)]), faces.taper
    if taper is not None:
        if taper.value_mm < 0.0:
            assumes += " The kerf is wider below: push the insert in from the underside."
        assumes += (
            f" Laid in as it was cut, the seam would gape by {abs(taper.value_mm):.2f} mm a side"
            " on one face."
        )
        difference = combine([(1.0, faces.kerf["top"]), (1.0, faces.kerf["bottom"])])
    else:
        assumes += " The slope of the cut wasn't measured, so the seam may gape on one face."
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
        yield f"The stock wasn't measured: {board.stock_mm:g} mm from the plan was taken."
    elif abs(joint.stock.value_mm - board.stock_mm) > _OTHER_STOCK_MM:
        yield (
            f"The stock measures {joint.stock.value_mm:.2f} mm, the comb was planned for"
            f" {board.stock_mm:g} mm: is it the same stock?"
        )
    for number, (name, kerf) in enumerate(ways):
        for other_name, other in ways[number + 1 :]:
            apart = abs(kerf.value_mm - other.value_mm)
            if apart > 2.0 * math.hypot(kerf.standard_mm, other.standard_mm):
                yield (
                    f"The kerf is {kerf.value_mm:.2f} mm from {name} and {other.value_mm:.2f} mm"
                    f" from {other_name}: more apart than chance allows. Measure again."
                )
    if joint.kerf is not None and joint.kerf.half_width_mm > WIDE_MM:
        yield (
            f"The kerf is only known to {joint.kerf.half_width_mm:.2f} mm either way: measure the"
            " gauge and three tongues, three times each at top and bottom."
        )
    if joint.taper is None:
        yield "Kerf at top and bottom weren't both measured: the slope of the cut isn't known."
    brittle = family_of(board.sheet.material) in _BRITTLE
    if brittle and joint.press is not None:
        yield f"{board.sheet.material} cracks rather than gives: take the glue fit."


def _ladder_notes(board: CombBoard, ladder: Ladder, name: str) -> Iterator[str]:
    edge = ladder.edge
    if edge == "unread":
        if name == "slots" or board.gauge is not None:
            yield f"No {name} were tried."
        return
    if edge in {"all_tight", "all_loose"}:
        word = "tight" if edge == "all_tight" else "loose"
        per_kerf = 2.0 if name == "tongues" else 1.0
        span = (max(ladder.widths_mm) - min(ladder.widths_mm)) / per_kerf
        # Tight slots want a smaller kerf than planned for, tight tongues too.
        kerf = board.kerf_mm + (-span if word == "tight" else span)
        yield (
            f"All {name} were {word}: the snug one isn't among them. Plan another comb with a kerf"
            f" of {max(kerf, 0.02):.2f} mm instead of {board.kerf_mm:g}."
        )
    elif edge == "all_snug":
        yield f"All {name} tried were snug: try narrower and wider ones too."
    elif edge == "one_sided":
        missing = next(word for word in ("loose", "tight") if word not in ladder.feels)
        yield f"None of the {name} tried was {missing}: the snug one isn't bracketed on that side."
    if not ladder.in_order:
        yield f"The {name} don't turn from tight to loose in one go: try those near the turn again."


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
