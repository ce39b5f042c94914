"""Drawings that are hostile or broken, with the words that refuse them; and what that takes."""

from pathlib import Path

from drawings import HEAD, document

from calib.jobs.drawing import MAX_CLASSES
from calib.jobs.outlines import MAX_POINTS
from calib.jobs.paths import MAX_ARCS, MAX_SEGMENTS
from calib.jobs.svg import MAX_BYTES, MAX_ELEMENTS, MAX_NESTING, MAX_REUSED

BOMB = (
    '<!DOCTYPE svg [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {chr(98 + i)} "{f"&{chr(97 + i)};" * 10}">' for i in range(9))
    + "]>"
)
LEVELS = (f"<g id='u{i}'>" + f"<use href='#u{i - 1}'/>" * 10 + "</g>" for i in range(1, 12))
NESTED = f"<defs><g id='u0'><path d='M0 0h1'/></g>{''.join(LEVELS)}</defs><use href='#u11'/>"
REFUSED = {
    "entity bomb": (BOMB.encode() + document("<text>&j;</text>"), "declares entities"),
    "outside entity": (
        b'<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>' + document("<text>&x;</text>"),
        "declares entities or refers to another file",
    ),
    "parameter entity": (
        b'<!DOCTYPE svg [<!ENTITY % x SYSTEM "http://192.0.2.1/x.dtd"> %x;]>' + document(""),
        "declares entities or refers to another file",
    ),
    "undeclared entity": (document("<text>&x;</text>"), "well-formed XML.*undefined entity"),
    "nested references": (document(NESTED), f"more than {MAX_REUSED} copies"),
    "self reference": (
        document("<g id='a'><use href='#b'/></g><g id='b'><use href='#a'/></g>"),
        "'[ab]' refers to itself",
    ),
    "lost reference": (document("<use href='#nowhere'/>"), "'nowhere' that isn't in it"),
    "outside use": (document("<use href='other.svg#a'/>"), "'other.svg#a', outside itself"),
    "outside sheet": (document("<style>@import url(http://192.0.2.1/);</style>"), "@import"),
    "NaN in a path": (document("<path d='M0 0L10 NaN'/>"), "from 'L10 NaN' on"),
    "infinity in a path": (document("<path d='M0 0Linf 3'/>"), "from 'Linf 3' on"),
    "NaN in a size": (
        document("<path d='M0 0h1'/>", HEAD.replace("100mm", "NaNmm")),
        "length 'NaNmm'",
    ),
    "NaN in a viewBox": (
        document("<path d='M0 0h1'/>", HEAD.replace("0 0 100", "0 0 nan")),
        "viewBox is '0 0 nan 100'",
    ),
    "NaN in a transform": (
        document("<path transform='translate(nan,1)' d='M0 0h1'/>"),
        "transform 'translate\\(nan,1\\)'",
    ),
    "short transform": (
        document("<path transform='matrix(1 2)' d='M0 0h1'/>"),
        "transform 'matrix\\(1 2\\)'",
    ),
    "huge transform": (
        document("<path transform='scale(1e99)' d='M0 0h1'/>"),
        "reaches beyond 100 m",
    ),
    "odd numbers": (document("<path d='M0 0L10'/>"), "from 'L10' on"),
    "numbers before a command": (document("<path d='0 0L10 10'/>"), "from '0 0L10 10' on"),
    "no first point": (document("<path d='L10 10'/>"), "from 'L10 10' on: it has to begin with M"),
    "numbers after a close": (document("<path d='M0 0h1z5'/>"), "from '5' on"),
    "bad flag": (document("<path d='M0 0A1 1 0 2 0 5 5'/>"), "from 'A1 1 0 2 0 5 5' on"),
    "lone sign": (document("<path d='M0 0L5 -'/>"), "from 'L5 -' on"),
    "endless number": (document(f"<path d='M0 0H{'9' * 5000}'/>"), "can't be read from"),
    "huge exponent": (document("<path d='M0 0H1e300'/>"), "can't be read from"),
    "hidden mark": (document("<path d='M0 0H2e+0301'/>"), "can't be read from"),
    "hidden mark behind a gap": (document("<path d='M0 0H2e , 301'/>"), "can't be read from"),
    "many segments": (
        document(f"<path d='M0 0{'z' * 2_000_001}'/>"),
        "more than the 1000000 segments",
    ),
    "many numbers": (
        document(f"<path d='M0 0{'.1' * (2 * MAX_SEGMENTS + 3)}'/>"),
        "more than the 1000000 segments",
    ),
    "many arcs": (
        document(f"<path d='M0 0a{'1 1 0 0 1 1 1 ' * (MAX_ARCS + 1)}'/>"),
        f"more than the {MAX_ARCS} arcs",
    ),
    "endless transform": (
        document(f"<g transform='{'scale(1)' * 300}'/>"),
        "transform 'scale",
    ),
    "endless rules": (document(f"<style>{'.a{}' * 200_000}</style>"), "800000 letters"),
    "many comparisons": (
        document("<style>" + ".a{}" * 9000 + "</style>" + "<g class='a'/>" * 1000),
        "comparisons of a rule",
    ),
    "unheard of colour": (
        document("<path stroke='var(--edge)' d='M0 0h1'/>"),
        "colour 'var",
    ),
    "turned about another point": (
        document("<path style='transform:rotate(9deg);transform-origin:4px 4px' d='M0 0h1'/>"),
        "by transform-origin",
    ),
    "turned outermost": (document("", HEAD.replace("<svg", "<svg transform='scale(2)'")), "outerm"),
    "endless dashes": (
        document("<path stroke='red' stroke-dasharray='1e-9' d='M0 0h99'/>"),
        "dashes that are read",
    ),
    "letters among points": (document("<polyline points='0 0 M5 5'/>"), "points '0 0 M5 5'"),
    "unit from nowhere": (document("<rect width='5furlong' height='1'/>"), "'5furlong'"),
    "far away": (document("<path d='M0 0H1e9'/>"), "reaches beyond 100 m"),
    "endless curves": (
        document(f"<path d='M0 0{'c9e4 0-9e4 9e4 0 0' * 70_000}'/>"),
        f"more than the {MAX_POINTS}",
    ),
    "deep": (document("<g>" * 200_000), f"nested more than {MAX_NESTING} deep"),
    "many": (document("<g/>" * (MAX_ELEMENTS + 1)), f"more than {MAX_ELEMENTS} elements"),
    "too large": (b"<svg>" + b" " * MAX_BYTES, "larger than 16 MB"),
    "packed": (b"\x1f\x8b\x08\x00", "packed"),
    "not XML": (b"%PDF-1.7", "well-formed XML"),
    "cut off": (document("")[:-3], "well-formed XML"),
    "other XML": (b"<html/>", "'html', not 'svg'"),
    "empty": (b"", "well-formed XML"),
    "nothing drawn": (document("<text>a</text>"), "no line .*left out: text"),
    "no text encoding": (b'<?xml version="1.0" encoding="utf-99"?><svg/>', "well-formed XML"),
    "too many classes": (
        document("".join(f"<path stroke='#{i:06x}' d='M0 0h1'/>" for i in range(201))),
        f"201 colours, more than the {MAX_CLASSES}",
    ),
}


def peak_mb():
    """Peak of this process alone: getrusage would count what it was forked from."""
    status = Path("/proc/self/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) // 1024
