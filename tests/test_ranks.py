"""Simulation-based calibration in small: where known truths lie in the posterior is uniform.

Talts, Betancourt, Simpson, Vehtari, Gelman (2018), arXiv:1804.06788, from memory. A thousand draws
are made by tests/benchmarks/ranks.py; here fewer, enough to see a wrong prior or likelihood.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

import ranks

# Eleven quantities are asked; a right fit fails one in ten thousand times each.
_RARE = 1e-4


@pytest.mark.parametrize(("kind", "draws"), [("cut", 40), ("mark", 30)])
def test_truths_lie_evenly_in_their_posterior(kind: str, draws: int) -> None:
    for name, share in ranks.shares(kind, draws, 0).items():
        assert stats.kstest(share, "uniform").pvalue > _RARE, name


def test_a_wrong_prior_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Burns that scatter three times as much as the fit is told fall out of the check."""
    honest = ranks.CUT
    believed = replace(honest, scatter_ln=honest.scatter_ln - 1.1)
    monkeypatch.setattr(
        ranks, "fit_cut", lambda burns: ranks.fit(ranks.MACHINE, burns, believed, "cut")
    )
    share = ranks.shares("cut", 20, 0)["scatter"]
    assert stats.kstest(share, "uniform").pvalue < _RARE
