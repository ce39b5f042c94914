"""Ordinal probit keeps scikit-learn's contract for classifiers."""

from __future__ import annotations

import pytest
from sklearn.base import clone
from sklearn.utils.estimator_checks import check_classifiers_train, check_estimator

from calib.fit.ordinal import GaussianPrior, OrdinalProbit


def test_clone_keeps_the_prior():
    assert clone(OrdinalProbit(prior=GaussianPrior(effect_sd=2.0))).prior.effect_sd == 2.0


NOMINAL = {
    "check_classifiers_classes": "labels are words and -1/1: grades are numbered in their order",
    "check_classifiers_train": "asks for 83 % right on three clouds that lie in no order",
}
NO_ESTIMATE = dict.fromkeys(
    [
        "check_dict_unchanged",
        "check_dont_overwrite_parameters",
        "check_estimators_pickle",
        "check_f_contiguous_array_estimator",
        "check_fit2d_1feature",
        "check_fit2d_predict1d",
        "check_methods_sample_order_invariance",
        "check_methods_subset_invariance",
        "check_pipeline_consistency",
        "check_sample_weights_not_overwritten",
        "check_sample_weights_shape",
    ],
    "fits grades that its X separates: no finite estimate exists",
) | {
    "check_sample_weight_equivalence_on_dense_data": "fits 30 columns to 15 rows: collinear",
}
CAUSES = {
    "check_classifiers_classes": "y holds .*'one'.*: grades are whole numbers",
    "check_classifiers_train": "^$",  # the bare assertion on the share that is right
    **dict.fromkeys(NO_ESTIMATE, "separated|collinear"),
}


@pytest.mark.parametrize(
    ("prior", "failing"),
    [
        (None, NOMINAL | NO_ESTIMATE),
        (GaussianPrior(), NOMINAL),
        ("jeffreys", NOMINAL),
    ],
    ids=["none", "gaussian", "jeffreys"],
)
def test_scikit_learn_checks(prior, failing):
    results = check_estimator(
        OrdinalProbit(prior=prior), expected_failed_checks=failing, on_fail=None, on_skip=None
    )
    broken = [(r["check_name"], str(r["exception"])) for r in results if r["status"] == "failed"]
    assert broken == []
    # Strict: a listed check that passes, or fails for another reason, is news as well.
    listed = [r for r in results if r["expected_to_fail"]]
    assert {r["check_name"] for r in listed} == set(failing)
    for result in listed:
        assert result["status"] == "xfail", result["check_name"]
        with pytest.raises(Exception, match=CAUSES[result["check_name"]]):
            raise result["exception"]
    skipped = {r["check_name"] for r in results if r["status"] == "skipped"}
    assert skipped <= {"check_array_api_input"}


class Unscored(OrdinalProbit):
    """The same, declared a poor judge of classes in no order."""

    def __sklearn_tags__(self):
        tags = super().__sklearn_tags__()
        tags.classifier_tags.poor_score = True
        return tags


@pytest.mark.parametrize("prior", [None, GaussianPrior(), "jeffreys"], ids=str)
def test_training_check_fails_by_its_score_alone(prior):
    check_classifiers_train("Unscored", Unscored(prior=prior))
