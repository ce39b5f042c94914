"""Pictures: right places, readable without colour, the same bytes for the same data."""

from __future__ import annotations

import dataclasses
import math
import re
import struct
from concurrent.futures import ThreadPoolExecutor
from io import BytesIO

import matplotlib as mpl
import numpy as np
import pytest
from lxml import etree
from matplotlib.image import imread

from calib.errors import InvalidRecord
from calib.pictures.charts import (
    TrackRow,
    control_chart_picture,
    cost_picture,
    track_record_picture,
)
from calib.pictures.paper import scale_colours
from calib.pictures.region import region_picture
from calib.pictures.scale import nice_ticks
from calib.pictures.view import RegionView
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
        likely_mark=np.clip(np.round(dose + 1.0), 0, 4),
        levels=(0.5, 0.9),
        burns=tuple(
            Burn(operation="line_mark", power_pct=30.0 + 10 * n, speed_mm_s=10.0, mark=grade)
            for n, grade in enumerate(grades)
        ),
    )


@pytest.fixture(scope="module")
def cut_svg() -> etree._Element:
    return etree.fromstring(region_picture(cut_view(), format="svg"))


def ids(svg: etree._Element) -> list[str]:
    return [name for name in svg.xpath("//@id") if isinstance(name, str)]


def words(svg: etree._Element, gid: str) -> str:
    """Return the text of a group; matplotlib leaves it as a comment beside the drawn letters."""
    return " ".join(comment.text.strip() for comment in svg.xpath(f"//*[@id='{gid}']//comment()"))


def outlines(svg: etree._Element, gid: str) -> list[np.ndarray]:
    """Return the corners of each path in a group, shape (n, 2)."""
    paths = svg.xpath(f"//*[@id='{gid}']//s:path/@d", namespaces={"s": SVG})
    numbers = [np.array([float(n) for n in re.findall(r"-?[\d.]+", path)]) for path in paths]
    return [n.reshape(-1, 2) for n in numbers]


def place(svg: etree._Element, gid: str) -> tuple[float, float]:
    """Return the middle of what a group draws; all its parts lie around it."""
    uses = svg.xpath(f"//*[@id='{gid}']//s:use", namespaces={"s": SVG})
    if uses:
        return float(uses[0].get("x")), float(uses[0].get("y"))
    points = np.vstack(outlines(svg, gid))
    x, y = (points.min(axis=0) + points.max(axis=0)) / 2.0
    return float(x), float(y)


def axes_frame(svg: etree._Element) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom of the plot from its background."""
    (path,) = svg.xpath("//*[@id='axes_1']/*[@id='patch_2']/s:path", namespaces={"s": SVG})
    numbers = [float(n) for n in re.findall(r"[\d.]+", path.get("d"))]
    xs, ys = numbers[::2], numbers[1::2]
    return min(xs), min(ys), max(xs), max(ys)


def test_each_burn_and_the_advice_stand_where_they_belong(cut_svg: etree._Element) -> None:
    """Power straight, speed logarithmic, from the corners of the plot's frame."""
    left, top, right, bottom = axes_frame(cut_svg)

    def expected(power: float, speed: float) -> tuple[float, float]:
        across = (power - 20.0) / 70.0
        up = math.log(speed / 4.0) / math.log(64.0 / 4.0)
        return left + across * (right - left), bottom - up * (bottom - top)

    for gid, power, speed in (
        ("burn-1-through", 30.0, 8.0),
        ("burn-2-no", 30.0, 20.0),
        ("burn-4-hanging", 80.0, 32.0),
        ("recommendation", 80.0, 22.5),
    ):
        assert place(cut_svg, gid) == pytest.approx(expected(power, speed), abs=0.01)
    # Two burns at one setting stand side by side.
    one, other = place(cut_svg, "burn-6-through"), place(cut_svg, "burn-7-hanging")
    middle = ((one[0] + other[0]) / 2.0, (one[1] + other[1]) / 2.0)
    assert middle == pytest.approx(expected(60.0, 24.0), abs=0.01)
    assert other[0] - one[0] > 8.0


def test_outcomes_differ_in_shape(cut_svg: etree._Element) -> None:
    shapes = set()
    for gid in ("burn-1-through", "burn-4-hanging", "burn-2-no"):
        x, y = place(cut_svg, gid)
        corners = outlines(cut_svg, gid)[-1] - np.array([x, y])
        shapes.add(tuple(map(tuple, np.round(corners, 2))))
    assert len(shapes) == 3


def test_numbers_are_written_as_typed_at_the_machine(cut_svg: etree._Element) -> None:
    assert words(cut_svg, "advice") == "advised: 80 %, 22.5 mm/s, 1350 mm/min, 1 pass"
    assert words(cut_svg, "said") == "about 3 parts in 200 will need a push"
    for gid in (
        "bands",
        "level-50",
        "level-90",
        "level-99",
        "not-tested",
        "hull",
        "level-99-label",
    ):
        assert ids(cut_svg).count(gid) == 1
    assert "limit-ceiling" in ids(cut_svg)
    assert "limit-top-speed" in ids(cut_svg)
    assert "limit-beam-starts" not in ids(cut_svg)  # 10 % lies outside the picture


@pytest.mark.parametrize(("level", "logit"), [(50, 0.0), (90, math.log(9)), (99, math.log(99))])
def test_level_label_stands_on_its_line(cut_svg: etree._Element, level: int, logit: float) -> None:
    """Where the chance is the level: ln speed = ln(0.4 power) - logit / 12."""
    left, top, right, bottom = axes_frame(cut_svg)
    x, y = place(cut_svg, f"level-{level}-label")
    power = 20.0 + 70.0 * (x - left) / (right - left)
    speed = 4.0 * 16.0 ** ((bottom - y) / (bottom - top))
    assert speed == pytest.approx(0.4 * power * math.exp(-logit / 12.0), rel=0.03)


def test_what_was_not_tested_is_greyed_and_hatched() -> None:
    picture = imread(BytesIO(region_picture(cut_view(burns=(), recommendation=None))))
    pixels = np.round(255 * picture[:, :, :3]).astype(int)
    bands = [tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in scale_colours(4)]
    # The frame in pixels, from the SVG of the same picture: 150 pixels per 72 pt.
    svg = etree.fromstring(region_picture(cut_view(burns=(), recommendation=None), format="svg"))
    left, top, right, bottom = (v * 150.0 / 72.0 for v in axes_frame(svg))

    def near(power: float, speed: float) -> np.ndarray:
        x = left + (power - 20.0) / 70.0 * (right - left)
        y = bottom - math.log(speed / 4.0) / math.log(16.0) * (bottom - top)
        return pixels[round(y) - 4 : round(y) + 5, round(x) - 4 : round(x) + 5].reshape(-1, 3)

    inside, outside = near(60.0, 15.8), near(60.0, 8.0)
    assert {tuple(p) for p in inside} == {bands[3]}
    assert len({tuple(p) for p in outside}) > 1
    assert outside.max(axis=0).sum() > sum(bands[3])


def test_marks_carry_their_grade_as_a_numeral() -> None:
    svg = etree.fromstring(region_picture(mark_view(), format="svg"))
    for number, grade in enumerate((4, 1, 2, 2, 3), 1):
        assert f"burn-{number}-{grade}" in ids(svg)
    text = [c.text.strip() for c in svg.iter(etree.Comment)]
    for grade in "1234":
        assert grade in text
    assert words(svg, "what") == "chance of exactly mark grade 2, 1 pass"
    assert "grade-2" in ids(svg)


def test_a_limit_at_the_left_edge_is_named_inside_the_picture() -> None:
    view = dataclasses.replace(
        mark_view(), beam_starts_pct=20.5, recommendation=Setting(
            power_pct=40.0, speed_mm_s=20.0, line_pitch_mm=0.1
        ), burns=(Burn(operation="line_mark", power_pct=21.0, speed_mm_s=6.0, mark=2),),
    )  # fmt: skip
    svg = etree.fromstring(region_picture(view, format="svg"))
    left, top, right, bottom = axes_frame(svg)
    letters = np.vstack(outlines(svg, "limit-beam-starts-label"))
    low, high = letters.min(axis=0), letters.max(axis=0)
    assert left < low[0] < high[0] < right
    assert top < low[1] < high[1] < bottom
    assert high[0] - low[0] > high[1] - low[1]  # it lies
    assert "lines 0.1 mm apart" in words(svg, "advice")


def test_burns_at_one_setting_are_said_to_lie_side_by_side_where_some_do(
    cut_svg: etree._Element,
) -> None:
    assert words(cut_svg, "side-by-side") == "Marks side by side: burnt at one setting."
    alone = etree.fromstring(region_picture(cut_view(burns=cut_view().burns[:6]), format="svg"))
    assert "side-by-side" not in ids(alone)


def test_burns_of_other_passes_and_unread_ones_are_counted() -> None:
    more = (burn(50.0, 9.0, "through", passes=2), burn(50.0, 9.0, None), burn(55.0, 9.0, "no"))
    svg = etree.fromstring(region_picture(cut_view(burns=more), format="svg"))
    assert [name for name in ids(svg) if name.startswith("burn-")] == ["burn-3-no"]
    assert words(svg, "not-drawn").startswith("2 burns not drawn")


def test_burns_outside_the_grid_widen_the_picture() -> None:
    svg = etree.fromstring(
        region_picture(cut_view(burns=(burn(95.0, 90.0, "no"),), hull=None), format="svg")
    )
    left, top, right, bottom = axes_frame(svg)
    x, y = place(svg, "burn-1-no")
    assert left < x < right
    assert top < y < bottom


@pytest.mark.parametrize("picture_format", ["png", "svg"])
def test_same_view_same_bytes_whatever_the_users_style(picture_format: str) -> None:
    first = region_picture(cut_view(), format=picture_format)
    with mpl.rc_context({"font.size": 31.0, "lines.linewidth": 9.0, "axes.facecolor": "red"}):
        assert region_picture(cut_view(), format=picture_format) == first
    assert b"20" not in re.findall(rb"<dc:date>(.*?)</dc:date>", first)
    assert b"Matplotlib" not in first


def test_pictures_drawn_at_the_same_time_do_not_mix() -> None:
    views = [cut_view(), mark_view()] * 2
    alone = [region_picture(view) for view in views[:2]] * 2
    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(region_picture, views)) == alone


def test_png_is_as_wide_as_a_phone_and_says_its_size() -> None:
    data = region_picture(cut_view())
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", data[16:24])
    assert width == 1080
    assert 1100 < height < 1400


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
    assert sum(n.startswith("burn-") for n in ids(svg)) == len(view.burns)


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
        TrackRow(stated=0.9, observed=0.85, low=0.7, high=0.95, count=20),
        TrackRow(stated=0.99, observed=1.0, low=0.9, high=1.0, count=31),
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


def test_cost_layers_add_up_and_the_choice_stands_on_their_sum() -> None:
    speeds = np.geomspace(5.0, 50.0, 30)
    parts = {"machine time": 20.0 / speeds, "pushing out": 0.02 * speeds}
    svg = etree.fromstring(cost_picture(speeds, parts, chosen_mm_s=20.0, format="svg"))
    assert {"part-1", "part-2", "total", "chosen"} <= set(ids(svg))
    left, top, right, bottom = axes_frame(svg)
    highest = 1.15 * float(np.max(20.0 / speeds + 0.02 * speeds))
    x, y = place(svg, "chosen")
    assert x == pytest.approx(left + (right - left) * math.log(4.0) / math.log(10.0), abs=0.05)
    assert y == pytest.approx(bottom - (bottom - top) * (1.0 + 0.4) / highest, abs=0.5)
