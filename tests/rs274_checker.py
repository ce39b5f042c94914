"""A strict reader of RS-274/NGC programs, independent of the writer.

Rules by section of: T. R. Kramer, F. M. Proctor, E. Messina (2000) The NIST RS274NGC Interpreter,
Version 3. NIST Interagency Report 6556. Rules marked "ours" go beyond it: a beam needs them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

# Table 4: modal groups. Only words that a program of straight moves may need are known here.
GROUPS = {
    "G0": "motion", "G1": "motion", "G17": "plane", "G20": "units", "G21": "units",
    "G90": "distance", "G91": "distance", "G93": "feed mode", "G94": "feed mode",
    "M0": "stop", "M1": "stop", "M2": "stop", "M30": "stop",
    "M3": "spindle", "M4": "spindle", "M5": "spindle",
    "M7": "coolant", "M8": "coolant", "M9": "coolant", "G4": "non-modal",
}  # fmt: skip
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")  # 3.3.2.1: no exponent
LETTERS = "ABCDFGHIJKLMNPQRSTXYZ"


@dataclass(frozen=True)
class Move:
    """One straight move; power is the S word while the beam is on, else 0; air as it blows."""

    line: int
    rapid: bool
    start: tuple[float, float]
    end: tuple[float, float]
    feed: float
    power: float
    air: frozenset[str] = frozenset()


@dataclass
class Report:
    """What was wrong, and what the program does."""

    errors: list[str] = field(default_factory=list)
    moves: list[Move] = field(default_factory=list)
    words: list[tuple[int, str]] = field(default_factory=list)  # G and M words in order
    comments: list[tuple[int, str]] = field(default_factory=list)
    air_at_end: frozenset[str] = frozenset()


@dataclass
class _State:
    x: float = 0.0
    y: float = 0.0
    feed: float = 0.0
    speed: float = 0.0
    beam: bool = False
    ended: bool = False
    modes: dict[str, str] = field(default_factory=dict)
    last: str = ""  # the command before this line
    air: set[str] = field(default_factory=set)  # M7 and M8 may be on together (3.6.3)
    air_waits: bool = False  # switched on, and not yet waited for


def check(text: str) -> Report:
    """Read a program line by line; collect errors and moves."""
    report, state = Report(), _State()
    if not text.isascii():
        report.errors.append("not ASCII (ours)")
    lines = text.splitlines()
    percents = [number for number, line in enumerate(lines, 1) if line.strip() == "%"]
    if percents[:1] == [1]:  # 3.1
        if len(percents) != 2:
            report.errors.append("a first % line needs one second % line (3.1)")
        elif any(line.strip() for line in lines[percents[1] :]):
            report.errors.append("text after the second % line (3.1)")
    elif percents:
        report.errors.append(f"line {percents[0]}: % in the middle of a program (3.1)")
    for number, line in enumerate(lines, 1):
        if number not in percents:
            _line(report, state, number, line)
    report.air_at_end = frozenset(state.air)
    if not state.ended:
        report.errors.append("no M2 at the end (3.1, ours: always)")
    return report


def _line(report: Report, state: _State, number: int, line: str) -> None:
    def wrong(text: str) -> None:
        report.errors.append(f"line {number}: {text}: {line!r}")

    if len(line) > 256:
        wrong("more than 256 characters (3.3)")
    code, comments, broken = _without_comments(line)
    report.comments += [(number, comment) for comment in comments]
    if broken:
        wrong(broken)
        return
    words = _words(code, wrong)
    if words is None or not words:
        return
    if state.ended:
        wrong("code after the end of the program (3.6.1)")
    _modal_rules(words, wrong)
    _obey(report, state, number, words, wrong)


def _without_comments(line: str) -> tuple[str, list[str], str]:
    code, comments, inside = "", [], None
    for sign in line:
        if inside is None and sign == "(":
            inside = ""
        elif inside is not None and sign == "(":
            return "", [], "a comment in a comment (3.3.4)"
        elif inside is not None and sign == ")":
            comments.append(inside)
            inside = None
        elif inside is not None:
            inside += sign
        else:
            code += sign
    if inside is not None:
        return "", [], "a comment isn't closed on its line (3.3.4)"
    return code, comments, ""


def _words(code: str, wrong) -> list[tuple[str, float]] | None:
    code = re.sub(r"[ \t]", "", code).upper().removeprefix("/")
    words, place = [], 0
    while place < len(code):
        letter = code[place]
        number = NUMBER.match(code, place + 1)
        if letter not in LETTERS or number is None:
            wrong(f"can't be read from {code[place:]!r} on (3.3)")
            return None
        if letter == "N" and (place or not number.group().isdigit() or len(number.group()) > 5):
            wrong("a line number stands first and has up to five digits (3.3.1)")
        if letter != "N":
            words.append((letter, float(number.group())))
        place = number.end()
    return words


def _modal_rules(words: list[tuple[str, float]], wrong) -> None:
    groups: list[str] = []
    for letter, value in words:
        if letter in "GM":
            name = f"{letter}{value:g}"
            if name not in GROUPS:
                wrong(f"{name} isn't expected here (ours)")
            else:
                groups.append(GROUPS[name])
        elif sum(other == letter for other, _ in words) > 1:
            wrong(f"{letter} more than once (3.3.5)")
    if len(set(groups)) < len(groups):
        wrong("two words of one modal group (3.3.5)")
    if sum(letter == "M" for letter, _ in words) > 4:
        wrong("more than four M words (3.3.5)")


def _obey(report: Report, state: _State, number: int, words, wrong) -> None:
    codes = [f"{letter}{value:g}" for letter, value in words if letter in "GM"]
    values = {letter: value for letter, value in words if letter not in "GM"}
    report.words += [(number, code) for code in codes]
    if len(codes) > 1:
        wrong("more than one command on a line (ours)")
    if "F" in values:
        state.feed = values["F"]
        if state.feed <= 0:
            wrong("F must be above 0 (3.5.19)")
    if "S" in values:
        state.speed = values["S"]
        if state.speed < 0:
            wrong("S may not be negative (3.7.2)")
    if ("P" in values) != ("G4" in codes):
        wrong("P belongs to G4, and G4 needs it (3.5.4)")
    for code in codes:
        _command(state, code, wrong)
        if code == "G4":
            _dwell(state, values.get("P", 0.0), wrong)
    motion = next((code for code in codes if code in {"G0", "G1"}), "")
    axes = {letter: value for letter, value in values.items() if letter in "XYZABC"}
    if axes and not motion:
        wrong("axis words without a G word (ours)")
    if set(axes) - {"X", "Y"}:
        wrong("only X and Y are expected (ours)")
    if motion:
        _move(report, state, number, motion, axes, wrong)
    state.last = codes[-1] if codes else state.last


def _command(state: _State, code: str, wrong) -> None:
    if GROUPS.get(code) in {"units", "distance", "feed mode", "plane"}:
        state.modes[GROUPS[code]] = code
    elif code in {"M3", "M4"}:
        if state.speed != 0:
            wrong("the beam goes on at rest with power (ours)")
        state.beam = True
    elif code == "M5":
        state.beam = False
    elif code in {"M7", "M8"}:
        if code in state.air:
            wrong("the air is on already (ours)")
        state.air.add(code)
        state.air_waits = True
    elif code == "M9":
        state.air.clear()
        state.air_waits = False
    elif code in {"M0", "M1"} and state.beam:
        wrong("a stop with the beam on (ours)")
    elif code in {"M2", "M30"}:
        if state.beam or state.speed != 0:
            wrong("the end without M5 and S0 before it (ours)")
        state.ended = True


def _dwell(state: _State, seconds: float, wrong) -> None:
    """G4 P: seconds, not negative (3.5.4)."""
    if state.beam:
        wrong("a pause with the beam on (ours)")
    if not 1.0 <= seconds <= 5.0:
        wrong("a pause of 1 to 5 s is expected (ours)")
    state.air_waits = False


def _move(report: Report, state: _State, number: int, motion: str, axes, wrong) -> None:
    if not axes:
        wrong(f"{motion} without an axis word (3.5.1)")
    if state.modes != {
        "units": "G21", "distance": "G90", "feed mode": "G94", "plane": "G17"
    }:  # fmt: skip
        wrong(f"a move before G21 G90 G94 G17 (ours), modes {state.modes}")
    if motion == "G1" and state.feed <= 0:
        wrong("G1 without F (3.5.2)")
    if motion == "G0" and state.beam:
        wrong("travel with the beam on (ours)")
    if motion == "G0" and state.last != "M5":
        wrong("travel without M5 just before it (ours)")
    power = state.speed if state.beam else 0.0
    if power > 0 and state.air_waits:
        wrong("burning without a pause after the air was switched on (ours)")
    end = axes.get("X", state.x), axes.get("Y", state.y)
    report.moves.append(
        Move(
            line=number,
            rapid=motion == "G0",
            start=(state.x, state.y),
            end=end,
            feed=state.feed,
            power=power,
            air=frozenset(state.air),
        )
    )
    state.x, state.y = end
