"""The drawing reader against other geometry libraries, known shapes and hostile files."""

import io
import math
import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
import svg.path
import svgelements
import svgpathtools
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.advise.drawing import MAX_CLASSES, NO_GROUP, read_drawing
from calib.advise.nesting import part_count, points_inside
from calib.advise.outlines import FLATNESS_MM, MAX_POINTS
from calib.advise.path_data import strokes_of_paths
from calib.advise.svg_tree import MAX_BYTES, MAX_ELEMENTS, MAX_NESTING, MAX_REUSED
from calib.errors import BadFile

DRAWINGS = Path(__file__).parent / "reference" / "drawings"
UNIT = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
HEAD = '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100">'


def drawing(name, **options):
    with open(DRAWINGS / f"{name}.svg", "rb") as file:
        return read_drawing(file, **options)


def document(body, head=HEAD):
    return f"{head}{body}</svg>".encode()


def strokes_of(data):
    return strokes_of_paths([data], UNIT)[0]


def ellipse_perimeter(a, b):
    """Complete elliptic integral, by the arithmetic-geometric mean (any table of integrals)."""
    x, y, c, weight, total = a, b, math.sqrt(abs(a * a - b * b)), 0.5, 0.0
    for _ in range(40):
        total += weight * c * c
        x, y, c, weight = (x + y) / 2.0, math.sqrt(x * y), (x - y) / 2.0, weight * 2.0
    return 2.0 * math.pi / x * (a * a - total)


# Length of y² = x from the top to where the slope is s, twice: the parabola's arc in closed form.
# q10-20 20 0: chord 20, height 10, so L = √(20² + 16·10²)/2 + 20²/(8·10)·asinh(4·10/20).
PARABOLA = math.sqrt(400.0 + 1600.0) / 2.0 + 5.0 * math.asinh(2.0)
KNOWN = {
    "#100000": 100.0,  # 30 x 20
    "#200000": 2 * (22 + 12) + 8 * math.pi,  # the same with corners of radius 4
    "#300000": 20 * math.pi,
    "#400000": ellipse_perimeter(15.0, 8.0),
    "#500000": 50.0,  # 30-40-50
    "#600000": 5 + 12 + 13,  # 3-4-5, 12, 5-12-13
    "#700000": 12.0,  # 3-4-5 triangle
    "#800000": 5 * math.pi,
    "#900000": 10 * math.pi,  # two quarter circles as cubics, 2.7e-4 off at most
    "#a00000": 2 * PARABOLA,
    "#b00000": 60.0,  # 10 x 5, doubled and turned
    "#c00000": 16.0 + 5.0 + 5.0,  # triangle 5-5-6, two lines
}


@pytest.mark.parametrize("colour", KNOWN)
def test_shapes_with_known_perimeters(colour):
    tolerance = 3e-4 if colour == "#900000" else 1e-5
    assert drawing("shapes")[colour].length_mm == pytest.approx(KNOWN[colour], rel=tolerance)


def test_every_known_shape_is_in_the_drawing():
    assert [c.name for c in drawing("shapes").classes] == list(KNOWN)


@pytest.mark.parametrize("name", ["shapes", "inches", "panel"])
def test_whole_documents_agree_with_another_reader(name):
    """svgelements reads the whole document; its millimetre is 5e-7 large."""
    parsed = svgelements.SVG.parse(str(DRAWINGS / f"{name}.svg"), ppi=96.0, reify=True)
    shapes = [e for e in parsed.elements() if isinstance(e, svgelements.Shape)]
    mm = 25.4 / 96.0
    length = sum(svgelements.Path(e).length(error=1e-6) for e in shapes) * mm
    boxes = np.array([e.bbox(with_stroke=False) for e in shapes]) * mm
    ours = drawing(name)
    assert ours.length_mm == pytest.approx(length, rel=1e-5)
    expected = (*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0))
    assert ours.box_mm == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("name", ["shapes", "panel"])
def test_whole_documents_agree_with_a_second_reader(name):
    """svgpathtools applies transforms but knows no units: these files are 1 unit = 1 mm."""
    paths = svgpathtools.Document(str(DRAWINGS / f"{name}.svg")).paths()
    length = sum(path.length(error=1e-6) for path in paths)
    assert drawing(name).length_mm == pytest.approx(length, rel=1e-5)


WANTS = {"h": 1, "v": 1, "l": 2, "t": 2, "s": 4, "q": 4, "c": 6, "z": 0}


def random_path(seed):
    rng = random.Random(seed)

    def number():
        return f"{rng.uniform(-50, 50):.3f}"

    def arc():
        radii = f"{rng.uniform(0.1, 40):.2f} {rng.uniform(0.1, 40):.2f} {rng.uniform(-90, 90):.1f}"
        return f"{radii} {rng.randint(0, 1)} {rng.randint(0, 1)} {number()} {number()}"

    words = []
    for _ in range(rng.randint(1, 4)):
        words.append(f"{rng.choice('Mm')}{number()} {number()}")
        for _ in range(rng.randint(1, 8)):
            letter = rng.choice("LlHhVvCcSsQqTtAaZz")
            kind = letter.lower()
            for nth in range(1 if kind == "z" else 2):  # the second repeats the command
                numbers = arc() if kind == "a" else ",".join(number() for _ in range(WANTS[kind]))
                words.append(f"{' ' if nth else letter}{numbers}")
    return "".join(words)


@pytest.mark.parametrize("seed", range(60))
def test_path_lengths_agree_with_two_libraries(seed):
    """All commands, absolute and relative, repeated, over several subpaths; 1e-5 of the length."""
    data = random_path(seed)
    ours = strokes_of(data).length_mm
    assert ours == pytest.approx(svg.path.parse_path(data).length(error=1e-6), rel=2e-5)
    if seed < 12:  # the slower of the two
        theirs = svgpathtools.parse_path(data).length(error=1e-6)
        assert ours == pytest.approx(theirs, rel=1e-4)


@pytest.mark.parametrize("seed", range(20))
def test_points_lie_on_the_curve(seed):
    data = random_path(seed)
    theirs = shapely.MultiLineString([
        [(p.real, p.imag) for p in (segment.point(t) for t in np.linspace(0, 1, 300))]
        for segment in svg.path.parse_path(data)
        if not isinstance(segment, svg.path.Move)
    ])
    ours = strokes_of(data)
    lines = shapely.MultiLineString([ours.stroke(i) for i in range(len(ours))])
    # 0.01 mm is ours; the other line has 300 chords a segment.
    assert shapely.hausdorff_distance(lines, theirs) < 0.05
    assert max(theirs.distance(shapely.Point(p)) for p in ours.points_mm) < 0.05


@pytest.mark.parametrize(
    ("tight", "wide"),
    [
        ("M0.6.5.7-.8", "M 0.6 0.5 L 0.7 -0.8"),
        ("M1e1-2E-1l+3-4", "M 10 -0.2 l 3 -4"),
        ("M0,0a5,5 0 0110,0", "M 0 0 a 5 5 0 0 1 10 0"),
        ("M0 0a5 5 0 01.5.5.7.7 0 0013 3", "M0 0 a 5 5 0 0 1 .5 .5 .7 .7 0 0 0 13 3"),
        ("M0 0a5 5 30 11-3-4z", "M0 0 a 5 5 30 1 1 -3 -4 Z"),
        ("m5 5 1 0 0 1z m1 1h3", "M5 5 L6 5 L6 6 L5 5 M 6 6 L 9 6"),
        ("M5 5h1v1zl2 0", "M5 5 H6 V6 Z M5 5 L7 5"),
        ("M0 0h10z m5 5h1z m5 5h1", "M0 0H10Z M5 5H6Z M10 10 H11"),
        ("M1 1m2 2h1m0 1h1", "M3 3H4M4 4H5"),
    ],
)
def test_tight_writing_means_the_same(tight, wide):
    one, two = strokes_of(tight), strokes_of(wide)
    assert one.points_mm == pytest.approx(two.points_mm, abs=1e-9)
    assert one.first.tolist() == two.first.tolist()


@pytest.mark.parametrize(
    ("data", "closed"),
    [
        ("M0 0h5v5h-5z", True),
        ("M0 0h5v5h-5v-5", True),
        ("M0 0h5v5h-5v-5z", True),
        ("M0 0h5v5h-5", False),
        ("M0 0h5z", True),
        ("M0 0h5", False),
    ],
)
def test_closed_contours(data, closed):
    assert strokes_of(data).closed.tolist() == [closed]


def test_dots_are_no_strokes():
    strokes = strokes_of("M1 1 M2 2 h0 M3 3 h1 M4 4z")
    assert len(strokes) == 1
    assert strokes.starts_mm.tolist() == [[3.0, 3.0]]


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-90, 90), st.floats(-90, 90)), min_size=2, max_size=12, unique=True
    ),
    st.floats(0, 360),
    st.floats(0.1, 5),
)
def test_turning_and_scaling_scale_the_length(points, turn, scale):
    data = "M" + " ".join(f"{x:.4f},{y:.4f}" for x, y in points)
    plain = strokes_of(data).length_mm
    c, s = scale * math.cos(math.radians(turn)), scale * math.sin(math.radians(turn))
    moved = strokes_of_paths([data], np.array([[c, s, -s, c, 7.0, -3.0]]))[0].length_mm
    assert moved == pytest.approx(scale * plain, rel=1e-9, abs=1e-4)


def test_classes_by_group_take_the_titles_below_a_group_that_holds_all():
    panel = drawing("panel", classes_by="group")
    assert [c.name for c in panel.classes] == ["cut", "lettering", "badge"]
    assert panel["cut"].closed_count == len(panel["cut"].strokes) == 8
    assert drawing("panel").classes[2].name == "fill #665c50"


def test_shapes_outside_the_groups_have_a_class_of_their_own():
    two = document('<path d="M0 0h1"/><g><path d="M0 0h2"/></g><g id="b"><path d="M0 0h3"/></g>')
    names = {c.name: c.length_mm for c in read_drawing(two, classes_by="group").classes}
    assert names == pytest.approx({NO_GROUP: 1.0, "group 1": 2.0, "b": 3.0})


def test_copies_rules_and_what_is_left_out():
    reused = drawing("reused")
    mm = 25.4 / 96.0
    # four ticks of 14, two of them doubled; two short lines
    assert reused["#ff0000"].length_mm == pytest.approx((14 * 2 + 28 * 2 + 9 + 1) * mm)
    assert reused["#00ff00"].length_mm == pytest.approx(20 * math.pi * mm, rel=1e-5)
    assert reused["#ff0000"].strokes.starts_mm[3] == pytest.approx([40 * mm, 60 * mm])
    said = " ".join(reused.notes)
    for words in (
        "96 units were taken for an inch",
        "hidden shapes, 3 x",
        "text",
        "pictures made of dots, 1 x",
    ):
        assert words in said


def test_lines_drawn_twice_and_open_lines_that_meet_are_said():
    body = '<path d="M0 0h10"/><path d="M10 0v10"/><path d="M0 20h5"/><path d="M5 20h-5"/>'
    notes = " ".join(read_drawing(document(body)).notes)
    assert "burnt twice: 1." in notes
    # the second line, and both of the pair that is drawn there and back
    assert "begin where another ends: 3." in notes
    assert drawing("shapes").notes == ()


@pytest.mark.parametrize(
    ("length", "mm"),
    [("1in", 25.4), ("2.5cm", 25.0), ("72pt", 25.4), ("6pc", 25.4), ("96px", 25.4), ("40q", 10.0)],
)
def test_units_are_exact(length, mm):
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{length}" height="{length}">'
    body = '<line x1="0" y1="0" x2="100%" y2="0" stroke="red"/>'
    assert read_drawing(document(body, head)).length_mm == pytest.approx(mm, rel=1e-12)


def test_nesting_agrees_with_shapely():
    rng = random.Random(4)
    corners = np.array([(rng.uniform(0, 9), rng.uniform(0, 9)) for _ in range(9)])
    points = np.array([(rng.uniform(-1, 10), rng.uniform(-1, 10)) for _ in range(300)])
    # make_valid of the crossing ring has the even-odd inside
    area = shapely.make_valid(shapely.Polygon(corners))
    expected = shapely.contains_xy(area, points[:, 0], points[:, 1])
    assert points_inside(points, corners).tolist() == expected.tolist()


def test_parts_are_outlines_that_are_no_holes():
    assert part_count([drawing("panel", classes_by="group")["cut"].strokes]) == 1
    rings = strokes_of("M0 0h9v9h-9z M1 1h7v7h-7z M2 2h2v2h-2z M20 0h1v1h-1z M30 0h9")
    assert part_count([rings]) == 3  # frame, island, and the one beside
    assert part_count([]) == 1


# ---------------------------------------------------------------- hostile and broken drawings

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
    "outside picture": (
        document("<image href='http://192.0.2.1/a.png'/>"),
        "'http://192.0.2.1/a.png', outside itself",
    ),
    "outside sheet": (document("<style>@import url(http://192.0.2.1/);</style>"), "@import"),
    "NaN in a path": (document("<path d='M0 0L10 NaN'/>"), "'NaN', which is neither"),
    "infinity in a path": (document("<path d='M0 0Linf 3'/>"), "'inf', which is neither"),
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
    "odd numbers": (document("<path d='M0 0L10'/>"), "1 numbers after 'L'"),
    "numbers before a command": (document("<path d='0 0L10 10'/>"), "2 numbers after its begin"),
    "no first point": (document("<path d='L10 10'/>"), "doesn't begin with M"),
    "numbers after a close": (document("<path d='M0 0h1z5'/>"), "1 numbers after 'z'"),
    "bad flag": (document("<path d='M0 0A1 1 0 2 0 5 5'/>"), "flag that is neither 0 nor 1"),
    "lone sign": (document("<path d='M0 0L5 -'/>"), "lone point or sign"),
    "endless number": (document(f"<path d='M0 0H{'9' * 5000}'/>"), "60 digits"),
    "huge exponent": (document("<path d='M0 0H1e300'/>"), "60 digits"),
    "hidden mark": (document("<path d='M0 0H2e+0301'/>"), "60 digits"),
    "hidden mark behind a gap": (document("<path d='M0 0H2e , 301'/>"), "60 digits"),
    "many segments": (document(f"<path d='M0 0{'z' * 2_000_001}'/>"), "2000003 segments"),
    "many numbers": (document(f"<path d='M0 0{'.1' * 4_000_001}'/>"), "4000001 numbers"),
    "many arcs": (
        document(f"<path d='M0 0a{'1 1 0 0 1 1 1 ' * 300_001}'/>"),
        "300001 arcs, more than the 300000",
    ),
    "endless transform": (
        document(f"<g transform='{'scale(1)' * 300}'/>"),
        "transform 'scale",
    ),
    "endless rules": (
        document(f"<style>{','.join('.a' for _ in range(9000))} {{}}</style>"),
        "more than 10000 letters of names",
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


@pytest.mark.parametrize("name", REFUSED)
def test_hostile_and_broken_drawings_are_refused_with_one_sentence(name):
    data, words = REFUSED[name]
    with pytest.raises(BadFile, match=words) as caught:
        read_drawing(data)
    assert len(str(caught.value)) < 300
    assert "\n" not in str(caught.value)


class Endless(io.RawIOBase):
    """A gigabyte of path that is made as it is read; counts what was asked for."""

    def __init__(self):
        self.given = 0

    def read(self, size=-1):
        if size < 0:
            raise AssertionError("the reader asked for everything")
        self.given += size
        start = document("<path d='M0 0")[:-6]
        return (start + b"L1 1 " * (size // 5 + 1))[:size]


def test_a_gigabyte_of_path_is_not_even_read():
    endless = Endless()
    with pytest.raises(BadFile, match="larger than 16 MB"):
        read_drawing(endless)
    assert endless.given == MAX_BYTES + 1


def peak_mb():
    """Peak of this process alone: getrusage would count what it was forked from."""
    status = Path("/proc/self/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) // 1024


MEASURE = """
import sys
sys.path.insert(0, {tests!r})
from test_drawing import REFUSED, peak_mb
from calib.advise.drawing import read_drawing
from calib.errors import BadFile
for data, _ in REFUSED.values():
    try:
        read_drawing(data)
    except BadFile:
        continue
    sys.exit("not refused")
print(peak_mb())
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is read from /proc")
def test_refusing_takes_less_than_300_mb():
    """All hostile drawings one after another, in a process of their own; its peak, all told."""
    code = MEASURE.format(tests=str(Path(__file__).parent))
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert int(done.stdout) < 300


def test_unknown_way_to_split_is_refused():
    with pytest.raises(ValueError, match="classes_by is 'layer'"):
        read_drawing(document("<path d='M0 0h1'/>"), classes_by="layer")


def test_a_document_type_without_entities_is_read():
    assert b"<!DOCTYPE svg PUBLIC" in (DRAWINGS / "shapes.svg").read_bytes()
    assert len(drawing("shapes").classes) == len(KNOWN)


PLAIN = (
    "<circle cx='20' cy='30' r='9'/><line x1='1' y1='2' x2='3' y2='9'/><path d='M5 5h7'/>"
    "<ellipse cx='60' cy='20' rx='12' ry='4'/><rect x='3' y='50' width='8' height='5'/>"
)
AS_PATHS = (
    "<path d='M29 30a9 9 0 0 1-18 0 9 9 0 0 1 18 0z'/><path d='M1 2L3 9'/><path d='M5 5h7'/>"
    "<path d='M72 20a12 4 0 0 1-24 0 12 4 0 0 1 24 0z'/><path d='M3 50h8v5h-8z'/>"
)


@pytest.mark.parametrize(
    "transform",
    ["translate(3.5,-2)", "translate(4)", "rotate(30)", "matrix(1.5 .4 -.2 .8 9 9)", "scale(-1,2)"],
)
def test_plain_shapes_are_the_paths_they_stand_for(transform):
    """Same order, starts, directions, lengths and outlines as the recommendation's paths."""
    plain, paths = (
        read_drawing(document(f"<g transform='{transform}'>{body}</g>")).classes[0].strokes
        for body in (PLAIN, AS_PATHS)
    )
    assert plain.starts_mm == pytest.approx(paths.starts_mm, abs=1e-6)
    assert plain.closed.tolist() == paths.closed.tolist()
    assert plain.lengths_mm == pytest.approx(paths.lengths_mm, rel=2e-5)
    for nth in range(len(paths)):
        one, two = (shapely.LineString(s.stroke(nth)) for s in (plain, paths))
        assert shapely.hausdorff_distance(one, two) < 2 * FLATNESS_MM
        quarter = one.interpolate(0.25, normalized=True)
        assert quarter.distance(two.interpolate(0.25, normalized=True)) < 0.1


def test_flattened_and_vanishing_plain_shapes_are_read_as_paths_are():
    body = "<g transform='scale(1,0)'><circle r='5' cx='9'/></g><circle r='1e-7'/><rect width='0'/>"
    strokes = (
        read_drawing(document(f"{body}<line x1='3' y1='1' x2='3' y2='1'/>")).classes[0].strokes
    )
    assert len(strokes) == 1
    assert strokes.length_mm == pytest.approx(20.0, rel=1e-3)


def test_ten_thousand_circles_keep_their_circumference():
    rng = random.Random(6)
    radii = [rng.uniform(0.02, 40.0) for _ in range(10_000)]
    body = "".join(f"<circle cx='50' cy='50' r='{r!r}'/>" for r in radii)
    lengths = read_drawing(document(body)).classes[0].strokes.lengths_mm
    assert lengths == pytest.approx(2 * math.pi * np.array(radii), rel=1e-9)
