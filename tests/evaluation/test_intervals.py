"""Intervals against scipy and statsmodels, and the specimen as the unit."""

from __future__ import annotations

import numpy as np
import pytest

from tickvision.errors import MetricError
from tickvision.evaluation.intervals import (
    clopper_pearson,
    clopper_pearson_lower,
    clopper_pearson_upper,
    error_interval,
    macro_recall_interval,
    mean_interval,
    resampled_sums,
    specimen_bootstrap,
    wilson,
)
from tickvision.evaluation.metrics import macro_recall, nll

COUNTS = [(0, 1), (0, 149), (1, 10), (7, 40), (250, 500), (39, 40), (10, 10)]


@pytest.mark.parametrize(("k", "n"), COUNTS)
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_intervals_of_a_share_equal_statsmodels_and_scipy(k: int, n: int, level: float) -> None:
    from scipy.stats import binomtest
    from statsmodels.stats.proportion import proportion_confint

    assert wilson(k, n, level) == pytest.approx(proportion_confint(k, n, 1 - level, "wilson"), abs=1e-9)
    assert clopper_pearson(k, n, level) == pytest.approx(proportion_confint(k, n, 1 - level, "beta"), abs=1e-9)
    less = binomtest(k, n, alternative="less").proportion_ci(level, "exact")
    more = binomtest(k, n, alternative="greater").proportion_ci(level, "exact")
    assert clopper_pearson_upper(k, n, level) == pytest.approx(less.high, abs=1e-9)
    assert clopper_pearson_lower(k, n, level) == pytest.approx(more.low, abs=1e-9)


def test_no_cases_promise_nothing() -> None:
    assert np.isnan(wilson(0, 0)).all()
    assert clopper_pearson(0, 0) == (0.0, 1.0)
    assert clopper_pearson_upper(0, 0) == 1.0


def test_impossible_counts_are_refused() -> None:
    for call in (
        lambda: wilson(3, 2),
        lambda: clopper_pearson(-1, 2),
        lambda: wilson(1, 2, 95),
        lambda: clopper_pearson_upper(1, 2, 0),
    ):
        with pytest.raises(MetricError):
            call()


def _photos(seed: int, specimens: int = 300) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Specimens of 1-6 photos that are right or wrong mostly together."""
    rng = np.random.default_rng(seed)
    specimen = np.repeat(np.arange(specimens), rng.integers(1, 7, specimens))
    target = rng.choice(6, specimens, p=[0.4, 0.3, 0.15, 0.1, 0.05, 0.0])[specimen]
    good = (rng.random(specimens)[specimen] < 0.8) ^ (rng.random(len(specimen)) < 0.05)
    return specimen, target, np.where(good, target, (target + 1) % 6)


def test_the_bootstrap_of_a_mean_matches_the_cluster_robust_standard_error() -> None:
    import statsmodels.api as sm

    specimen, target, pred = _photos(0)
    right = (target == pred).astype(float)
    low, high = specimen_bootstrap(np.mean, specimen, right, reps=3000, seed=1)
    fit = sm.OLS(right, np.ones_like(right)).fit(cov_type="cluster", cov_kwds={"groups": specimen})
    assert (high - low) / 2 == pytest.approx(1.96 * fit.bse[0], rel=0.06)
    naive = 1.96 * right.std() / np.sqrt(len(right))
    assert (high - low) / 2 > 1.3 * naive


def test_the_fast_paths_agree_with_the_general_bootstrap() -> None:
    specimen, target, pred = _photos(1)
    general = specimen_bootstrap(lambda t, p: macro_recall(t, p, 6), specimen, target, pred, reps=4000, seed=2)
    assert macro_recall_interval(target, pred, 6, specimen, reps=4000, seed=3) == pytest.approx(general, abs=0.006)
    wrong = target != pred
    general = specimen_bootstrap(np.mean, specimen, wrong, reps=4000, seed=2)
    assert mean_interval(wrong, specimen, reps=4000, seed=3) == pytest.approx(general, abs=0.006)


def test_grouped_and_one_by_one_resampling_have_the_same_moments() -> None:
    rng = np.random.default_rng(4)
    coarse = rng.integers(0, 3, (500, 2)).astype(float)
    fine = coarse + 1e-9 * rng.random((500, 2))  # all rows distinct: the path that draws one by one
    a, b = resampled_sums(coarse, 4000, 5), resampled_sums(fine, 4000, 6)
    assert np.allclose(a.mean(0), b.mean(0), rtol=0.01)
    assert np.allclose(np.cov(a.T), np.cov(b.T), rtol=0.12, atol=20)


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    truth = 0.8 * 0.95 + 0.2 * 0.05
    inside = 0
    for seed in range(200):
        specimen, target, pred = _photos(seed, 120)
        low, high = mean_interval(target == pred, specimen, reps=400, seed=seed)
        inside += low <= truth <= high
    assert 179 <= inside <= 199  # 95 % of 200, three standard deviations


def test_a_seed_gives_the_same_interval_and_text_ids_work() -> None:
    specimen, target, pred = _photos(2)
    text = np.array([f"tick-{s}" for s in specimen])
    first = specimen_bootstrap(np.mean, specimen, target == pred, reps=50, seed=9)
    assert specimen_bootstrap(np.mean, text, target == pred, reps=50, seed=9) == first
    assert specimen_bootstrap(np.mean, specimen, target == pred, reps=50, seed=10) != first


def test_fewer_than_five_specimens_have_no_interval() -> None:
    specimen = [1, 1, 2, 3, 4]
    assert np.isnan(specimen_bootstrap(np.mean, specimen, [0, 1, 0, 1, 1])).all()
    assert np.isnan(error_interval([0, 1, 0, 1, 1], specimen)).all()
    assert np.isnan(mean_interval([0, 1, 0, 1, 1], specimen)).all()
    assert np.isnan(macro_recall_interval([0, 0, 0, 1, 1], [0, 1, 0, 1, 1], 2, specimen)).all()


def test_no_errors_switch_to_the_exact_interval_on_specimens() -> None:
    specimen = np.repeat(np.arange(40), 3)
    assert specimen_bootstrap(np.mean, specimen, np.zeros(120)) == (0.0, 0.0)  # the collapse
    assert error_interval(np.zeros(120, bool), specimen) == clopper_pearson(0, 40)
    assert error_interval(np.ones(120, bool), specimen) == clopper_pearson(40, 40)


def test_draws_without_a_number_are_left_out_and_infinite_ones_stay() -> None:
    probs = np.tile([[0.9, 0.1]], (30, 1))
    probs[0] = [1.0, 0.0]
    target = np.r_[1, np.zeros(29, int)]
    low, high = specimen_bootstrap(nll, np.arange(30), probs, target, reps=300)
    assert np.isfinite(low)
    assert high == np.inf

    def sometimes(values: np.ndarray) -> float:
        if values.min() > 0:  # the first specimen is missing, as in 36 % of the draws
            raise MetricError("undefined")
        return float(values.mean())

    low, high = specimen_bootstrap(sometimes, np.arange(50), np.linspace(0, 1, 50), reps=200)
    assert 0.3 < low < high < 0.7


def test_missing_ids_torn_specimens_and_lengths_are_refused() -> None:
    for call in (
        lambda: specimen_bootstrap(np.mean, ["a", "", "b"], [1, 2, 3]),
        lambda: specimen_bootstrap(np.mean, ["a", None, "b"], [1, 2, 3]),
        lambda: specimen_bootstrap(np.mean, [1.0, np.nan], [1, 2]),
        lambda: specimen_bootstrap(np.mean, [1, 2], [1, 2, 3]),
        lambda: macro_recall_interval([0, 1, 0, 0, 0, 0], [0] * 6, 2, [1, 1, 2, 3, 4, 5]),
    ):
        with pytest.raises(MetricError):
            call()


def test_a_statistic_that_most_draws_leave_undefined_has_no_interval() -> None:
    specimen = np.arange(40)
    only_one = np.r_[1.0, np.full(39, np.nan)]  # drawn in about 63 % of resamples, and undefined beside any other
    assert np.isnan(specimen_bootstrap(np.mean, specimen, only_one, reps=50)).all()


def test_errors_of_some_photographs_get_the_bootstrap_interval() -> None:
    specimen, target, pred = _photos(3)
    wrong = target != pred
    assert error_interval(wrong, specimen, reps=200, seed=1) == mean_interval(wrong, specimen, reps=200, seed=1)
    # every specimen right, or every one wrong: the exact interval of Clopper and Pearson, by statsmodels
    from statsmodels.stats.proportion import proportion_confint

    for none in (True, False):
        exact = proportion_confint(0 if none else 12, 12, 0.05, "beta")
        assert error_interval(np.full(12, not none), np.arange(12)) == pytest.approx(exact)


@pytest.mark.parametrize(
    ("specimen", "said"),
    [
        ([[1], [2]], "specimen: found shape (2, 1); expected one id per row."),
        (["a", ""], "specimen: 1 of 2 rows have no specimen id"),
        ([1.0, np.nan], "specimen: 1 of 2 rows have no specimen id"),
        (np.array(["a", None], object), "specimen: 1 of 2 rows have no specimen id"),
    ],
)
def test_a_specimen_without_an_id_is_refused(specimen: object, said: str) -> None:
    with pytest.raises(MetricError) as refusal:
        mean_interval([0, 1], specimen)
    assert str(refusal.value).startswith(said)
