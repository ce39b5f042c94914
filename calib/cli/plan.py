"""Where one begins: what is open, and the command that plans boards, whatever they are for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from calib import tasks, texts
from calib.cli.options import Changes, Into, Said, command, flag, option
from calib.cli.terminal import now, tell, unless_doubted
from calib.texts.say import say

if TYPE_CHECKING:
    from calib.logbook import Book
    from calib.records import Setting
    from calib.tasks.wishes import (
        BoardWish,
        CheckWish,
        CombWish,
        ElsewhereWish,
        FileWish,
        FocusWish,
        Pair,
    )


@command("calib overview", hidden=True)
def overview(book: Book) -> Said:
    """Say what is open, and the next command for each sheet."""
    found = tasks.standing.overview(book)
    return found, texts.boards.overview_text(found)


@command(
    "calib plan 'birch 3' --burns 6 --offcut 200x150 --into board-1",
    leave_out=("address", "setting", "rated_w"),
    panels={
        "For a full grid": ("powers_pct", "speeds_mm_s", "slowest_mm_s"),
        "For a new lot, a proof or a joint board": ("power_pct", "speed_mm_s"),
        "For another machine": ("to_machine",),
        "For a joint board": ("stock_mm", "step_mm", "slots", "tongues", "kerf_mm"),
        "For the focus": ("heights_mm",),
    },
)
def plan(
    book: Book,
    typed: Changes[
        Pair | BoardWish | FileWish | CheckWish | ElsewhereWish | CombWish | Setting | FocusWish
    ],
    purpose: Annotated[
        str,
        option(
            "--for",
            "PURPOSE",
            "edge: where it cuts or marks; stair: the same by one line of many speeds; lot: does a"
            " new lot need more; check: has the machine lost power; transfer: confirm a start on"
            " another machine; proof: a piece like the work at the kept setting; joint: parts that"
            " fit; focus: the right height.",
        ),
    ] = "edge",
    into: Into = None,
    yes: Annotated[bool, flag("--yes", "Plan on although something else must be wrong.")] = False,
) -> Said:
    """Plan the next board of a sheet: the first brackets the edge, later ones close in on it."""
    tasks.files.check_folder(into)
    files, when = into is not None, now()
    planned = unless_doubted(
        lambda sure: tasks.boards.plan_for(
            book, purpose, typed, when=when, with_files=files, sure=sure
        ),
        yes,
        say("cli.is_all"),
        say("cli.nothing_was_planned"),
    )
    for line in texts.planned.unburnt_lines(planned):
        tell(line)
    written = tasks.files.write_folder(planned.files, into)
    if into is not None:
        tell(texts.boards.files_text(planned.files, written, into))
    for one in planned.boards if into is None else ():
        tell(say("cli.for_its_files", grid=one.grid))
    return texts.planned.plan_data(planned, written), texts.planned.plan_text(planned)
