"""Novelty scores, p-values, limits, and the quality gate."""

from __future__ import annotations

import json

import numpy as np
import pytest

from tickvision.errors import CalibrationError
from tickvision.evaluation.metrics import auroc
from tickvision.evaluation.novelty import energy, novelty_limit, p_values
from tickvision.evaluation.quality_gate import QualityLimit, fit_quality_limit
from tickvision.evaluation.vim_fitting import fit_vim


def test_energy_equals_scipy() -> None:
    from scipy.special import logsumexp

    logits = np.random.default_rng(0).normal(0, 30, (100, 6))
    assert np.allclose(energy(logits), -logsumexp(logits, axis=1), atol=1e-9)


def test_p_values_equal_crepes() -> None:
    from crepes import ConformalClassifier

    rng = np.random.default_rng(1)
    known, new = np.round(rng.normal(size=200), 1), np.round(rng.normal(size=50), 1)
    reference = ConformalClassifier().fit(known).predict_p(new[:, None], smoothing=False)[:, 0]
    assert np.allclose(p_values(known, new), reference, atol=1e-12)


def test_the_limit_loses_no_more_good_specimens_than_accepted() -> None:
    rng = np.random.default_rng(2)
    lost = [np.mean(rng.normal(size=400) > novelty_limit(rng.normal(size=80), 0.05)) for _ in range(600)]
    assert np.mean(lost) <= 0.05 + 3 * np.std(lost) / np.sqrt(600)
    known = rng.normal(size=80)
    new = rng.normal(size=500)
    assert np.array_equal(new > novelty_limit(known, 0.05), p_values(known, new) <= 0.05)
    assert novelty_limit(np.zeros(18), 0.05) == np.inf


def _embeddings(seed: int, n: int, strange: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Known rows live in 8 of 64 directions; strange ones leave them while their logits stay the same."""
    rng = np.random.default_rng(seed)
    rows = 0.1 * rng.normal(size=(n, 64))
    rows[:, :8] += rng.normal(0, 2, (n, 8))
    if strange:
        rows[:, 40:] += 0.5
    return rows, np.abs(rows[:, :8]) * 3


def test_vim_sees_what_leaves_the_main_subspace_and_the_energy_does_not() -> None:
    rows, logits = _embeddings(0, 800)
    vim = fit_vim(rows, logits)
    known, strange = _embeddings(1, 300), _embeddings(2, 300, strange=True)
    side = np.r_[np.zeros(300), np.ones(300)].astype(bool)
    assert auroc(np.r_[vim.score(*known), vim.score(*strange)], side) > 0.95
    assert auroc(np.r_[energy(known[1]), energy(strange[1])], side) < 0.6


def test_the_vim_score_orders_as_the_probability_of_the_virtual_class() -> None:
    from scipy.special import softmax

    rows, logits = _embeddings(3, 600)
    vim = fit_vim(rows, logits)
    centred = rows - vim.origin
    virtual = vim.scale * np.linalg.norm(centred - centred @ vim.basis @ vim.basis.T, axis=1)
    probability = softmax(np.c_[logits, virtual], axis=1)[:, -1]
    score = vim.score(rows, logits)
    assert np.allclose(1 / (1 + np.exp(-score)), probability, atol=1e-9)
    assert virtual.mean() == pytest.approx(logits.max(1).mean())


def test_vim_takes_its_origin_from_the_last_layer_where_there_is_one() -> None:
    rng = np.random.default_rng(4)
    rows = rng.normal(size=(600, 16))
    weight, bias = rng.normal(size=(5, 16)), rng.normal(size=5)
    vim = fit_vim(rows, rows @ weight.T + bias, weight, bias)
    assert np.allclose(weight @ vim.origin + bias, 0, atol=1e-9)


def test_vim_keeps_a_residual_when_photos_are_fewer_than_directions() -> None:
    rng = np.random.default_rng(5)
    rows = rng.normal(size=(500, 700))
    vim = fit_vim(rows, np.abs(rng.normal(size=(500, 4))))
    assert vim.basis.shape == (700, 125)
    assert np.isfinite(vim.scale)


def test_vim_refuses_too_few_photos_and_broken_rows() -> None:
    rows, logits = _embeddings(6, 499)
    with pytest.raises(CalibrationError, match="500"):
        fit_vim(rows, logits)
    rows, logits = _embeddings(6, 600)
    with pytest.raises(CalibrationError):
        fit_vim(rows, -logits)
    with pytest.raises(CalibrationError):
        fit_vim(rows, logits).score(rows[:, :10], logits)
    with pytest.raises(CalibrationError):
        p_values([], [0.1])


def test_a_quality_limit_is_set_where_blur_hurts_and_only_there() -> None:
    rng = np.random.default_rng(7)
    sharpness = rng.gamma(3, 50, 3000)
    blurred = sharpness < np.quantile(sharpness, 0.05)
    correct = rng.random(3000) < np.where(blurred, 0.4, 0.9)
    found = fit_quality_limit("sharpness", sharpness, correct)
    assert found.limit == pytest.approx(np.quantile(sharpness, 0.05), rel=0.5)
    assert found.error_beyond > 2 * found.error_within
    assert (~found.is_usable(sharpness)).sum() == found.n_beyond
    harmless = [
        fit_quality_limit("sharpness", rng.random(1000), rng.random(1000) < 0.9).limit is not None for _ in range(200)
    ]
    assert np.mean(harmless) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 200)
    none = fit_quality_limit("sharpness", [1.0, 2.0], [1, 0])
    assert none.is_usable([0.0]).all()
    for limit in (found, none):
        again = QualityLimit.from_dict(json.loads(json.dumps(limit.to_dict(), allow_nan=False)))
        assert again.to_dict() == limit.to_dict()


def test_a_high_side_limit_cuts_the_high_end() -> None:
    rng = np.random.default_rng(8)
    brightness = rng.random(2000)
    correct = rng.random(2000) < np.where(brightness > 0.92, 0.3, 0.95)
    found = fit_quality_limit("brightness", brightness, correct, side="high")
    assert found.limit is not None
    assert found.limit > 0.85
    assert found.is_usable([0.5, 0.999]).tolist() == [True, False]
