"""Say what can't be promised, and name the burns that would settle it."""

from __future__ import annotations

from collections import Counter

import numpy as np

from calib.advise.far_side import far_side
from calib.advise.next_burns import next_cuts
from calib.advise.next_marks import next_marks
from calib.advise.promise import Promised
from calib.advise.wish import Wish
from calib.errors import NotEnoughEvidence
from calib.fit.region import Region
from calib.grid.limits import SLOWEST_MM_S
from calib.records import USUAL_RELIABILITY, Setting


def refusal(promised: Promised, wish: Wish, best: float | None) -> NotEnoughEvidence:
    """What can't be promised, and the burns that would settle it."""
    region = promised.region
    burns, settling = _settling(promised, wish)
    pair = f"{region.sheet.name} on {region.machine.name}"
    if not region.burns:
        why = f"No {region.operation.replace('_', ' ')} of {pair} was burnt yet"
    elif best is None:
        why = (
            f"No setting of {pair} that the machine can take and that isn't slower than"
            f" {SLOWEST_MM_S[region.machine.source]:g} mm/s lies inside what was burnt"
        )
    else:
        asked = wish.asked or wish.reliability or 0.0
        why = (
            f"A chance of {asked:.9g} was asked for; inside what was burnt of {pair}"
            f" the best is {_rounded_down(best)}"
        )
        if wish.asked is not None:
            why += f", and without a recorded job {wish.reliability:g} would do"
    return NotEnoughEvidence(f"{why}. Burn next: {settling}.", next_burns=burns)


def stop_and_look(region: Region) -> None:
    """Refuse to advise, with questions, where all burns lie far on one side of what is expected."""
    questions = far_side(region)
    if questions:
        raise NotEnoughEvidence(
            f"{' '.join(questions)} When all of that is as it should be, plan the next board."
        )


def _settling(promised: Promised, wish: Wish) -> tuple[list[Setting], str]:
    """The burns that would settle it, and in words: one where that is enough, else four."""
    region = promised.region
    if region.operation != "cut":
        burns = next_marks(region, 4, wish.mark)
        return burns, named(burns)
    reliability = USUAL_RELIABILITY if wish.reliability is None else wish.reliability
    (one,) = next_cuts(region, 1, reliability=reliability)
    if promised.single(one) >= reliability:
        return [one], f"{named([one])}; if it comes out well, it can be advised"
    burns = next_cuts(region, 4, reliability=reliability)
    return burns, named(burns)


def _rounded_down(chance: float) -> str:
    """A chance with three digits, near 1 with two of what is missing."""
    digits = 3 if chance < 0.99 else 2 - int(np.floor(np.log10(max(1.0 - chance, 1e-9))))
    return f"{np.floor(chance * 10**digits + 1e-6) / 10**digits:.{digits}g}"


def named(burns: list[Setting]) -> str:
    """Burns in words, those that are to be made more than once with their number."""
    times = Counter(
        f"{s.power_pct:g} % at {s.speed_mm_s:g} mm/s"
        + (f" in {s.passes} passes" if s.passes > 1 else "")
        for s in burns
    )
    return "; ".join(words + (f" ({n} times)" if n > 1 else "") for words, n in times.items())
