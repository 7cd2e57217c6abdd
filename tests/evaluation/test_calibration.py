"""Calibration maps: fitted values against scikit-learn, recovery of known maps, and what is refused."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest

from tickvision.errors import CalibrationError
from tickvision.evaluation.calibration import (
    MIN_SPECIMENS,
    HeadMap,
    JointMap,
    apply_temperature,
    fit_head,
    fit_joint,
    fit_temperature,
    fit_temperature_bias,
    softmax,
)
from tickvision.evaluation.metrics import nll
from tickvision.evaluation.probabilities import combine

PRIORS = np.array([0.4, 0.25, 0.15, 0.1, 0.06, 0.04])


def _rows(seed: int, n: int, scale: float = 1.0, bias: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Logits whose calibrated form is softmax(logits / scale + bias_k), with truth drawn from it."""
    rng = np.random.default_rng(seed)
    honest = np.log(PRIORS) + rng.normal(0, 2, (n, 6))
    shift = bias * rng.normal(0, 1, 6)
    target = (rng.random(n)[:, None] > softmax(honest).cumsum(1)).sum(1)
    return (honest - shift) * scale, target, shift


@pytest.mark.parametrize("scale", [0.5, 1.0, 3.0])
def test_the_temperature_of_known_overconfidence_is_recovered(scale: float) -> None:
    logits, target, _ = _rows(0, 20_000, scale)
    assert fit_temperature(logits, target) == pytest.approx(scale, rel=0.03)


@pytest.mark.parametrize("seed", range(3))
def test_the_temperature_is_the_minimum_found_by_an_independent_search(seed: int) -> None:
    from scipy.optimize import brentq

    logits, target, _ = _rows(seed, 500, 2.5)
    picked = logits[np.arange(500), target]

    def slope(inverse_t: float) -> float:
        p = softmax(logits * inverse_t)
        return float((p * logits).sum() - picked.sum())

    assert fit_temperature(logits, target) == pytest.approx(1 / brentq(slope, 0.02, 50, xtol=1e-14), rel=1e-6)


def test_the_temperature_equals_that_of_scikit_learn() -> None:
    from sklearn.calibration import CalibratedClassifierCV
    from sklearn.frozen import FrozenEstimator
    from sklearn.linear_model import LogisticRegression

    rng = np.random.default_rng(5)
    target = rng.integers(0, 4, 800)
    features = rng.normal(0, 1.2, (800, 5)) + np.eye(5)[target]
    model = LogisticRegression(C=1e3).fit(features[:200], target[:200])
    model.coef_ *= 4  # over-confident
    fitted = CalibratedClassifierCV(FrozenEstimator(model), method="temperature").fit(features[200:], target[200:])
    logits = model.decision_function(features[200:])
    ours = apply_temperature(logits, fit_temperature(logits, target[200:]))
    assert np.abs(ours - fitted.predict_proba(features[200:])).max() < 1e-5


def test_temperature_keeps_the_answer_and_lowers_the_nll() -> None:
    logits, target, _ = _rows(1, 2000, 3.0)
    t = fit_temperature(logits, target)
    assert t > 1
    assert np.array_equal(apply_temperature(logits, t).argmax(1), logits.argmax(1))
    assert nll(apply_temperature(logits, t), target) < nll(softmax(logits), target)


def test_unknown_rows_do_not_move_the_temperature() -> None:
    logits, target, _ = _rows(2, 300, 2.0)
    marked = np.where(np.arange(300) % 4 == 0, -1, target)
    assert fit_temperature(logits, marked) == fit_temperature(logits[marked >= 0], target[marked >= 0])


def test_rows_that_are_all_right_leave_the_logits_unchanged() -> None:
    logits, _, _ = _rows(3, 100)
    assert fit_temperature(logits, logits.argmax(1)) == 1.0


def test_rows_that_are_all_right_leave_the_logits_unchanged_after_balanced_training_too() -> None:
    rng = np.random.default_rng(0)
    target, logits = rng.integers(0, 3, 60), rng.normal(size=(60, 3))
    logits[np.arange(60), target] = logits.max(axis=1) + 1
    np.testing.assert_allclose(fit_head(logits, target, True).apply(logits), softmax(logits))
    np.testing.assert_allclose(fit_temperature_bias(logits, target).apply(logits), softmax(logits))


def test_useless_logits_stop_at_the_bound() -> None:
    logits, target, _ = _rows(4, 400)
    assert fit_temperature(-5 * logits, target) == pytest.approx(np.exp(4), rel=1e-5)


def test_a_class_bias_is_recovered_after_balanced_training() -> None:
    logits, target, shift = _rows(6, 20_000, 2.0, bias=1.0)
    fitted = fit_temperature_bias(logits, target)
    assert fitted.temperature == pytest.approx(2.0, rel=0.05)
    assert fitted.bias is not None
    assert np.allclose(np.array(fitted.bias) - np.mean(fitted.bias), shift - shift.mean(), atol=0.12)
    plain = apply_temperature(logits, fit_temperature(logits, target))
    assert nll(fitted.apply(logits), target) < nll(plain, target) - 0.05


def test_the_bias_is_at_a_stationary_point_of_its_loss() -> None:
    logits, target, _ = _rows(7, 400, 2.0, bias=1.0)
    fitted = fit_temperature_bias(logits, target, shrinkage=2.0)
    gap = fitted.apply(logits).sum(0) - np.bincount(target, minlength=6) + 2.0 * np.array(fitted.bias)
    assert np.abs(gap).max() < 1e-3


def test_the_bias_is_kept_only_where_it_helps() -> None:
    logits, target, _ = _rows(8, 1500, 2.0, bias=1.0)
    assert fit_head(logits, target, balanced_training=True).bias is not None
    assert fit_head(logits, target, balanced_training=False).bias is None
    for n in (60, 1500):
        unmoved, labels, _ = _rows(9, n, 2.0, bias=0.0)
        assert fit_head(unmoved, labels, balanced_training=True).bias is None


def test_too_few_rows_one_class_nan_or_wrong_labels_are_refused() -> None:
    logits, target, _ = _rows(10, 100)
    broken = logits.copy()
    broken[3, 2] = np.nan
    for call in (
        lambda: fit_temperature(logits[: MIN_SPECIMENS - 1], target[: MIN_SPECIMENS - 1]),
        lambda: fit_temperature(logits, np.full(100, -1)),
        lambda: fit_temperature(logits, np.zeros(100, int)),
        lambda: fit_temperature(broken, target),
        lambda: fit_temperature(logits, target[:50]),
        lambda: fit_temperature(logits, target + 6),
        lambda: fit_temperature([], []),
        lambda: fit_temperature_bias(broken, target),
        lambda: apply_temperature(logits, 0.0),
        lambda: apply_temperature(logits, -1.0),
        lambda: apply_temperature(logits, 1.0, [0.0, 1.0]),
        lambda: apply_temperature([[np.inf, 0.0]], 1.0),
        lambda: fit_joint([[0.5]], [1]),
        lambda: fit_joint(np.full((50, 2), 1.5), np.ones(50)),
        lambda: fit_joint(np.full((50, 2), np.nan), np.ones(50)),
    ):
        with pytest.raises(CalibrationError):
            call()


def test_extreme_logits_do_not_overflow() -> None:
    assert softmax([[1e4, 0.0], [-1e4, 1e4]]).tolist() == [[1.0, 0.0], [0.0, 1.0]]


def _parts(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Three parts that fail together (a blurred photo), so that their product is too low."""
    rng = np.random.default_rng(seed)
    clarity = rng.normal(2, 1.5, n)
    parts = 1 / (1 + np.exp(-(clarity[:, None] + rng.normal(0, 0.3, (n, 3)))))
    return parts, rng.random(n) < 1 / (1 + np.exp(-(clarity - 0.3)))


def test_the_joint_confidence_is_nearer_the_truth_than_the_product() -> None:
    parts, right = _parts(0, 3000)
    fitted = fit_joint(parts[:1500], right[:1500])
    joint, product = fitted.apply(parts[1500:]), parts[1500:].prod(1)

    def loss(p: np.ndarray) -> float:
        return nll(np.stack([1 - p, p], axis=1), right[1500:].astype(int))

    assert loss(joint) < loss(product) - 0.02


def test_the_joint_confidence_never_falls_when_a_part_rises() -> None:
    parts, right = _parts(1, 400)
    misleading = np.stack([parts[:, 0], 1 - parts[:, 1]], axis=1)
    fitted = fit_joint(misleading, right)
    assert fitted.weights[1] == 0.0
    assert min(fitted.weights) >= 0
    grid = np.full((50, 2), 0.6)
    grid[:, 0] = np.linspace(0, 1, 50)
    assert np.all(np.diff(fitted.apply(grid)) >= 0)


def test_parts_that_order_backwards_are_refused() -> None:
    parts, right = _parts(2, 2000)
    with pytest.raises(CalibrationError):
        fit_joint(1 - parts[:, :1], right)


def test_a_part_that_does_not_apply_counts_as_its_centre() -> None:
    parts, right = _parts(3, 500)
    parts[::2, 2] = np.nan
    fitted = fit_joint(parts, right)
    seen = 1 / (1 + np.exp(-fitted.centres[2]))
    assert fitted.apply([[0.9, 0.9, np.nan]]) == pytest.approx(fitted.apply([[0.9, 0.9, seen]]))


def test_all_right_gives_a_finite_map_below_certainty() -> None:
    parts, _ = _parts(4, 60)
    fitted = fit_joint(parts, np.ones(60, bool))
    assert np.isfinite([fitted.intercept, *fitted.weights]).all()
    assert fitted.apply([[1.0, 1.0, 1.0]])[0] < 1


def test_maps_survive_json() -> None:
    head, plain = HeadMap(1.7, (0.1, -0.1)), HeadMap(0.9)
    joint = JointMap((1.0, 0.5), -0.3, (2.0, 1.0))
    for saved in (head, plain):
        assert HeadMap.from_dict(json.loads(json.dumps(saved.to_dict()))) == saved
    assert JointMap.from_dict(json.loads(json.dumps(joint.to_dict()))) == joint


def test_combine_averages_the_photos_of_a_specimen_in_order_of_first_appearance() -> None:
    logits = np.array([[1.0, 0.0], [4.0, 2.0], [3.0, 2.0], [0.0, 6.0]])
    mean, ids = combine(logits, ["b", "a", "b", "c"])
    assert ids.tolist() == ["b", "a", "c"]
    assert mean.tolist() == [[2.0, 1.0], [4.0, 2.0], [0.0, 6.0]]
    mean, ids = combine(logits, [7, 3, 7, 3])
    assert ids.tolist() == [7, 3]
    assert mean.tolist() == [[2.0, 1.0], [2.0, 4.0]]


def test_combine_equals_a_plain_loop_on_many_photos() -> None:
    rng = np.random.default_rng(0)
    logits, specimen = rng.normal(size=(500, 4)), rng.integers(0, 90, 500)
    mean, ids = combine(logits, specimen)
    assert ids.tolist() == list(dict.fromkeys(specimen.tolist()))
    assert np.allclose(mean, [logits[specimen == s].mean(0) for s in ids], atol=1e-12)


def test_combine_refuses_missing_ids_and_broken_rows() -> None:
    for logits, specimen in (
        ([[1.0, 2.0]], [""]),
        ([[1.0, 2.0]], [None]),
        ([[np.nan, 2.0]], ["a"]),
        ([[1.0, 2.0]], ["a", "b"]),
        (np.zeros((0, 2)), []),
        ([1.0, 2.0], ["a", "b"]),
    ):
        with pytest.raises(CalibrationError):
            combine(logits, specimen)


def test_prediction_side_modules_load_without_scipy_or_scikit_learn() -> None:
    names = ["probabilities", "promises", "shortlist", "novelty", "metrics", "selective", "abstention", "calibration"]
    imports = "; ".join(f"import tickvision.evaluation.{name}" for name in names)
    check = "; import sys; print([m for m in ('scipy', 'sklearn', 'torch', 'pandas') if m in sys.modules])"
    loaded = subprocess.run([sys.executable, "-c", imports + check], capture_output=True, text=True, check=True)
    assert loaded.stdout.strip() == "[]"
