"""What was felt and measured on a comb board, and the kerf by face that it gives."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from scipy.special import ndtr

from calib.boards.comb import FEELS, CombBoard, Feel
from calib.boards.comb_places import CombStep
from calib.errors import InvalidRecord
from calib.joints.caliper import Caliper, Estimate, Scatter, combine, scatter_of, weighted
from calib.joints.feel import SLOT_SD_MM, TONGUE_SD_MM, Ladder
from calib.joints.kerf import kerf_of
from calib.texts.say import say

# Where a width was taken: at the face the beam came from, at the other one, or with the jaws
# across the whole thickness, where they touch the narrowest kerf.
Face = Literal["top", "bottom", "across"]
FACES: tuple[Face, ...] = get_args(Face)


@dataclass(frozen=True, slots=True, kw_only=True)
class FitReading:
    """What was read off one slot or tongue."""

    label: str  # its code
    feel: Feel | None = None  # tight, snug or loose; None when not tried
    # its width at the face the beam came from and at the other, each as often as it was measured
    # [mm]
    top_mm: tuple[float, ...] = ()
    bottom_mm: tuple[float, ...] = ()
    across_mm: tuple[float, ...] = ()  # its width with the jaws across the whole thickness [mm]

    def __post_init__(self) -> None:
        if self.feel is not None and self.feel not in FEELS:
            raise InvalidRecord(say("joints.feel_of", of=self, feels=", ".join(FEELS)))
        for face in FACES:
            check_widths(say("joints.width_of", face=face, label=self.label), self.widths_mm(face))

    def widths_mm(self, face: Face) -> tuple[float, ...]:
        """Widths at a face [mm]."""
        return {"top": self.top_mm, "bottom": self.bottom_mm, "across": self.across_mm}[face]


def check_widths(name: str, widths_mm: Sequence[float]) -> None:
    """Refuse what no caliper shows."""
    for width in widths_mm:
        good = isinstance(width, (int, float)) and not isinstance(width, bool)
        if not (good and math.isfinite(width) and 0.0 < width <= 1000.0):
            raise InvalidRecord(say("joints.holds_give_widths_from_above", name=name, width=width))


@dataclass(frozen=True, slots=True, kw_only=True)
class Faces:
    """Kerf by face."""

    kerf: Mapping[Face, Estimate]  # of the faces that were measured
    scatter: Scatter  # of all caliper readings together

    @property
    def taper(self) -> Estimate | None:
        """Kerf at the top less kerf at the bottom; None unless both were measured."""
        if not {"top", "bottom"} <= self.kerf.keys():
            return None
        return combine([(1.0, self.kerf["top"]), (-1.0, self.kerf["bottom"])])

    @property
    def narrowest(self) -> Estimate | None:
        """Kerf that counts for fits: where openings are narrowest and parts are widest."""
        if "across" in self.kerf:
            return self.kerf["across"]
        if self.taper is None:
            return self.kerf.get("bottom", self.kerf.get("top"))
        return _lesser(self.kerf["top"], self.kerf["bottom"], self.taper)


def _lesser(one: Estimate, two: Estimate, difference: Estimate) -> Estimate:
    """Lesser of two estimates: its mean and variance while it isn't sure which one that is.

    Moments of the least of two normal variables (Clark 1961, Operations Research 9:145-162, from
    memory); the jaws' error goes with the one that is likelier to be the lesser.
    """
    doubt = max(difference.standard_mm, 1e-9)
    d = difference.value_mm / doubt
    second, density = float(ndtr(d)), math.exp(-0.5 * d * d) / math.sqrt(2.0 * math.pi)
    mixed = combine([(1.0 - second, one), (second, two)])
    mean = mixed.value_mm - doubt * density
    square = (1.0 - second) * (one.random_mm**2 + one.value_mm**2)
    square += second * (two.random_mm**2 + two.value_mm**2)
    square -= doubt * density * (one.value_mm + two.value_mm)
    return replace(mixed, value_mm=mean, random_mm=math.sqrt(max(square - mean**2, 0.0)))


def checked(board: CombBoard, readings: Iterable[FitReading]) -> list[tuple[CombStep, FitReading]]:
    """Match readings with the steps of their board."""
    steps = {step.label: step for step in board.steps}
    matched = []
    for reading in readings:
        if reading.label not in steps:
            known = ", ".join(steps)
            raise InvalidRecord(say("joints.no_such_step", reading=reading, board=board, has=known))
        matched.append((steps[reading.label], reading))
    return matched


def faces_of(
    matched: Sequence[tuple[CombStep, FitReading]],
    stock_mm: Sequence[float],
    caliper: Caliper | None,
) -> Faces:
    """Work out the kerf at each face that was measured."""
    # By face and whether it is one of a part, the kerfs of each step; repeats of a step together.
    kerfs: dict[Face, dict[bool, dict[str, list[float]]]] = {}
    for face in FACES:
        for step, reading in matched:
            part = step.kind == "tongue"
            for width in reading.widths_mm(face):
                where = say("joints.width_of", face=face, label=step.label)
                kerf = kerf_of(width, step.width_mm, where, part=part)
                of_kind = kerfs.setdefault(face, {}).setdefault(part, {})
                of_kind.setdefault(step.label, []).append(kerf)
    groups = [[*places.values()] for kinds in kerfs.values() for places in kinds.values()]
    scatter = scatter_of([*groups, [stock_mm] if stock_mm else []], caliper)
    # A caliper that shows too much makes the kerf of a slot too large and of a tongue too small.
    by_face = {
        face: weighted([
            scatter.mean([*places.values()], inside=float(not part), outside=-float(part))
            for part, places in kinds.items()
        ])
        for face, kinds in kerfs.items()
    }
    return Faces(kerf=by_face, scatter=scatter)


def ladders_of(
    board: CombBoard, matched: Sequence[tuple[CombStep, FitReading]]
) -> tuple[Ladder, Ladder]:
    """Sort what was felt into the ladder of the slots and that of the tongues."""
    gauge = board.gauge.width_mm if board.gauge else 0.0
    middles = {"slot": board.stock_mm - board.kerf_mm, "tongue": gauge + 2.0 * board.kerf_mm}
    ladders = []
    for kind, sd in (("slot", SLOT_SD_MM), ("tongue", TONGUE_SD_MM)):
        felt = [(step, r.feel) for step, r in matched if step.kind == kind and r.feel is not None]
        ladders.append(
            Ladder(
                labels=tuple(step.label for step, _ in felt),
                widths_mm=tuple(step.width_mm for step, _ in felt),
                feels=tuple(feel for _, feel in felt),
                middle_mm=middles[kind],
                sd_mm=sd,
                wide_is_tight=kind == "tongue",
            )
        )
    return ladders[0], ladders[1]
