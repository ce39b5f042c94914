"""Quantities as people type them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.errors import InvalidQuantity
from calib.units import (
    parse_length_mm,
    parse_percent,
    parse_power_w,
    parse_size_mm,
    parse_speed_mm_s,
    show_speed,
)

READERS = [parse_length_mm, parse_speed_mm_s, parse_power_w, parse_percent, parse_size_mm]


@pytest.mark.parametrize(
    ("text", "expected_mm"),
    [
        ("3", 3.0),
        (" 3 mm ", 3.0),
        ("3MM", 3.0),
        ("2,5 mm", 2.5),
        (".5", 0.5),
        ("0.3 cm", 3.0),
        ("1.2 m", 1200.0),
        # 1 in = 25.4 mm exactly: NIST Handbook 44, appendix C.
        ("1 in", 25.4),
        ('1"', 25.4),
        ("1/32 in", 0.79375),
        ("1/8 in", 3.175),
        ("1/4in", 6.35),
        ("15/32 in", 11.90625),
        ("1 1/2 in", 38.1),
        ("1\t1/2 in", 38.1),
        ("1  1/2 in", 38.1),
    ],
)
def test_lengths(text: str, expected_mm: float) -> None:
    assert parse_length_mm(text) == pytest.approx(expected_mm, rel=1e-12)


@pytest.mark.parametrize("text", ["60", "60W", "60 W", " 60w "])
def test_powers(text: str) -> None:
    assert parse_power_w(text) == 60.0


@pytest.mark.parametrize(
    ("text", "expected_mm_s"),
    [
        ("12", 12.0),
        ("12 mm/s", 12.0),
        ("720 mm/min", 12.0),
        ("0.5 in/s", 12.7),
        ("30 in/min", 12.7),
        # McMillin and Harry 1971: 99.1 in/min is 41.95 mm/s.
        ("99.1 in/min", 41.95233),
    ],
)
def test_speeds(text: str, expected_mm_s: float) -> None:
    assert parse_speed_mm_s(text) == pytest.approx(expected_mm_s, rel=1e-6)


@pytest.mark.parametrize(("text", "expected"), [("60", 60.0), ("60 %", 60.0), ("12,5%", 12.5)])
def test_percentages(text: str, expected: float) -> None:
    assert parse_percent(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("300x200", (300.0, 200.0)),
        ("300 X 200 mm", (300.0, 200.0)),
        ("12 in x 8 in", (304.8, 203.2)),
        ("12 x 8 in", (304.8, 203.2)),
        ("30 cm × 200 mm", (300.0, 200.0)),
    ],
)
def test_sizes(text: str, expected: tuple[float, float]) -> None:
    assert parse_size_mm(text) == pytest.approx(expected)


@pytest.mark.parametrize(
    "text", ["", "mm", "3 kg", "-3", "1e3", "nan", "inf", "3 mm/s", "٣", "9" * 99]
)
def test_a_length_that_is_none(text: str) -> None:
    shown = text if len(text) <= 40 else text[:40] + "…"
    with pytest.raises(InvalidQuantity, match=re.escape(repr(shown))):
        parse_length_mm(text)


@pytest.mark.parametrize("text", ["12 mm", "12 m/s", "fast"])
def test_a_speed_that_is_none(text: str) -> None:
    with pytest.raises(InvalidQuantity, match=f"speed '{text}'.*mm/s, mm/min, in/s, in/min"):
        parse_speed_mm_s(text)


def test_a_fraction_by_zero_is_refused() -> None:
    with pytest.raises(InvalidQuantity, match="'1/0 in' divides by zero"):
        parse_length_mm("1/0 in")


@pytest.mark.parametrize(
    ("reader", "text", "said"),
    [
        (parse_length_mm, "1/8", "length '1/8' is a fraction without a unit: write 1/8 in, or"),
        (parse_length_mm, " 1 1/2 ", "write 1 1/2 in, or 1 1/2 mm"),
        (parse_size_mm, "1/4x1/2", "length '1/4' is a fraction without a unit"),
        (parse_speed_mm_s, "1/2", "speed '1/2' is a fraction without a unit: write 1/2 in/s, or"),
    ],
)
def test_a_fraction_needs_a_unit(reader: Callable[[str], object], text: str, said: str) -> None:
    with pytest.raises(InvalidQuantity, match=re.escape(said)):
        reader(text)
    assert parse_length_mm("1/8 mm") == 0.125


@pytest.mark.parametrize(
    ("text", "named"),
    [("300", "size '300'"), ("300x200x3", "size '300x200x3'"), ("axb", "'a'"), ("", "size ''")],
)
def test_a_size_that_is_none(text: str, named: str) -> None:
    with pytest.raises(InvalidQuantity, match=re.escape(named)):
        parse_size_mm(text)


@pytest.mark.parametrize("reader", READERS)
@given(text=st.one_of(st.text(max_size=60), st.text('0123456789 /.,xinmsc%"', max_size=60)))
@settings(max_examples=150, deadline=None)
def test_any_text_is_read_or_refused(reader: object, text: str) -> None:
    try:
        value = reader(text)  # type: ignore[operator]
    except InvalidQuantity:
        return
    values = value if isinstance(value, tuple) else (value,)
    assert all(math.isfinite(v) and v >= 0 for v in values)


@given(speed=st.floats(0.01, 20000.0).map(lambda v: round(v, 3)))
@settings(max_examples=100, deadline=None)
def test_a_shown_speed_reads_back_both_ways(speed: float) -> None:
    first, second = re.fullmatch(r"(.*) \((.*)\)", show_speed(speed)).groups()  # type: ignore[union-attr]
    assert parse_speed_mm_s(first) == pytest.approx(speed, rel=1e-5)
    assert parse_speed_mm_s(second) == pytest.approx(speed, rel=1e-5)


def test_a_fast_or_slow_speed_is_written_without_exponent() -> None:
    assert show_speed(20000.0) == "20000 mm/s (1200000 mm/min)"
    assert show_speed(1.0 / 60.0) == "0.0167 mm/s (1 mm/min)"
    assert show_speed(0.00001) == "0.00001 mm/s (0.001 mm/min)"
