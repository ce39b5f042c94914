"""An evening in an invented workshop, from "I know nothing" to settings with a stated chance.

    python3 demo/run.py

needs Python 3.11 or later and nothing else: it makes `.venv`, installs pinned packages into it, and
plays the evening. Machine, sheets and recorded burns are invented. Everything it makes lies in
``demo/out``; your own logbook is not touched.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from invented_workshop import Round

DEMO = Path(__file__).resolve().parent
OUT = DEMO / "out"
sys.path.insert(0, str(DEMO.parent / "tools"))

_DOES_NOT_FIT = """
The demo stops here: {file} doesn't fit the board that is planned now. Restore the file, or have the
recorded burns invented anew with: python3 demo/invent_results.py
"""


def main() -> int:
    """Play the evening; 0 when all went well."""
    from invented_workshop import BIRCH, MACHINE, MDF, logbook_in, type_in

    shutil.rmtree(OUT, ignore_errors=True)
    with logbook_in(OUT):
        heading("The machine and two sheets; what may not be burnt is refused here")
        for words in (MACHINE, BIRCH, MDF):
            type_in(*words)
        if not (play_cut() and play_mark()):
            return 1
        heading("What the logbook holds now")
        type_in("book", "list")
        type_in("book", "export", "burns.csv")
        type_in("book", "export", "logbook.jsonl")
    (OUT / "READ-ME-FIRST.txt").write_text(closing_page(), encoding="utf-8")
    heading("What to look at")
    print(closing_page())
    return 0


def heading(text: str) -> None:
    """Say what comes next."""
    print(f"\n\n{text}\n{'=' * len(text)}", flush=True)


def play_cut() -> bool:
    """Three rounds of cuts in birch plywood, then a setting."""
    from invented_workshop import BIRCH_ROUNDS, CUT_WISH, type_in

    heading("Cut birch plywood: three rounds of six burns, each nearer to the edge")
    if not all(play_round(board) for board in BIRCH_ROUNDS):
        return False
    pictures = ("--picture", "birch-region.png", "--picture", "birch-region.svg")
    type_in("region", "birch 3", *CUT_WISH, *pictures)
    ask_for_setting("birch 3", CUT_WISH)
    return True


def play_mark() -> bool:
    """Three rounds of lines on MDF, then a setting."""
    from invented_workshop import MARK_WISH, MDF_ROUNDS, type_in

    heading("Mark lines on MDF: as little as shows clearly")
    if not all(play_round(board) for board in MDF_ROUNDS):
        return False
    pictures = ("--picture", "mdf-region.png", "--picture", "mdf-region.svg")
    type_in("region", "MDF 3", *MARK_WISH, *pictures)
    ask_for_setting("MDF 3", MARK_WISH)
    return True


def ask_for_setting(sheet: str, wish: tuple[str, ...]) -> None:
    """Get a recommendation and keep it; other burns may be too few for one."""
    from invented_workshop import Refused, type_in

    try:
        type_in("recommend", sheet, *wish, "--keep")
    except Refused:
        print("(Nothing is kept: what speaks against it, or which burns it takes, stands above.)")


def play_round(board: Round) -> bool:
    """Plan a board, write its files, record what came out of it."""
    from invented_workshop import Refused, type_in

    type_in(*board.plan, "--into", board.name)
    try:
        type_in("record", os.path.relpath(board.results))
    except Refused:
        print(_DOES_NOT_FIT.format(file=f"demo/{board.results.name}"), file=sys.stderr)
        return False
    return True


def closing_page() -> str:
    """What to look at, and how to do it oneself."""
    return (DEMO / "closing-page.txt").read_text(encoding="utf-8")


if __name__ == "__main__":
    from environment import RUN_PINS, run_in_environment

    run_in_environment(RUN_PINS, __file__, main)
