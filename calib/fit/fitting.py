"""From burns to a region: choose the priors, fit the models, say what the data can't tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.errors import InvalidRecord
from calib.fit.consistency import inconsistencies
from calib.fit.fits import CutFit, fit
from calib.fit.mishaps import weighed
from calib.fit.model import Response, grade_of
from calib.fit.priors import CutPrior, Priors
from calib.fit.region import Edge, Region, burnt_hulls
from calib.records import (
    KINDS,
    OPERATIONS,
    Air,
    Burn,
    Machine,
    Operation,
    Sheet,
    counted_burns,
    unusual,
)
from calib.texts.say import say


def region_from(
    machine: Machine,
    sheet: Sheet,
    operation: Operation,
    evidence: Sequence[Burn],
    priors: Priors,
    air: Air | None = None,
) -> Region:
    """Fit the region of one sheet, machine and operation; with no evidence it is the prior's.

    It is of burns with an air, the usual one unless another is given; those with any other count
    through what the air adds.
    Burns of another operation, or without a reading, are left out. Raises InvalidRecord when the
    operation isn't one, or the evidence holds something else than burns.
    """
    if operation not in OPERATIONS:
        raise InvalidRecord(
            say("fit.operation_is_give_one", operation=operation, operations=", ".join(OPERATIONS))
        )
    for burn in evidence:
        if not isinstance(burn, Burn):
            raise InvalidRecord(say("fit.evidence_holds_give_sequence_of_burn", burn=burn))
    air = unusual(air, operation)
    read: Response = "cut" if operation == "cut" else "mark"
    grades = [(b, grade_of(b, read)) for b in evidence if b.operation == operation]
    everything = tuple(b for b, grade in grades if grade is not None)
    burns = tuple(b for b in everything if b.air == air)
    # A coupon that drops; a line that shows clearly.
    works = [grade >= 2 for b, grade in grades if grade is not None and b.air == air]
    edge: Edge = "bracketed"
    if not works:
        edge = "unburnt"
    elif all(works) and not any(
        # A stair of marks tells of each grade where it ends: the edge is where clear does.
        burn.fails_at_mm_s and burn.mark in (None, 2)
        for burn in burns
    ):
        edge = "all_through"
    elif not any(works):
        edge = "none_through"
    cut, asked = _cut(machine, everything, priors.cut, air) if priors.cut else (None, ())
    region = Region(
        machine=machine,
        sheet=sheet,
        operation=operation,
        burns=burns,
        edge=edge,
        defects_per_m=priors.cut.defects_per_m if priors.cut else 0.0,
        cut=cut,
        char=fit(machine, everything, priors.char, "char", air) if priors.char else None,
        mark=fit(machine, everything, priors.mark, "mark", air) if priors.mark else None,
        notes=(*priors.notes, *asked),
        hulls=burnt_hulls(burns),
        other_air=tuple(b for b in everything if b.air != air),
    )
    return _with_notes(region)


def _cut(
    machine: Machine, burns: Sequence[Burn], prior: CutPrior, air: Air | None
) -> tuple[CutFit, tuple[str, ...]]:
    """The fit of the cut, the doubt of likely mishaps in it, and what is asked about them."""
    cut, asked = weighed(machine, burns, prior, fit(machine, burns, prior, "cut", air), air)
    return cut, tuple(one.words for one in asked)


def _with_notes(region: Region) -> Region:
    notes = list(region.notes)
    cut = region.operation == "cut"
    if region.edge == "all_through":
        notes.append(
            say("fit.every_coupon_dropped") if cut else say("fit.every_mark_is_clear_or_deeper")
        )
    if region.edge == "none_through":
        notes.append(say("fit.no_coupon_dropped") if cut else say("fit.no_mark_is_clear_yet"))
    if cut and any(b.through == "no" and b.char is not None for b in region.burns):
        notes.append(say("fit.char_read_on_coupons_that_were"))
    if cut and region.burns and not any(b.char is not None for b in region.burns):
        notes.append(say("fit.no_char_was_read"))
    places = dict.fromkeys(b.char_at for b in region.burns if b.char is not None and b.char_at)
    if len(places) > 1:
        notes.append(say("fit.char_was_read_at_places", places=" and ".join(places)))
    others = [b for b in region.burns if b.lot is not None]
    if cut and others:
        notes.append(say("fit.of_burns_are_of_other_lots", count=len(others)))
    notes += air_notes(region)
    notes += inconsistencies(region)
    return replace(region, notes=tuple(dict.fromkeys(notes)))


def air_notes(region: Region) -> tuple[str, ...]:
    """How much more power each other air takes than the usual one, and how it chars; a sentence for
    each that was asked about or that burns had."""
    reach = region.cut or region.mark
    assert reach is not None
    notes = []
    usual, is_cut = KINDS[region.operation].air, region.cut is not None
    for air, ends in reach.air.items():
        power = [_more_or_less(100.0 * float(np.expm1(value))) for value in ends]
        said = [
            say("fit.air_of_cuts", air=air, usual=usual, power=power)
            if is_cut
            else say("fit.air_of_marks", air=air, usual=usual, power=power)
        ]
        char = region.char
        if char is not None and air in char.air:
            # In widths of a grade; what takes less power comes out blacker.
            width = float(char.here.weight @ char.here.shape.cuts[:, 2])
            black = [_blacker_or_paler(-value / width) for value in char.air[air]]
            said.append(say("fit.air_of_char", black=black))
        burns = [b for b in (*region.burns, *region.other_air) if b.air == air]
        tried = counted_burns(burns)
        said.append(say("fit.air_tried", tried=tried) if burns else say("fit.air_not_tried"))
        notes.append(" ".join(said))
    return tuple(notes)


def _more_or_less(percent: float) -> str:
    return f"{abs(percent):.0f} % {'less' if percent < 0.0 else 'more'}"


def _blacker_or_paler(grades: float) -> str:
    return f"{abs(grades):.1f} grades {'paler' if grades < 0.0 else 'blacker'}"
