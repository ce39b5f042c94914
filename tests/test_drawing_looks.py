"""What is read of a drawing looks like what another reader draws of it.

resvg, which shares no code with calib or svgelements, draws the document; then it draws calib's
strokes as plain lines in the colours of their classes. Each spot of ink has to have its like in
the other picture.
"""

import io

import numpy as np
import pytest
import resvg_py
from drawings import HEAD, document, drawing, first_of, length_of
from PIL import Image
from scipy import ndimage

from calib.errors import BadFile
from calib.jobs.drawing import read_drawing

RED, BLUE = (255, 0, 0), (0, 0, 255)
# How far ink may be from its like [px]: half a line's width, and the ends of dashes.
NEAR_PX = 5


def ink(svg: str) -> np.ndarray:
    """Which colour each pixel has, as one number; 0 where there is none."""
    png = resvg_py.svg_to_bytes(
        svg_string=svg, dpi=96.0, zoom=2, background="#ffffff", skip_system_fonts=True
    )
    rgb = np.asarray(Image.open(io.BytesIO(bytes(png))).convert("RGB")).astype(int)
    # Pixels at the edge of a line are between two colours; only full ones are compared.
    return np.select([(rgb == RED).all(axis=2), (rgb == BLUE).all(axis=2)], [1, 2], 0)


def as_plain_lines(read) -> str:
    lines = "".join(
        f'<polyline fill="none" stroke="{name}" stroke-width="0.6"'
        f' points="{" ".join(f"{x:.4f},{y:.4f}" for x, y in strokes.stroke(i))}"/>'
        for name, strokes in read.classes.items()
        for i in range(len(strokes))
    )
    return document(lines).decode()


L = "fill='none' stroke-width='.6'"
LOOKS = {
    "a transform in a style": f"<path {L} stroke='red' style='transform:scale(2)' d='M5 5h10v9'/>",
    "a style goes before its attribute": (
        f"<path {L} stroke='red' transform='translate(50)' style='transform:none' d='M5 5h30'/>"
    ),
    "the current colour": (
        f"<g color='red' {L}><path stroke='currentColor' d='M5 5h20'/>"
        "<path stroke='currentColor' style='color:blue' d='M5 15h20'/></g>"
    ),
    "the current colour is inherited as such": (
        f"<g color='red' stroke='currentColor' {L}><path d='M5 5h20'/>"
        "<g color='#00f'><path d='M5 15h20'/></g></g>"
    ),
    "dashes": f"<path {L} stroke='red' stroke-dasharray='6 4' d='M5 5h40v30'/>",
    "an odd pattern that begins later": (
        f"<path {L} stroke='red' stroke-dasharray='8,3,5' stroke-dashoffset='6' d='M5 5h80v60'/>"
    ),
    "a pattern that begins before": (
        f"<path {L} stroke='red' stroke-dasharray='9,5' stroke-dashoffset='-4' d='M5 5h80'/>"
    ),
    "dashes in a curve, scaled unevenly": (
        f"<g transform='matrix(1.5 0 .4 1 0 0)'><circle {L} stroke='red' cx='30' cy='30' r='20'"
        " stroke-dasharray='10 6'/></g>"
    ),
    "dashes begin anew in each stroke": (
        f"<path {L} stroke='red' stroke-dasharray='10 7' d='M5 5h25M5 15h33z'/>"
    ),
    "invisible lines": (
        f"<g {L} stroke='red'><path d='M5 5h20'/><path d='M5 10h20' stroke-opacity='0'/>"
        "<path d='M5 15h20' opacity='0'/><path d='M5 20h20' visibility='hidden'/>"
        "<path d='M5 25h20' style='stroke-width:0mm'/><path d='M5 30h20' stroke='rgb(9,9,9,0)'/>"
        "<g opacity='0%'><path d='M5 35h20'/></g><g style='display:none'><path d='M5 40h20'/></g>"
        "<g visibility='hidden'><path d='M5 45h20' visibility='visible'/></g></g>"
    ),
    "a line without colour": f"<line x1='5' x2='9'/><path {L} stroke='red' d='M5 9h20'/>",
    "rules by specificity": (
        "<style>#a{stroke:red} .b{stroke:blue} path.b{stroke:#0f0} path{stroke:#ff0}"
        " .c{stroke:blue!important} g .d{stroke:red} .d{stroke:blue}</style>"
        f"<g {L}><path id='a' class='b' d='M5 5h20'/><path class='c' style='stroke:red'"
        " d='M5 15h20'/><path class='d' d='M5 25h20'/></g>"
    ),
    "rules in comments and character data": (
        "<style><![CDATA[ /* .a{stroke:blue} */ .a, .z { stroke : #F00 ; } ]]></style>"
        f"<path {L} class='a' d='M5 5h20'/>"
    ),
    "a symbol": (
        f"<symbol id='s' viewBox='0 0 10 10'><path {L} stroke='red' d='M1 1h8v8'/></symbol>"
        "<use href='#s' x='10' y='20' width='40' height='20'/>"
    ),
    "a nested drawing": (
        "<svg x='10' y='5' width='50' height='40' viewBox='0 0 20 20'"
        f" preserveAspectRatio='xMinYMax meet'><path {L} stroke='red' d='M2 2h16v16'/></svg>"
        f"<rect {L} stroke='blue' x='1%' y='60' width='50%' height='30' rx='5'/>"
    ),
    "a reused group in another colour": (
        f"<defs><g id='g'><path {L} d='M5 5h20'/></g></defs>"
        "<use href='#g' stroke='red'/><use href='#g' x='9' y='20' style='stroke:blue'/>"
    ),
    "a choice": (
        "<switch><foreignObject requiredExtensions='urn:x'/>"
        f"<g><path {L} stroke='red' d='M5 5h20'/></g></switch>"
    ),
    "colours in any notation": (
        f"<g {L}><path stroke='hsl(0, 100%, 50%)' d='M5 5h20'/>"
        "<path stroke='rgb(0% 0% 100%)' d='M5 15h20'/><path stroke='RED' d='M5 25h20'/></g>"
    ),
    "a linked picture": (
        f"<image href='http://192.0.2.1/a.png' width='9' height='9'/><path {L} stroke='red'"
        " d='M5 5h20'/>"
    ),
    "ovals": (
        f"<g {L} stroke='red'><ellipse cx='30' cy='30' rx='20' ry='9'"
        " transform='rotate(30 30 30)'/>"
        "<circle cx='70' cy='70' r='20%'/></g>"
    ),
    "arcs": (
        f"<path {L} stroke='red' d='M20 20a20 9 30 0 1 40 20 9 20 0 1 0 8 9A5 5 0 1 1 20 60z'/>"
    ),
}


@pytest.mark.parametrize("name", LOOKS)
def test_a_drawing_is_read_as_another_reader_draws_it(name):
    body = LOOKS[name]
    theirs = ink(document(body).decode())
    ours = ink(as_plain_lines(read_drawing(document(body))))
    assert theirs.any()
    for code in (1, 2):
        for one, two in ((theirs, ours), (ours, theirs)):
            near = ndimage.binary_dilation(two == code, iterations=NEAR_PX)
            stray = np.argwhere((one == code) & ~near)
            assert len(stray) == 0, f"{len(stray)} pixels from {stray[:1]} on"


@pytest.mark.parametrize(
    ("body", "mm"),
    [
        ("<path stroke='red' style='transform:scale(2)' d='M0 0h10'/>", 20.0),
        ("<path stroke='red' style='transform:scale(2) translate(1in,5px)' d='M0 0h10'/>", 20.0),
        ("<path stroke='red' pathLength='10' stroke-dasharray='1 4' d='M0 0h60v20'/>", 16.0),
        ("<path stroke='red' stroke-dasharray='1 3' d='M0 0h40'/>", 10.0),
        ("<path stroke='red' stroke-dasharray='1 0' d='M0 0h40'/>", 40.0),
        ("<path stroke='red' stroke-dasharray='0 0' d='M0 0h40'/>", 40.0),
        ("<path stroke='red' stroke-dasharray='-1 3' d='M0 0h40'/>", 40.0),
    ],
)
def test_lengths_are_those_that_are_drawn(body, mm):
    """By hand, from the words of SVG 2 on transforms and stroke dashing."""
    assert length_of(read_drawing(document(body))) == pytest.approx(mm, rel=1e-9)


def test_a_cut_in_the_current_colour_is_no_mark():
    body = "<path color='red' stroke='currentColor' d='M0 0h5'/><path stroke='#000' d='M0 9h5'/>"
    assert list(read_drawing(document(body)).classes) == ["#ff0000", "#000000"]


def test_what_is_left_out_is_said():
    body = (
        "<path stroke='red' stroke-dasharray='2' d='M0 0h9'/><image href='a.png'/>"
        "<path stroke='red' stroke-width='0' fill='none' d='M0 5h9'/>"
        "<style>path:hover{stroke:blue} g>path{stroke:blue}</style>"
    )
    notes = read_drawing(document(body)).notes
    for words in (
        "Left out: gaps of dashed lines, 1 x.",
        "Left out: pictures made of dots, 1 x.",
        "Left out: lines of no width, 1 x.",
        "Left out: style rules for special cases, 2 x.",
    ):
        assert words in notes


def test_a_thousand_dashes_are_not_longer_than_their_line():
    body = "<circle cx='50' cy='50' r='40' fill='none' stroke='red' stroke-dasharray='.3 .2'/>"
    read = read_drawing(document(body))
    around = 2.0 * np.pi * 40.0
    assert len(first_of(read)) == np.ceil(around / 0.5)
    assert length_of(read) == pytest.approx(0.6 * around, abs=0.2)


def test_a_reused_drawing_still_refuses_what_lies_outside():
    with pytest.raises(BadFile, match="uses 'b.svg#x', outside itself"):
        read_drawing(document("<use href='b.svg#x'/>", HEAD))
    assert drawing("reused").classes


def test_a_transform_may_have_units():
    """CSS Transforms: an inch is 96 px, a turn 360 degrees; a quarter of one leads x to y."""
    body = "<path stroke='red' style='transform:translate(1px, 1in) rotate(.25turn)' d='M0 0h9'/>"
    strokes = first_of(read_drawing(document(body)))
    assert strokes.ends_mm[0] == pytest.approx([1.0, 105.0])
