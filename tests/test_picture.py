"""Pictures: right places, readable without colour, the same bytes for the same data."""

from __future__ import annotations

import dataclasses
import math
import re
import struct
from io import BytesIO

import matplotlib as mpl
import numpy as np
import pytest
from lxml import etree
from matplotlib.image import imread

from calib.advice.track_record import StatedRow
from calib.errors import InvalidRecord
from calib.pictures.charts import (
    control_chart_picture,
    cost_picture,
    track_record_picture,
)
from calib.pictures.paper import scale_colours
from calib.pictures.region import (
    FOOT,
    LEFT,
    RIGHT,
    TOP,
    Label,
    Places,
    RegionView,
    Shape,
    burns_words,
    nice_ticks,
    region_keys,
    region_parts,
)
from calib.pictures.region_file import region_picture
from calib.records import Burn, Setting

SVG = "http://www.w3.org/2000/svg"
POWERS = np.linspace(20.0, 90.0, 36)
SPEEDS = np.geomspace(4.0, 64.0, 41)


def burn(power: float, speed: float, through: str, **more: object) -> Burn:
    return Burn(operation="cut", power_pct=power, speed_mm_s=speed, through=through, **more)


def cut_view(**changes: object) -> RegionView:
    """Chance from 0 to 1 over the reach, even at 0.4 mm/s per %; seven burns."""
    reach = np.log(0.4 * POWERS[:, None]) - np.log(SPEEDS[None, :])
    view = RegionView(
        title="bench, birch 3: cut",
        operation="cut",
        power_pct=POWERS,
        speed_mm_s=SPEEDS,
        chance=1.0 / (1.0 + np.exp(-12.0 * reach)),
        chance_words="chance that the coupon falls free",
        burns=(
            burn(30.0, 8.0, "through"),
            burn(30.0, 20.0, "no"),
            burn(80.0, 20.0, "through"),
            burn(80.0, 32.0, "hanging"),
            burn(80.0, 50.0, "no"),
            burn(60.0, 24.0, "through"),
            burn(60.0, 24.0, "hanging"),
        ),
        recommendation=Setting(power_pct=80.0, speed_mm_s=22.5),
        said="about 3 parts in 200 will need a push",
        hull=np.array([(30.0, 8.0), (80.0, 20.0), (80.0, 50.0), (30.0, 20.0)]),
        beam_starts_pct=10.0,
        ceiling_pct=80.0,
        max_speed_mm_s=60.0,
    )
    return dataclasses.replace(view, **changes)


def mark_view() -> RegionView:
    dose = np.log(POWERS[:, None]) - np.log(SPEEDS[None, :])
    grades = (4, 1, 2, 2, 3)
    return RegionView(
        title="bench, birch 3: line mark",
        operation="line_mark",
        power_pct=POWERS,
        speed_mm_s=SPEEDS,
        chance=np.exp(-((dose - 1.0) ** 2)),
        chance_words="chance of exactly mark grade 2",
        expected_mark=np.clip(dose + 1.0, 0, 4),
        levels=(0.5, 0.9),
        burns=tuple(
            Burn(operation="line_mark", power_pct=30.0 + 10 * n, speed_mm_s=10.0, mark=grade)
            for n, grade in enumerate(grades)
        ),
    )


def ids(svg: etree._Element) -> list[str]:
    return [name for name in svg.xpath("//@id") if isinstance(name, str)]


def words(svg: etree._Element, gid: str) -> str:
    """Return the text of a group; matplotlib leaves it as a comment beside the drawn letters."""
    return " ".join(comment.text.strip() for comment in svg.xpath(f"//*[@id='{gid}']//comment()"))


def named(view: RegionView) -> dict[str, Shape | Label]:
    return {part.name: part for part in region_parts(view) if part.name}


def middle(part: Shape | Label) -> tuple[float, float]:
    """Return the middle of what is drawn."""
    if isinstance(part, Label):
        return part.at
    points = np.array([point for loop in part.loops for point in loop])
    x, y = (points.min(axis=0) + points.max(axis=0)) / 2.0
    return float(x), float(y)


def expected(power: float, speed: float) -> tuple[float, float]:
    """Power straight, speed logarithmic, from the corners of the plot's frame."""
    up = math.log(speed / 4.0) / math.log(64.0 / 4.0)
    return LEFT + (power - 20.0) / 70.0 * (RIGHT - LEFT), FOOT - up * (FOOT - TOP)


def test_each_burn_and_the_advice_stand_where_they_belong() -> None:
    parts = named(cut_view())
    for name, power, speed in (
        ("burn-1-through", 30.0, 8.0),
        ("burn-2-no", 30.0, 20.0),
        ("burn-4-hanging", 80.0, 32.0),
        ("burn-6-1of2", 60.0, 24.0),
        ("recommendation", 80.0, 22.5),
    ):
        assert middle(parts[name]) == pytest.approx(expected(power, speed), abs=0.2)
    shapes = {
        len(parts[name].loops[0]) + 100 * (parts[name].look == "full")
        for name in ("burn-1-through", "burn-2-no", "burn-4-hanging")
    }
    assert len(shapes) == 3  # outcomes differ in shape or fill


def test_the_name_of_a_limit_stands_where_no_burn_lies() -> None:
    burns = tuple(burn(27.0, speed, "through") for speed in (4.3, 5.0, 6.0, 7.0, 8.0))
    parts = region_parts(cut_view(burns=burns, beam_starts_pct=28.0))
    (label,) = [p for p in parts if isinstance(p, Label) and p.text.startswith("beam starts")]
    low, high = label.at[1] - 3.0 * len(label.text), label.at[1] + 3.0 * len(label.text)
    covered = [
        at
        for at in (expected(one.power_pct, one.speed_mm_s) for one in burns)
        if abs(at[0] - label.at[0]) < 12.0 and low < at[1] < high
    ]
    assert covered == []


def test_what_is_kept_and_what_is_advised_are_drawn_apart() -> None:
    kept = Setting(power_pct=60.0, speed_mm_s=15.0)
    drawn = named(cut_view(kept=kept))
    assert middle(drawn["kept"]) == pytest.approx(expected(60.0, 15.0))
    assert middle(drawn["recommendation"]) == pytest.approx(expected(80.0, 22.5))
    assert len(drawn["kept"].loops[0]) == 4, "a diamond"
    assert "Kept: 60 %, 15 mm/s" in burns_words(cut_view(kept=kept))


@pytest.mark.parametrize("count", [1, 2, 5])
def test_burns_at_one_setting_are_one_mark_with_its_share(count: int) -> None:
    more = (burn(60.0, 24.0, "through", count=count), burn(60.0, 24.0, "no"))
    parts = region_parts(cut_view(burns=more))
    (mark,) = [part for part in parts if part.name.startswith("burn-")]
    assert middle(mark) == pytest.approx(expected(60.0, 24.0), abs=0.2)
    assert f"{count} through" in mark.title
    (label,) = [part for part in parts if part.look == "share"]
    assert label.text == f"{count}/{count + 1}"
    # The black slice's share of the disc, by the areas that their corners enclose.
    disc, piece = (shoelace(part.loops[0]) for part in (mark, parts[parts.index(mark) + 1]))
    assert piece / disc == pytest.approx(count / (count + 1), abs=0.01)


def shoelace(loop: tuple[tuple[float, float], ...]) -> float:
    x, y = np.array(loop).T
    return abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2.0


def test_the_ring_hides_no_burn_and_lies_below_them() -> None:
    view = cut_view(burns=(burn(80.0, 22.5, "hanging"),))
    parts = region_parts(view)
    ring, mark = named(view)["recommendation"], named(view)["burn-1-hanging"]
    inner, outer = (
        max(math.dist(point, middle(shape)) for point in shape.loops[0]) for shape in (mark, ring)
    )
    assert inner + 4.0 < outer
    assert parts.index(ring) < parts.index(mark)


@pytest.mark.parametrize(("power", "speed"), [(80.0, 200.0), (10.0, 10.0), (95.0, 2.0)])
def test_a_burn_beyond_the_plot_stands_at_its_rim_with_a_wedge(power: float, speed: float) -> None:
    parts = named(cut_view(burns=(burn(power, speed, "no"),), hull=None))
    x, y = middle(parts["burn-1-no"])
    wanted = expected(power, speed)
    clamped = min(max(wanted[0], LEFT), RIGHT), min(max(wanted[1], TOP), FOOT)
    assert (x, y) == pytest.approx(clamped, abs=0.01)
    tip = parts["beyond-1"].loops[0][0]
    assert math.dist(tip, wanted) < math.dist((x, y), wanted)


@pytest.mark.parametrize(("level", "logit"), [(50, 0.0), (90, math.log(9)), (99, math.log(99))])
def test_level_and_label_lie_where_the_chance_is_so(level: int, logit: float) -> None:
    """Where the chance is the level: ln speed = ln(0.4 power) - logit / 12."""
    parts = named(cut_view())
    line, label = parts[f"level-{level}"], parts[f"level-{level}-label"]
    assert label.text == f"{level} %"
    for x, y in [*line.loops[0], label.at]:
        power = 20.0 + 70.0 * (x - LEFT) / (RIGHT - LEFT)
        speed = 4.0 * 16.0 ** ((FOOT - y) / (FOOT - TOP))
        assert speed == pytest.approx(0.4 * power * math.exp(-logit / 12.0), rel=0.03)


def test_what_was_not_tested_is_greyed_and_hatched() -> None:
    view = cut_view(burns=(), recommendation=None)
    pixels = np.round(255 * imread(BytesIO(region_picture(view)))[:, :, :3]).astype(int)
    bands = [tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in scale_colours(4)]
    # The plot's frame in the file is the only closed outline of its size.
    svg = etree.fromstring(region_picture(view, format="svg"))
    path = svg.xpath("//*[@id='not-tested']//s:path/@d", namespaces={"s": SVG})[0]
    corners = np.array([float(n) for n in re.findall(r"-?[\d.]+", path)]).reshape(-1, 2)
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)

    def near(power: float, speed: float, px: int = 4) -> np.ndarray:
        x, y = expected(power, speed)
        across = left + (x - LEFT) / (RIGHT - LEFT) * (right - left)
        down = top + (y - TOP) / (FOOT - TOP) * (bottom - top)
        at = round(down * 150 / 72), round(across * 150 / 72)
        return pixels[at[0] - px : at[0] + px + 1, at[1] - px : at[1] + px + 1].reshape(-1, 3)

    inside, outside = near(60.0, 15.8), near(60.0, 8.0, px=12)  # as far as its lines are apart
    assert {tuple(p) for p in inside} == {bands[3]}
    assert len({tuple(p) for p in outside}) > 1
    assert outside.max(axis=0).sum() > sum(bands[3])


def test_a_file_says_what_is_typed_and_what_is_said() -> None:
    svg = etree.fromstring(region_picture(cut_view(), format="svg"))
    assert words(svg, "advice") == "advised: 80 %, 22.5 mm/s, 1350 mm/min, 1 pass"
    assert words(svg, "said") == "about 3 parts in 200 will need a push"
    drawn = {"level-50", "not-tested", "hull", "limit-ceiling", "limit-top-speed"}
    assert drawn <= set(ids(svg))
    assert "limit-beam-starts" not in ids(svg)  # 10 % lies outside the picture


def test_marks_carry_their_grade_as_a_numeral() -> None:
    parts = region_parts(mark_view())
    numerals = [part.text for part in parts if part.look.startswith("numeral")]
    assert numerals == ["4", "1", "2", "2", "3"]
    label = named(mark_view())["grade-2"]
    assert isinstance(label, Label)
    assert label.text == "2 clear"


def test_a_grade_ends_on_a_smooth_line_where_the_next_is_as_near() -> None:
    """The mean grade of the view is ln P − ln v + 1: grade 1 turns into 2 where P = v √e."""
    places = Places(mark_view())
    line = places.at(40.0, 40.0 / math.exp(0.5))
    drawn = [part for part in region_parts(mark_view()) if part.look == "grade"]
    points = [point for part in drawn for loop in part.loops for point in loop]
    assert min(math.dist(line, point) for point in points) < 4.0
    assert {said for said, _ in region_keys(mark_view())} >= {"as wanted", "less", "deeper"}


def test_burns_of_other_passes_and_unread_ones_are_counted() -> None:
    more = (burn(50.0, 9.0, "through", passes=2), burn(50.0, 9.0, None), burn(55.0, 9.0, "no"))
    svg = etree.fromstring(region_picture(cut_view(burns=more), format="svg"))
    assert [name for name in ids(svg) if name.startswith("burn-")] == ["burn-1-no"]
    assert words(svg, "not-drawn").startswith("2 burns not drawn")


@pytest.mark.parametrize("picture_format", ["png", "svg"])
def test_same_view_same_bytes_whatever_the_users_style(picture_format: str) -> None:
    first = region_picture(cut_view(), format=picture_format)
    with mpl.rc_context({"font.size": 31.0, "lines.linewidth": 9.0, "axes.facecolor": "red"}):
        assert region_picture(cut_view(), format=picture_format) == first
    assert b"20" not in re.findall(rb"<dc:date>(.*?)</dc:date>", first)
    assert b"Matplotlib" not in first


def test_png_is_as_wide_as_a_phone_and_says_its_size() -> None:
    data = region_picture(cut_view())
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", data[16:24])
    assert width == 1080
    assert 1100 < height < 1800


@pytest.mark.parametrize(
    "view",
    [
        cut_view(chance=np.zeros((36, 41)), burns=(), recommendation=None, hull=None),
        cut_view(chance=np.ones((36, 41)), hull=np.array([(60.0, 24.0)])),
        cut_view(chance=np.where(POWERS[:, None] < 40, np.nan, 0.7) + 0 * SPEEDS),
        cut_view(title="$\\frac{x$ 木材 " * 12, said="50 % of $5 🙂", burns=()),
    ],
    ids=["nothing works", "all works, one burn", "holes", "hostile title"],
)
def test_degenerate_views_are_drawn(view: RegionView) -> None:
    svg = etree.fromstring(region_picture(view, format="svg"))
    assert ids(svg).count("not-tested") == 1
    settings = {(b.power_pct, b.speed_mm_s) for b in view.burns}
    assert sum(n.startswith("burn-") for n in ids(svg)) == len(settings)


def test_another_format_is_refused() -> None:
    with pytest.raises(InvalidRecord, match="'pdf': give one of png, svg"):
        region_picture(cut_view(), format="pdf")


def test_scale_is_even_in_lightness() -> None:
    """CIE 1976 L* from the sRGB definition (IEC 61966-2-1) falls in steps even to a fifth."""
    lightness = []
    for colour in scale_colours(6):
        srgb = np.array([int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])
        linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
        luminance = float(linear @ np.array([0.2126, 0.7152, 0.0722]))
        lightness.append(116.0 * luminance ** (1.0 / 3.0) - 16.0)
    steps = -np.diff(lightness)
    assert steps.min() > 5.0
    assert steps.max() / steps.min() < 1.2


@pytest.mark.parametrize(("low", "high"), [(4, 64), (240, 3840), (0.3, 900), (100, 130), (5, 5.1)])
def test_ticks_are_few_round_and_inside(low: float, high: float) -> None:
    ticks = nice_ticks(low, high)
    assert 2 <= len(ticks) <= 9
    assert all(low <= tick <= high for tick in ticks)
    assert ticks == sorted(ticks)


def test_track_record_shows_every_group() -> None:
    rows = [
        StatedRow(stated=0.9, came=0.85, low=0.7, high=0.95, count=20, groups=4),
        StatedRow(stated=0.99, came=1.0, low=0.9, high=1.0, count=31, groups=5),
    ]
    svg = etree.fromstring(track_record_picture(rows, format="svg"))
    assert {"stated-1", "stated-2"} <= set(ids(svg))
    assert track_record_picture([])[:4] == b"\x89PNG"


def test_a_check_that_raised_an_alarm_stands_out_by_its_shape() -> None:
    labels = ["drift", "change [%]", "Mon", "Tue", "Wed"]
    told = {"low": [-3.0, -18.0, -4.0], "high": [2.0, -7.0, 3.0], "alarms": [False, True, False]}
    picture = control_chart_picture(
        [0.0, -13.0, -1.0], **told, limit=-5.0, labels=labels, format="svg"
    )
    svg = etree.fromstring(picture)
    assert {"check-1-calm", "check-2-alarm", "check-3-calm"} <= set(ids(svg))


def test_cost_layers_that_change_add_up_and_the_others_are_told() -> None:
    speeds = np.geomspace(5.0, 50.0, 30)
    parts = {
        "sheets": np.full(30, 3.2),
        "machine time": 20.0 / speeds,
        "pushing out": 0.02 * speeds,
    }
    svg = etree.fromstring(cost_picture(speeds, parts, chosen_mm_s=20.0, format="svg"))
    assert {"part-1", "part-2", "total", "chosen"} <= set(ids(svg))
    assert "part-3" not in ids(svg)
    assert "not drawn: sheets 3.20." in words(svg, "what")
    (path,) = svg.xpath("//*[@id='axes_1']/*[@id='patch_2']/s:path", namespaces={"s": SVG})
    corners = np.array([float(n) for n in re.findall(r"[\d.]+", path.get("d"))]).reshape(-1, 2)
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    highest = 1.15 * float(np.max(20.0 / speeds + 0.02 * speeds))
    (dot,) = svg.xpath("//*[@id='chosen']//s:use", namespaces={"s": SVG})
    x, y = float(dot.get("x")), float(dot.get("y"))
    assert x == pytest.approx(left + (right - left) * math.log(4.0) / math.log(10.0), abs=0.05)
    assert y == pytest.approx(bottom - (bottom - top) * (1.0 + 0.4) / highest, abs=0.5)


def test_burns_at_one_power_are_a_strip_that_is_not_hatched() -> None:
    parts = named(cut_view(hull=np.array([(60.0, 8.0), (60.0, 50.0)])))
    (strip,) = parts["hull"].loops
    across = [x for x, _ in strip]
    assert 2.0 < max(across) - min(across) < 12.0
    # The hatching leaves it out: it is the second loop of what is hatched.
    assert parts["not-tested"].loops[1] == strip


def test_every_sign_of_a_picture_stands_in_its_keys() -> None:
    far = (burn(60.0, 900.0, "no"),)
    apart = tuple(burn(60.0, 24.0, outcome) for outcome in ("hanging", "no", "no"))
    plain = {said for said, _ in region_keys(cut_view(burns=cut_view().burns[:3]))}
    assert not {"burnt further out", "grey: 1 of 4 hung"} & plain
    for burns, sign, look in (
        (far, "burnt further out", "full"),
        (apart, "grey: 1 of 4 hung", "half"),
    ):
        view = cut_view(burns=burns)
        keys = dict(region_keys(view))
        assert sign in keys
        looks = {part.look for part in keys[sign] if isinstance(part, Shape)}
        assert look in looks & {part.look for part in region_parts(view)}


def test_marks_are_called_by_the_words_of_their_material() -> None:
    names = ("nothing", "hazy", "frosted", "white", "crazed")
    (label,) = [
        part
        for part in region_parts(dataclasses.replace(mark_view(), mark_names=names))
        if part.name == "grade-2"
    ]
    assert isinstance(label, Label)
    assert label.text == "2 frosted"


def test_the_top_speed_is_named_where_no_burn_lies() -> None:
    burns = tuple(burn(power, 59.0, "no") for power in (66.0, 74.0, 82.0))
    (label,) = [
        part
        for part in region_parts(cut_view(burns=burns))
        if isinstance(part, Label) and part.text.startswith("top speed")
    ]
    left = label.at[0] - 5.5 * len(label.text)
    for one in burns:
        x, y = expected(one.power_pct, one.speed_mm_s)
        assert not (left < x < label.at[0] and abs(y - label.at[1]) < 12.0)
