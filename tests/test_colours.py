"""The eight stroke colours: as far apart as can be, for all eyes, and in sixteen basic colours.

Sources: CIEDE2000 and its test data, G. Sharma, W. Wu, E. N. Dalal (2005), Color Research and
Application 30:21-30, table 1; what eyes without one kind of cone see, G. M. Machado, M. M.
Oliveira, L. A. F. Fernandes (2009), IEEE Transactions on Visualization and Computer Graphics
15:1291-1298, matrices at severity 1.0; sRGB by IEC 61966-2-1; the basic colours by W3C, HTML 4.01,
section 6.5. Figures of the tables from memory.
"""

from __future__ import annotations

import dataclasses
import itertools
import re

import ezdxf.colors
import numpy as np
import pytest
from boards import CO2, make

from calib.boards.layers import DXF_COLOURS, EDGE_COLOUR, PALETTE, colours_of
from calib.boards.svg import grid_svg, grid_svg_in_parts
from calib.errors import InvalidRecord

EYES = {
    "normal": np.eye(3),
    "without long cones": np.array([
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ]),
    "without middle cones": np.array([
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ]),
    "without short cones": np.array([
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ]),
}
BASIC = np.array(
    [
        *itertools.product((0, 128), repeat=3),
        *(c for c in itertools.product((0, 255), repeat=3) if any(c)),
        (192, 192, 192),
    ],
    dtype=float,
)
TO_XYZ = np.array([
    [0.4124564, 0.3575761, 0.1804375],
    [0.2126729, 0.7151522, 0.0721750],
    [0.0193339, 0.1191920, 0.9503041],
])


def lab(rgb: np.ndarray, eye: str) -> np.ndarray:
    """CIE 1976 L*a*b* of sRGB colours (n, 3) as an eye sees them."""
    part = rgb / 255.0
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ EYES[eye].T, 0.0, 1.0)
    share = seen @ TO_XYZ.T / TO_XYZ.sum(axis=1)
    f = np.where(share > 216 / 24389, np.cbrt(share), (24389 / 27 * share + 16) / 116)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def ciede2000(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Difference of two colours in L*a*b*, (…, 3)."""
    (l1, a1, b1), (l2, a2, b2) = np.moveaxis(one, -1, 0), np.moveaxis(other, -1, 0)
    seven = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(seven / (seven + 25.0**7))
    c1, c2 = np.hypot(stretch * a1, b1), np.hypot(stretch * a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, stretch * a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    turn = np.where(c1 * c2 == 0, 0.0, (h2 - h1 + 180) % 360 - 180)
    hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    mean = np.where(c1 * c2 == 0, h1 + h2, h1 + turn / 2) % 360
    t = (
        1
        - 0.17 * np.cos(np.radians(mean - 30))
        + 0.24 * np.cos(np.radians(2 * mean))
        + 0.32 * np.cos(np.radians(3 * mean + 6))
        - 0.20 * np.cos(np.radians(4 * mean - 63))
    )
    s_l = 1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2)
    s_c, s_h = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    bend = np.radians(60 * np.exp(-(((mean - 275) / 25) ** 2)))
    r_t = -2 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7)) * np.sin(bend)
    dl, dc, dh = (l2 - l1) / s_l, (c2 - c1) / s_c, hue / s_h
    return np.sqrt(dl**2 + dc**2 + dh**2 + r_t * dc * dh)


@pytest.mark.parametrize(
    ("one", "other", "difference"),
    [
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
        ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0),
        ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
        ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0009), 7.1792),
        ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0011), 7.2195),
        ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
        ((50.0, 2.5, 0.0), (61.0, -5.0, 29.0), 22.8977),
        ((50.0, 2.5, 0.0), (56.0, -27.0, -3.0), 31.9030),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((90.8027, -2.0831, 1.4410), (91.1528, -1.6435, 0.0447), 1.4441),
        ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_ciede2000_as_published(one: tuple, other: tuple, difference: float) -> None:
    assert ciede2000(np.array(one), np.array(other)) == pytest.approx(difference, abs=5e-5)


def rgb_of(colours: tuple[str, ...]) -> np.ndarray:
    return np.array([list(bytes.fromhex(colour[1:])) for colour in colours], dtype=float)


def rounded(rgb: np.ndarray) -> np.ndarray:
    """Which of the sixteen basic colours is the nearest, (n,)."""
    return ((rgb[:, None] - BASIC) ** 2).sum(axis=-1).argmin(axis=1)


def distances(some: np.ndarray, others: np.ndarray) -> np.ndarray:
    """The least difference to any of the four kinds of eyes, (n, m)."""
    seen = [ciede2000(lab(some, eye)[:, None], lab(others, eye)[None]) for eye in EYES]
    return np.min(seen, axis=0)


def test_the_palette_is_as_far_apart_as_can_be() -> None:
    """No colour of the 216 in place of one of the eight makes the nearest two less near."""
    palette, white = rgb_of(PALETTE), np.full((1, 3), 255.0)
    candidates = np.array(list(itertools.product(range(0, 256, 51), repeat=3)), dtype=float)
    apart = distances(palette, np.vstack([palette, white]))
    apart[range(8), range(8)] = np.inf
    least = apart.min()
    assert least == pytest.approx(22.6, abs=0.05)
    classes, white_class = rounded(palette), rounded(white)[0]
    assert len(set(classes)) == 8
    assert white_class not in classes
    for out in range(8):
        rest = np.delete(palette, out, axis=0)
        free = ~np.isin(rounded(candidates), [*np.delete(classes, out), white_class])
        to_rest = distances(candidates[free], np.vstack([rest, white])).min(axis=1)
        between = np.delete(np.delete(apart, out, axis=0), out, axis=1).min()
        assert np.minimum(to_rest, between).max() <= least + 1e-9


def test_each_colour_is_the_farthest_from_those_before() -> None:
    palette = rgb_of(PALETTE)
    before = np.full((1, 3), 255.0)
    for place in range(8):
        left = distances(palette[place:], before).min(axis=1)
        assert left.argmax() == 0
        before = np.vstack([before, palette[place : place + 1]])


@pytest.mark.parametrize("cells", [6, 18, 60])
def test_any_eight_settings_that_follow_one_another_are_told_apart(cells: int) -> None:
    colours = tuple(colours_of(make("cut", cells)).values())
    assert len(set(colours)) == len(colours)
    for at in range(0, len(colours), 8):
        part = rgb_of(colours[at : at + 8])
        assert len(set(rounded(part))) == len(part)
        apart = distances(part, part)
        assert apart[np.triu_indices(len(part), 1)].min(initial=99.0) > 20.0


def test_numbered_colours_of_dxf_are_the_nearest() -> None:
    table = np.array([ezdxf.colors.aci2rgb(number) for number in range(1, 256)], dtype=float)
    nearest = ((rgb_of(PALETTE)[:, None] - table) ** 2).sum(axis=-1).argmin(axis=1) + 1
    assert tuple(nearest) == DXF_COLOURS


def test_the_edge_of_the_piece_is_as_far_from_what_is_burnt_as_can_be() -> None:
    taken = np.vstack([rgb_of(PALETTE), np.full((1, 3), 255.0)])
    candidates = np.array(list(itertools.product(range(0, 256, 51), repeat=3)), dtype=float)
    free = candidates[~np.isin(rounded(candidates), rounded(taken))]
    farthest = free[distances(free, taken).min(axis=1).argmax()]
    assert farthest.tolist() == rgb_of((EDGE_COLOUR,))[0].tolist()


def test_own_colours_are_drawn_and_split_by_their_number() -> None:
    own = ("#FF0000", "#0000ff", "#00ff00")
    board = make(machine=dataclasses.replace(CO2, colours=own))
    colours = [*colours_of(board).values()]
    assert colours[:3] == ["#ff0000", "#0000ff", "#00ff00"]
    assert len(set(colours)) == len(colours) == 7
    parts = grid_svg_in_parts(board)
    assert [*parts] == ["1of3", "2of3", "3of3"]
    # Each part is in colours that the maker's program knows.
    for part in parts.values():
        assert set(re.findall(r'stroke="(#\w+)"', part)) <= {one.lower() for one in own}


def test_the_edge_of_the_piece_has_none_of_the_own_colours() -> None:
    own = (EDGE_COLOUR, PALETTE[0])
    drawn = grid_svg(make(machine=dataclasses.replace(CO2, colours=own)), piece_edge=True)
    (edge,) = re.findall(r'id="edge" stroke="(#\w+)"', drawn)
    assert edge not in own
    assert drawn.count(f'stroke="{edge}"') == 1


@pytest.mark.parametrize(
    "own",
    [("#ff0000",), ("#ff0000", "#FF0000"), ("red", "#0000ff"), ("#ff0000", "#fe0101"),
     ("#ff0000", "#ffffff")],
)  # fmt: skip
def test_colours_that_are_none_or_the_same_are_refused(own: tuple[str, ...]) -> None:
    with pytest.raises(InvalidRecord, match="colours is .*give two or more that differ"):
        dataclasses.replace(CO2, colours=own)
