"""Control charts against published examples and run lengths."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from calib.advise.control_chart import (
    count_run_length,
    cusum,
    cusum_run_length,
    ewma,
    ewma_run_length,
)
from calib.errors import InvalidRecord

REFERENCE = Path(__file__).parent / "reference"
# Weight 0.5, width 2, shift 1.25 is printed 3.95 for 3.59.
MISPRINT = ("ewma2_crowder1987", "0.5", "2", "1.25")


def column(name: str, field: str) -> np.ndarray:
    with (REFERENCE / f"{name}.csv").open(encoding="utf-8") as file:
        return np.array([float(row[field]) for row in csv.DictReader(file)])


def run_lengths() -> list[tuple[str, str, str, str, str]]:
    with (REFERENCE / "run_lengths.csv").open(encoding="utf-8") as file:
        return [
            (r["chart"], r["lambda_or_k"], r["L_or_h"], r["shift_sigma"], r["published_arl"])
            for r in csv.DictReader(file)
        ]


def test_ewma_of_the_handbook() -> None:
    chart = ewma(
        column("nist_ewma", "x"), target=50, sigma=2.0539, weight=0.3, width=3, settled=True
    )
    assert chart.upper[0] == pytest.approx(52.5884, abs=2e-4)
    assert chart.lower[0] == pytest.approx(47.4115, abs=2e-4)
    assert chart.values[:3] == pytest.approx([50.60, 49.52, 50.56], abs=1.1e-2)
    assert chart.values[-2:] == pytest.approx([51.94, 51.99], abs=1.1e-2)
    assert chart.first_signal is None


def test_cusum_of_the_handbook() -> None:
    chart = cusum(column("nist_cusum", "xbar"), target=325, slack=0.3175, limit=4.1959)
    printed = [3.0075, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    assert chart.upper[12:] == pytest.approx(printed, abs=6e-2)
    assert chart.first_signal == 14


def test_ewma_of_the_textbook_signals_where_its_own_table_does() -> None:
    chart = ewma(column("montgomery_chart", "x"), target=10, sigma=1, weight=0.1, width=2.7)
    assert chart.values[[0, 1, 27, 28]] == pytest.approx(
        [9.945, 9.7495, 10.5731, 10.6468], abs=5e-5
    )
    assert chart.upper[28] == pytest.approx(10.6187, abs=5e-5)
    assert chart.first_signal == 29


def test_cusum_of_the_textbook() -> None:
    chart = cusum(column("montgomery_chart", "x"), target=10, slack=0.5, limit=5)
    assert chart.upper[28:] == pytest.approx([5.28, 5.30], abs=5e-3)
    assert chart.first_signal == 29


@pytest.mark.parametrize("row", run_lengths(), ids=" ".join)
def test_run_lengths_of_the_published_tables(row: tuple[str, str, str, str, str]) -> None:
    chart, first, second, shift, printed = row
    run = cusum_run_length if chart.startswith("cusum") else ewma_run_length
    length = run(float(first), float(second), float(shift))
    published = float(printed)
    if (chart, first, f"{float(second):g}", f"{float(shift):g}") == MISPRINT:
        published = 3.59
    decimals = len(printed.partition(".")[2])
    # 0.6 % of a printed figure, or half a unit of its last place where that is more.
    assert length == pytest.approx(published, rel=6e-3, abs=0.5001 * 10.0**-decimals)


@pytest.mark.parametrize(
    ("weight", "width", "exact"),
    [(0.4, 3.054, 499.951), (0.1, 2.814, 499.580), (0.1, 2.7, 368.994)],
)
def test_exact_run_lengths_of_ewma(weight: float, width: float, exact: float) -> None:
    assert ewma_run_length(weight, width) == pytest.approx(exact, rel=1e-5)


@pytest.mark.parametrize(
    ("limit", "sides", "exact"),
    [(4, 2, 167.684), (5, 2, 465.444), (4, 1, 335.368), (5, 1, 930.887)],
)
def test_exact_run_lengths_of_cusum(limit: float, sides: int, exact: float) -> None:
    assert cusum_run_length(0.5, limit, sides=sides) == pytest.approx(exact, rel=1e-5)


@pytest.mark.parametrize(
    ("mean", "head_start", "printed"),
    [(1.88, 0, 37.2), (1.88, 3, 29.19), (3.2, 0, 5.49), (3.2, 3, 3.33)],
)
def test_run_lengths_of_counts(mean: float, head_start: float, printed: float) -> None:
    # The printed shift is 0.9627 standard deviations: 1.88 + 0.9627 * 1.3711.
    mean = 1.88 if mean == 1.88 else 1.88 + 0.9627 * 1.88**0.5
    length = count_run_length(2, 6, mean, head_start=head_start)
    assert length == pytest.approx(printed, rel=1.5e-3)


def test_run_length_of_a_chart_that_is_simulated() -> None:
    """The integral equation against the charts themselves, on drawn checks."""
    rng = np.random.default_rng(5)
    runs = []
    for _ in range(400):
        chart = ewma(rng.normal(1.0, 1.0, 150), target=0, sigma=1, weight=0.2, settled=True)
        assert chart.first_signal is not None
        runs.append(chart.first_signal)
    spread = np.std(runs) / np.sqrt(len(runs))
    assert abs(np.mean(runs) - ewma_run_length(0.2, 2.962, 1.0)) < 3 * spread


def test_sums_start_with_a_head_start_and_fall_to_zero() -> None:
    chart = cusum([0.0, -3.0, 0.0], target=0, slack=0.5, limit=4, head_start=2)
    assert chart.upper.tolist() == [1.5, 0.0, 0.0]
    assert chart.lower.tolist() == [1.5, 4.0, 3.5]
    assert chart.first_signal is None


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"weight": 1.5}, "weight is 1.5: give a share"),
        ({"sigma": 0.0}, "sigma is 0.0: give a number above 0"),
        ({"width": -1.0}, "width is -1.0"),
    ],
)
def test_charts_that_make_no_sense_are_refused(change: dict[str, float], match: str) -> None:
    with pytest.raises(InvalidRecord, match=match):
        ewma([1.0], **{"target": 0.0, "sigma": 1.0} | change)


def test_sums_that_make_no_sense_are_refused() -> None:
    with pytest.raises(InvalidRecord, match=r"limit is 0\.0: give a number above 0"):
        cusum([1.0], target=0, slack=0.5, limit=0.0)
    with pytest.raises(InvalidRecord, match=r"slack is -0\.5: give a number of 0 or more"):
        cusum([1.0], target=0, slack=-0.5, limit=4)
    with pytest.raises(InvalidRecord, match=r"values are \[\]: give one number"):
        cusum([], target=0, slack=0.5, limit=4)
    with pytest.raises(InvalidRecord, match="sides is 3: give 1, or 2"):
        cusum_run_length(0.5, 4, sides=3)
    with pytest.raises(InvalidRecord, match="sides is 2: give 1"):
        cusum_run_length(0.5, 4, head_start=2)
