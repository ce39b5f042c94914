"""The checker of programs finds what is broken, and accepts what is odd but legal."""

from __future__ import annotations

import pytest
from rs274_checker import check

BROKEN = {
    "G21\nG90\nG94\nG17\nM5\nS0\nM2\n(x\n": "isn't closed",
    "G21\nG90\nG94\nG17\nM5\nS0\n": "no M2",
    "%\nG21\nM5\nS0\nM2\n": "one second % line",
    "%\nM5\nS0\nM2\n%\nG21\n": "text after the second %",
    "G21\n%\nM5\nS0\nM2\n": "in the middle",
    "(a (b))\nM5\nS0\nM2\n": "comment in a comment",
    "G21 ; units\nM5\nS0\nM2\n": "can't be read",
    "G1 X1e3 F100\nM5\nS0\nM2\n": "can't be read",
    "G1 X F100\nM5\nS0\nM2\n": "can't be read",
    "G21 G20\nM5\nS0\nM2\n": "one modal group",
    "G21\nG90\nG94\nG17\nM5\nG0 X1 X2\nS0\nM2\n": "X more than once",
    "G21\nG90\nG94\nG17\nM5\nG0\nS0\nM2\n": "without an axis word",
    "G21\nG90\nG94\nG17\nM5\nX1 Y1\nS0\nM2\n": "axis words without a G word",
    "G90\nG94\nG17\nM5\nG0 X1\nS0\nM2\n": "before G21",
    "G21\nG90\nG94\nG17\nM5\nG1 X1\nS0\nM2\n": "G1 without F",
    "G21\nG90\nG94\nG17\nM5\nG1 X1 F-5\nS0\nM2\n": "F must be above 0",
    "G21\nG90\nG94\nG17\nM5\nS-1\nS0\nM2\n": "S may not be negative",
    "G21\nG90\nG94\nG17\nM3 S0\nG0 X1\nM5\nS0\nM2\n": "travel with the beam on",
    "G21\nG90\nG94\nG17\nM5\nM8\nG0 X1\nS0\nM2\n": "without M5 just before",
    "M3 S5\nM5\nS0\nM2\n": "at rest with power",
    "M3 S0\nM0\nM5\nS0\nM2\n": "stop with the beam on",
    "M3 S0\nM2\n": "the end without M5",
    "M5\nS3\nM2\n": "the end without M5 and S0",
    "M5\nS0\nM2\nG21\n": "after the end",
    "M5\nS0\n(" + 256 * "x" + ")\nM2\n": "more than 256",
    "(größe)\nM5\nS0\nM2\n": "not ASCII",
    "G2 X1 Y1\nM5\nS0\nM2\n": "G2 isn't expected",
    "G21 N5\nM5\nS0\nM2\n": "a line number stands first",
}


@pytest.mark.parametrize("text", BROKEN)
def test_the_checker_finds_what_is_broken(text: str):
    assert any(BROKEN[text] in error for error in check(text).errors), check(text).errors


def test_the_checker_accepts_the_standards_odd_but_legal_lines():
    legal = "%\n/N12345 g2 1 (mm)\nG90\nG94\nG17\nm5\ng0 x+0. 12 y.5\nS0\nM2\n%\n"
    report = check(legal)
    assert report.errors == []
    assert report.moves[0].end == (0.12, 0.5)
