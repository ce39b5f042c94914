"""What a plain ordered regression says of the edge."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from boards import BIRCH, CO2

import calib
from calib.fit.second_opinion import second_opinion
from calib.records import Burn


def burns(n: int, scatter: float, seed: int = 3) -> list[Burn]:
    """Cuts whose edge lies at 24 mm/s for 80 %, with a scatter in ln power."""
    rng = np.random.default_rng(seed)
    found = []
    for number in range(n):
        power = (40.0, 60.0, 80.0)[number % 3]
        # Delivered watts of a 60 W tube without a curve are its share of the rated ones.
        speed = round(0.3 * power * math.exp(rng.uniform(-0.3, 0.3)), 1)
        y = math.log(0.3 * power / speed) + scatter * rng.standard_normal()
        through = "through" if y > 0 else "hanging" if y > -0.05 else "no"
        found.append(Burn(operation="cut", power_pct=power, speed_mm_s=speed, through=through))
    return found


def opinion(evidence: list[Burn], operation: str = "cut") -> str | None:
    return second_opinion(calib.fit_region(CO2, BIRCH, operation=operation, evidence=evidence))


def test_the_interval_holds_the_true_edge_nine_times_in_ten() -> None:
    """Of 40 boards, 31 to 40: a binomial of 0.9 lies outside once in a hundred times."""
    region = calib.fit_region(CO2, BIRCH, operation="cut", evidence=[])
    holds, edges = 0, []
    for seed in range(40):
        said = str(second_opinion(replace(region, burns=tuple(burns(120, 0.1, seed)))))
        [(low, high)] = re.findall(r"between ([\d.]+) and ([\d.]+)\)", said)
        holds += float(low) <= 24.0 <= float(high)
        edges.append(float(re.findall(r"at 80 % power, at ([\d.]+) mm/s", said)[0]))
    assert 31 <= holds <= 40
    assert np.mean(edges) == pytest.approx(24.0, rel=0.015)


def test_separated_results_have_no_finite_answer() -> None:
    said = opinion(burns(18, 1e-9))
    assert said is not None
    assert "none yet, these burns alone leave the edge too open" in said


def test_one_side_of_the_edge_has_no_answer() -> None:
    rows = [Burn(operation="cut", power_pct=80.0, speed_mm_s=5.0 + n, through="through")
            for n in range(12)]  # fmt: skip
    assert "one side of the edge" in str(opinion(rows))


def test_fewer_than_twelve_burns_get_none() -> None:
    assert opinion(burns(11, 0.1)) is None
    assert opinion([*burns(12, 0.1)][:12]) is not None


def test_marks_have_their_edge_where_they_are_clear() -> None:
    rows = [(12, 300, 0), (12, 150, 2), (12, 75, 3), (16, 300, 1), (16, 150, 3), (16, 75, 4),
            (22, 300, 2), (22, 220, 2), (14, 220, 1), (14, 200, 2), (18, 300, 1), (20, 240, 1),
            (20, 260, 2)]  # fmt: skip
    marks = [Burn(operation="line_mark", power_pct=float(p), speed_mm_s=float(v), mark=g)
             for p, v, g in rows]  # fmt: skip
    said = str(opinion(marks, "line_mark"))
    edge = float(re.findall(r"at ([\d.]+) mm/s", said)[0])
    # At 22 % both speeds were clear and at 18 and 20 % some were not: the edge is beyond 240.
    assert 240 < edge < 500


def test_stairs_tell_the_edge_from_both_sides() -> None:
    """Twelve, each of steps 6 % apart."""
    rng = np.random.default_rng(3)
    read = []
    for number in range(12):
        power = (40.0, 60.0, 80.0)[number % 3]
        last = round(0.3 * power * math.exp(0.1 * rng.standard_normal()), 1)
        read.append(
            Burn(operation="cut", power_pct=power, speed_mm_s=last, through="through",
                 fails_at_mm_s=round(1.06 * last, 2), source="stair"),
        )  # fmt: skip
    [edge] = re.findall(r"at 80 % power, at ([\d.]+) mm/s", str(opinion(read)))
    assert float(edge) == pytest.approx(24.0 * 1.03, rel=0.06)
