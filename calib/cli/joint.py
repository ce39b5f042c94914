"""Commands for parts that fit: what a joint board tells, and the kerf."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from calib.cli.options import CaliperLimit, Said, argument, command
from calib.cli.terminal import now

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.tasks.wishes import Named

JointCode = Annotated[str, argument("BOARD", "Code of the joint board, or: last.")]


@command("calib joint show last")
def joint_show(book: Book, board: JointCode) -> Said:
    """Say what to draw for a press fit, a glue fit and an inlay, from a joint board."""
    from calib.tasks.joints import joint_of_comb
    from calib.texts.joints import joint_text

    comb, found = joint_of_comb(book, board)
    data = {"board_id": comb.board_id, "setting": comb.setting, "joint": found}
    return data, joint_text(comb, found)


@command("calib joint kerf 'birch 3'")
def joint_kerf(book: Book, pair: Named, caliper_limit: CaliperLimit = None) -> Said:
    """Work out the kerf from measured coupons, and how it grows with the line energy."""
    from calib.tasks.joints import caliper_of, learn_kerf
    from calib.texts.joints import kerf_text

    law, points = learn_kerf(book, *pair.names, when=now(), caliper=caliper_of(caliper_limit))
    return {"law": law, "points": points}, kerf_text(law, points)
