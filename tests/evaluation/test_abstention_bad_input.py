"""What certificates refuse, in which words."""

from __future__ import annotations

import numpy as np
import pytest

from tickvision.errors import CalibrationError
from tickvision.evaluation.abstention import certify, certify_classes, certify_ladder, n_min


def test_empty_broken_or_unequal_input_is_refused() -> None:
    for call in (
        lambda: certify([], [], 0.05, 0.05),
        lambda: certify([0.5, np.nan], [1, 1], 0.05, 0.05),
        lambda: certify([0.5, np.inf], [1, 1], 0.05, 0.05),
        lambda: certify([0.5], [1, 1], 0.05, 0.05),
        lambda: certify([0.5], [2], 0.05, 0.05),
        lambda: certify([0.5], [1], 0.0, 0.05),
        lambda: certify([0.5], [1], 0.05, 1.0),
        lambda: certify([0.5], [1], 5, 0.05),
        lambda: n_min(-1, 0.05, 0.05),
        lambda: certify_ladder(np.zeros((0, 2)), np.zeros((0, 2)), np.zeros((0, 2)), 0.05, 0.05),
        lambda: certify_ladder(np.zeros((3, 2)), np.zeros((3, 1)), np.ones((3, 2)), 0.05, 0.05),
        lambda: certify_ladder(np.full((3, 1), np.nan), np.zeros((3, 1)), np.ones((3, 1)), 0.05, 0.05),
    ):
        with pytest.raises(CalibrationError):
            call()


def test_a_refusal_names_the_argument_that_is_wrong() -> None:
    two = np.zeros((3, 2))
    for call, said in (
        (
            lambda: certify([], [], 0.05, 0.05),
            "confidence: the calibration set is empty; expected one row per specimen.",
        ),
        (lambda: certify([np.nan], [1], 0.05, 0.05), "confidence: 1 of 1 values are NaN or infinite"),
        (lambda: certify([0.5], [2], 0.05, 0.05), "correct: found values other than 0 and 1"),
        (lambda: certify([0.5], [1, 1], 0.05, 0.05), "row counts differ: confidence 1, correct 2"),
        (lambda: certify([0.5], [1], 0, 0.05), "max_error: found 0; expected a share between 0 and 1, as 0.05."),
        (lambda: certify([0.5], [1], 1, 0.05), "max_error: found 1; expected a share between 0 and 1, as 0.05."),
        (lambda: certify([0.5], [1], 0.05, 0), "failure_rate: found 0; expected a share between 0 and 1, as 0.05."),
        (lambda: certify([0.5], [1], 0.05, 1), "failure_rate: found 1; expected a share between 0 and 1, as 0.05."),
        (lambda: n_min(-1, 0.05, 0.05), "errors: found -1; expected 0 or more."),
        (lambda: n_min(1, 5, 0.05), "max_error: found 5"),
        (lambda: n_min(1, 0.05, 5), "failure_rate: found 5"),
        (
            lambda: certify_classes([0.5], [1], [0, 1], 0.05, 0.05),
            "row counts differ: confidence 1, correct 1, predicted 2",
        ),
        (
            lambda: certify_ladder(two, two, np.ones((3, 1)), 0.05, 0.05),
            "ladder: found shapes (3, 2), (3, 2), (3, 1); expected equal.",
        ),
        (
            lambda: certify_ladder(two[:0], two[:0], two[:0], 0.05, 0.05),
            "ladder: the calibration set is empty; expected one row per specimen.",
        ),
        (
            lambda: certify_ladder(np.full((3, 1), np.nan), np.zeros((3, 1)), np.ones((3, 1)), 0.05, 0.05),
            "confidence: NaN or infinite where a rung is available; expected finite numbers.",
        ),
        (lambda: certify_ladder(two, two, np.ones((3, 2)), [0.05, 5], 0.05), "max_error: found 5.0"),
    ):
        with pytest.raises(CalibrationError) as refusal:
            call()
        assert str(refusal.value).startswith(said)
