"""Ordinal probit regression as a scikit-learn estimator: the chance of each grade.

It reads and checks what it is given, chooses the likelihood that the prior asks for, and turns
the maximum back into the units of X. This is the only module of the fits that imports
scikit-learn.
"""

from __future__ import annotations

import numbers
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
import numpy.typing as npt
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.validation import check_array, check_is_fitted, validate_data

from calib.errors import InvalidRecord, NoFiniteEstimate
from calib.fit.ordinal_frame import Frame, distinct_rows, frame_of, is_separated
from calib.fit.ordinal_likelihood import (
    Array,
    GaussianPenalised,
    GradedRows,
    Grades,
    JeffreysPenalised,
    Likelihood,
    band_edges,
    climb,
    covariance_of,
    log_chance_between,
    start,
)
from calib.texts.say import say

_OR_A_PRIOR = say("fit.or_fit_with_prior_such")


# Beyond this a coefficient is a step and its prior no longer felt; doubles then can't tell.
_EFFECT_SD_RANGE = (0.01, 100.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaussianPrior:
    """Normal prior on the coefficients of an ordinal fit; the cut points stay free.

    Parameters
    ----------
    effect_sd
        Prior standard deviation of each effect, one number for all or one for each column, from
        0.01 to 100 [standard deviations of the hidden score]. An effect is what one standard
        deviation of a column adds to the hidden score. The default is weak: on a board whose
        powers span a factor of 2, at a scatter of 5 %, the effect of ln power is about 4.

    Notes
    -----
    With s_m the weighted standard deviation of column m (1 if it is constant),
    β_m s_m ~ N(0, effect_sd_m²): the log-likelihood loses ½ Σ_m (β_m s_m / effect_sd_m)².
    """

    effect_sd: float | tuple[float, ...] = 5.0

    def __post_init__(self) -> None:
        least, most = _EFFECT_SD_RANGE
        for sd in self.effect_sd if isinstance(self.effect_sd, tuple) else (self.effect_sd,):
            if isinstance(sd, bool) or not isinstance(sd, numbers.Real) or not least <= sd <= most:
                raise InvalidRecord(
                    say(
                        "fit.gaussianprior_effect_sd",
                        effect_sd=self.effect_sd,
                        least=least,
                        most=most,
                    )
                )


def _checked_grades(y: Array) -> Grades:
    """Read y as whole numbers from 0; text and fractions are no grades."""
    for value in y.ravel().tolist() if y.dtype.kind not in "biuf" else ():
        if not isinstance(value, numbers.Real):
            raise ValueError(say("fit.y_holds_grades_are_whole_numbers", value=value))
    number = y.astype(float)
    bad = number[~((number >= 0) & (number == np.floor(number)))]
    if bad.size:
        raise ValueError(say("fit.y_holds_grades_are_whole_numbers_from", bad=bad))
    return number.astype(np.intp)


def _checked_weights(sample_weight: npt.ArrayLike | None, count: int) -> Array:
    if sample_weight is None:
        return np.ones(count)
    weight = check_array(
        sample_weight, ensure_2d=False, dtype=np.float64, input_name="sample_weight"
    )
    if weight.shape != (count,):
        raise ValueError(say("fit.sample_weight_has_shape", weight=weight, count=count))
    if weight.min() < 0:
        raise ValueError(say("fit.sample_weight_holds", min=weight.min()))
    if weight.max() == 0:
        raise ValueError(say("fit.every_weight_is_zero"))
    return np.asarray(weight)


def _checked_classes(grades: Grades) -> Grades:
    classes = np.unique(grades)
    if len(classes) == 1:
        raise NoFiniteEstimate(say("fit.y_has_only_one_class", classes=classes))
    missing = np.setdiff1d(np.arange(classes[0], classes[-1]), classes)
    if missing.size:
        never = ", ".join(str(grade) for grade in missing)
        raise ValueError(say("fit.y_has_no_row_of_grade", never=never))
    return classes


class OrdinalProbit(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Chance of each grade of an ordered scale, with one slope for all grades.

    Parameters
    ----------
    prior
        None for maximum likelihood. ``GaussianPrior()`` for a fit that is finite whatever the
        grades and columns and has one maximum: the one to take. ``"jeffreys"`` for comparison
        with fits published under Jeffreys' prior.

    Attributes
    ----------
    classes_ : ndarray, (K,)
        Grades seen, in order.
    coef_ : ndarray, (k,)
        β: change of the grade's hidden score per unit of each column [1 / unit of the column].
    cut_points_ : ndarray, (K−1,)
        c: hidden score at which each next grade begins [standard deviations], rising.
    covariance_ : ndarray, (k+K−1, k+K−1)
        Inverse of the observed information, of ``coef_`` then ``cut_points_``; with a prior, of
        the penalised likelihood.
    log_likelihood_ : float
        Σ weight × ln p of the grades seen, without binomial constant and without penalty.
    n_features_in_ : int
        Number of columns k.

    Notes
    -----
    The model is [1]_

        P(y ≤ j) = Φ(c_j − x β),   j = 0 … K−2.

    Its log-likelihood ℓ is concave [2]_, so Newton's method finds the one maximum if there is
    one. There is none when the grades are separated (completely or touching [3]_) or columns
    are collinear with one another or constant. A linear program and the singular values of X
    decide that before anything is fitted; grades that overlap by less than 1e-9 of the range of
    X count as touching.

    With a `GaussianPrior` the penalised log-likelihood is concave and falls in every direction,
    so there is exactly one maximum: while the coefficients are held the cut points can't run
    away, because every grade is seen. It does not depend on the units of X.

    With ``prior="jeffreys"`` the fit maximises

        ℓ + ½ ln det I(β, c) + Σ_j ln(c_j − c_{j−1}),

    I being the expected information. That is the posterior mode under Jeffreys' prior in the
    coordinates (β, c_0, ln gaps between cut points); for two grades the last sum is empty and
    the fit is that of [4]_, where its finiteness is proven. For more grades the sum keeps a gap
    open as if half a row more lay in it. It takes no number, but with few, separated rows it may
    have a second maximum far out (in about 3 of 100 made-up sets of 4 to 13 rows); the one
    reached from "no effect" is given.

    With either prior, collinear columns share their joint effect with the least sum of squared
    effects (each over its effect_sd), and a constant column gets 0. ``covariance_`` then holds
    the prior's variance along the directions that X leaves open; Jeffreys' prior has none there,
    so don't predict along them.

    References
    ----------
    .. [1] P. McCullagh, "Regression models for ordinal data", J. R. Stat. Soc. B 42, 109 (1980).
    .. [2] J. W. Pratt, "Concavity of the log likelihood", J. Am. Stat. Assoc. 76, 103 (1981).
    .. [3] A. Albert, J. A. Anderson, "On the existence of maximum likelihood estimates in
       logistic regression models", Biometrika 71, 1 (1984).
    .. [4] I. Kosmidis, D. Firth, "Jeffreys-prior penalty, finiteness and shrinkage in
       binomial-response generalized linear models", Biometrika 108, 71 (2021).

    Examples
    --------
    >>> doses = [[1], [2], [3], [4], [5], [6]]
    >>> fit = OrdinalProbit(prior=GaussianPrior()).fit(doses, [0, 0, 0, 1, 1, 1])
    >>> round(float(fit.cut_points_[0] / fit.coef_[0]), 6)
    3.5
    """

    def __init__(self, prior: GaussianPrior | Literal["jeffreys"] | None = None) -> None:
        self.prior = prior

    def fit(
        self, X: npt.ArrayLike, y: npt.ArrayLike, sample_weight: npt.ArrayLike | None = None
    ) -> Self:
        """Fit coefficients and cut points.

        Parameters
        ----------
        X
            Regressors without a column of ones, (n, k) [units of the caller].
        y
            Grades, whole numbers without a gap, (n,).
        sample_weight
            Weights, (n,): 2 counts as two equal rows, 0 leaves the row out.

        Returns
        -------
        OrdinalProbit
            Itself, fitted.

        Raises
        ------
        NoFiniteEstimate
            When there is one grade only; without a prior also when the grades are separated or
            columns collinear.
        ValueError
            When a grade between others is never seen, or an argument can't be read.
        """
        x, raw = validate_data(self, X, y, dtype=np.float64)
        weight = _checked_weights(sample_weight, len(x))
        grades = _checked_grades(np.asarray(raw))
        counts = weight > 0
        self.classes_ = _checked_classes(grades[counts])
        self._fit_rows(*distinct_rows(x[counts], grades[counts] - self.classes_[0], weight[counts]))
        return self

    def _fit_rows(self, x: Array, grade: Grades, weight: Array) -> None:
        frame = frame_of(x, weight, self._effect_sd(x.shape[1]))
        if self.prior is None:
            self._refuse_without_maximum(x, grade, frame)
        rows = GradedRows(
            x=(x - frame.centre) @ frame.to_coef,
            grade=grade,
            weight=weight,
            grades=len(self.classes_),
        )
        problem = self._problem(rows, frame)
        theta = climb(problem, start(rows))
        if theta is None:
            raise NoFiniteEstimate(
                say(
                    "fit.fit_of_grades_to_cant",
                    classes_=self.classes_,
                    classes__2=self.classes_[-1],
                    or_a_prior=_OR_A_PRIOR,
                )
            )
        covariance = covariance_of(problem.information(theta))
        both, self.covariance_ = frame.in_units_of_x(theta, covariance)
        self.coef_, self.cut_points_ = np.split(both, [x.shape[1]])
        self.log_likelihood_ = problem.log_likelihood(theta)

    def _effect_sd(self, columns: int) -> Array | None:
        """Read the prior's scale for each column; None where it sets none."""
        if self.prior is None or self.prior == "jeffreys":
            return None
        if not isinstance(self.prior, GaussianPrior):
            raise ValueError(say("fit.prior_is_give_none", prior=self.prior))
        sd = np.asarray(self.prior.effect_sd, dtype=np.float64)
        if sd.ndim and len(sd) != columns:
            raise ValueError(
                say("fit.priors_effect_sd_holds_values", count=len(sd), columns=columns)
            )
        return np.broadcast_to(sd, (columns,))

    def _problem(self, rows: GradedRows, frame: Frame) -> Likelihood:
        if self.prior is None:
            return Likelihood(rows)
        if self.prior == "jeffreys":
            return JeffreysPenalised(rows)
        return GaussianPenalised(rows, frame.precision)

    def _refuse_without_maximum(self, x: Array, grade: Grades, frame: Frame) -> None:
        if frame.left_open.size:
            share = np.abs(frame.left_open * frame.scale[:, None]).max(axis=1)
            names = getattr(self, "feature_names_in_", np.arange(len(share)))
            columns = ", ".join(str(name) for name in names[share > 1e-6])
            raise NoFiniteEstimate(
                say(
                    "fit.columns_of_are_collinear_or_constant",
                    columns=columns,
                    or_a_prior=_OR_A_PRIOR,
                )
            )
        scaled = (x - frame.centre) / frame.scale
        if is_separated(scaled, grade, len(self.classes_)):
            raise NoFiniteEstimate(
                say(
                    "fit.grades_to_are_separated",
                    classes_=self.classes_,
                    classes__2=self.classes_[-1],
                    or_a_prior=_OR_A_PRIOR,
                )
            )

    def predict_proba(self, X: npt.ArrayLike) -> Array:
        """Chance of each grade.

        Parameters
        ----------
        X
            Regressors, (n, k) [units of the fit].

        Returns
        -------
        ndarray
            Chances in the order of ``classes_``, (n, K).
        """
        check_is_fitted(self)
        x = validate_data(self, X, dtype=np.float64, reset=False)
        edges = band_edges(x, self.coef_, self.cut_points_)
        return np.exp(log_chance_between(edges[:, :-1], edges[:, 1:]))

    def predict(self, X: npt.ArrayLike) -> Grades:
        """Likeliest grade.

        Parameters
        ----------
        X
            Regressors, (n, k) [units of the fit].

        Returns
        -------
        ndarray
            Grades, (n,).
        """
        likeliest = self.predict_proba(X).argmax(axis=1)
        return np.asarray(self.classes_[likeliest])
