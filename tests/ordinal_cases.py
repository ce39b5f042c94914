"""Rows of grades for the ordinal fits, and their information by plain formulas."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtr
from scipy.stats import norm

from calib.fit.ordinal import GaussianPrior

REFERENCE = Path(__file__).parent / "reference"
SIX = np.arange(1.0, 7.0)[:, None]
SEPARATED = [0, 0, 0, 1, 1, 1]
OVERLAPPING = [0, 0, 1, 0, 1, 1]
PRIORS = [GaussianPrior(), GaussianPrior(effect_sd=100.0), "jeffreys"]


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(REFERENCE / name)


def expected_information(fit, X, weight):
    """Of (slope, cut point) for two grades, written out: Σ w φ² / (p q) (−x, 1)(−x, 1)'."""
    z = fit.cut_points_[0] - X[:, 0] * fit.coef_[0]
    w = weight * norm.pdf(z) ** 2 / (ndtr(z) * ndtr(-z))
    row = np.column_stack([-X[:, 0], np.ones(len(X))])
    return row.T @ (w[:, None] * row)


def made_up(seed, n=60, k=2, grades=4):
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, k))
    score = X @ np.linspace(1.0, -0.5, k) + rng.normal(size=n)
    y = np.digitize(score, np.linspace(-1.0, 1.0, grades - 1))
    return X, y, rng.uniform(0.2, 3.0, size=n)


def everything(fit):
    return np.r_[fit.coef_, fit.cut_points_, fit.covariance_.ravel(), fit.log_likelihood_]
