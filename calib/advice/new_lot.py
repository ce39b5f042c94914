"""A new lot of a known sheet: three or four burns say keep, slow by x %, or test again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from calib.advice.recommend import recommend
from calib.advice.recommendation import Recommendation
from calib.advice.strips import need_cut, speeds_at_reaches
from calib.boards.naming import setting_words
from calib.errors import InvalidRecord, NotEnoughEvidence, unfit
from calib.fit.region import Region
from calib.limits import snap_setting
from calib.records import USUAL_RELIABILITY, Setting
from calib.texts.say import say
from calib.units import show_chance

Verdict = Literal["keep", "slow", "change", "test again"]

BURNS = 4
FEWEST_BURNS = 3
# Reaches, in ln W against what the old lot just needs, where the burns teach most of a lot that may
# need a little more or less: found by simulation, see tests/benchmarks/machine_check.py.
_REACHES = (0.10, 0.05, 0.0)
# Slowed by more than this [%] a lot is another sheet in all but name.
_FAR_PCT = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LotVerdict:
    """What to do with a new lot: the advice of the one fit of all lots, against the old setting.

    ``verdict`` is ``keep`` where the old setting is sure enough, ``slow`` or ``change`` where the
    advice is, ``test again`` where nothing can be advised. ``setting`` and ``chance`` are those of
    ``advice``, or of the old setting where there is none; ``slow_pct`` is by how much ``setting``
    is slower at the old power and passes [%], 0 unless the verdict is ``slow``.
    """

    verdict: Verdict
    old: Setting
    chance_at_old: float
    setting: Setting
    chance: float
    slow_pct: float
    reliability: float
    advice: Recommendation | None
    words: str
    notes: tuple[str, ...]


def plan_new_lot(region: Region, setting: Setting, burns: int = BURNS) -> list[Setting]:
    """The burns that try a new lot: the working setting, and faster ones towards the expected edge.

    At the working power and passes, on the machine's steps; a setting may come twice.
    """
    if burns < FEWEST_BURNS:
        raise unfit(
            "burns",
            burns,
            say("advice.new_lot_needs_or_burns", fewest_burns=FEWEST_BURNS, burns=BURNS),
        )
    need_cut(region)
    wanted = speeds_at_reaches(region, setting, _REACHES)
    chosen = [setting]
    for i in range(burns - 1):
        # Where the working setting lies nearer to the edge than a wished burn, it is repeated.
        speed = max(float(wanted[i % len(wanted)]), setting.speed_mm_s)
        chosen.append(snap_setting(region.machine, setting.power_pct, speed, passes=setting.passes))
    return chosen


def judge_new_lot(
    region: Region, old: Setting, reliability: float = USUAL_RELIABILITY
) -> LotVerdict:
    """Say what to do with a new lot, from the region of all lots and the setting of the old one.

    Raises InvalidRecord when fewer than three cuts of the current lot were read, or the reliability
    isn't a chance.
    """
    read = sum(burn.count for burn in region.burns if burn.lot is None)
    if region.cut is None or read < FEWEST_BURNS:
        raise InvalidRecord(
            say(
                "advice.burns_hold_cuts_of_this_lot",
                read=read,
                fewest_burns=FEWEST_BURNS,
                burns=BURNS,
            )
        )
    notes: list[str] = []
    try:
        advice = recommend(region, reliability=reliability)
    except NotEnoughEvidence as refusal:
        advice = None
        notes.append(str(refusal))
    at_old = region.chance_through(old.power_pct, old.speed_mm_s, old.passes)
    setting, chance = (old, at_old) if advice is None else (advice.setting, advice.chance)
    slow_pct = 0.0
    verdict: Verdict = "keep"
    coupon = say("advice.next_coupon_of_this_lot_drops")
    words = say(
        "advice.keep", setting=setting_words(old), coupon=coupon, at_old=show_chance(at_old)
    )
    if at_old < reliability:
        verdict = "test again"
        words = say(
            "advice.test_again_at_old_next_coupon",
            setting=setting_words(old),
            at_old=show_chance(at_old),
        )
        if advice is not None:
            verdict, head = "change", say("advice.change_to", setting=setting_words(setting))
            if (setting.power_pct, setting.passes) == (old.power_pct, old.passes):
                verdict, slow_pct = "slow", 100.0 * (1.0 - setting.speed_mm_s / old.speed_mm_s)
                by = f"{slow_pct:.0f}" if slow_pct >= 1.0 else f"{slow_pct:.1g}"
                head = say("advice.slow_down", by=by, setting=setting_words(setting))
            before = say("advice.at_old", setting=setting_words(old), at_old=show_chance(at_old))
            words = f"{head}: {coupon} {show_chance(chance)}; {before}."
    else:
        if setting != old:
            words += say(
                "advice.advice_for_this_lot",
                setting=setting_words(setting),
                chance=show_chance(chance),
            )
        if not region.tested(old.power_pct, old.speed_mm_s, old.passes):
            notes.append(say("advice.lies_outside_what_was_burnt", setting=setting_words(old)))
    if slow_pct > _FAR_PCT:
        notes.append(say("advice.so_much_slower_is_another_sheet"))
    return LotVerdict(
        verdict=verdict,
        old=old,
        chance_at_old=at_old,
        setting=setting,
        chance=chance,
        slow_pct=slow_pct,
        reliability=reliability,
        advice=advice,
        words=words,
        notes=(*notes, *(advice.notes if advice else region.notes)),
    )
