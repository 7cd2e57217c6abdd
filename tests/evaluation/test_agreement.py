"""Agreement between people."""

from __future__ import annotations

import numpy as np
import pytest

from tickvision.errors import MetricError
from tickvision.evaluation.agreement import (
    EXPERTS_FROM_PHOTOGRAPHS,
    class_agreement,
    cohen,
    cohen_estimate,
    krippendorff,
    raw_agreement,
    with_interval,
)
from tickvision.evaluation.intervals import clopper_pearson


def _raters(seed: int, n: int = 200, raters: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    truth = rng.choice(4, n, p=[0.6, 0.25, 0.1, 0.05])
    return np.stack([np.where(rng.random(n) < 0.85, truth, rng.integers(0, 4, n)) for _ in range(raters)])


def test_cohen_equals_statsmodels_and_scikit_learn() -> None:
    from sklearn.metrics import cohen_kappa_score
    from statsmodels.stats.inter_rater import cohens_kappa, to_table

    a, b, _ = _raters(0)
    assert cohen(a, b, 4) == pytest.approx(cohens_kappa(to_table(np.c_[a, b])[0]).kappa, abs=1e-9)
    assert cohen(a, b, 4) == pytest.approx(cohen_kappa_score(a, b), abs=1e-9)


def test_krippendorff_equals_the_fleiss_kappa_of_statsmodels_up_to_its_small_sample_factor() -> None:
    from statsmodels.stats.inter_rater import aggregate_raters, fleiss_kappa

    ratings = _raters(1)
    kappa = fleiss_kappa(aggregate_raters(ratings.T)[0], method="fleiss")
    n = ratings.size  # alpha draws pairs without replacement: (1 - alpha) = (1 - kappa) (n - 1) / n
    assert krippendorff(ratings, 4) == pytest.approx(1 - (1 - kappa) * (n - 1) / n, abs=1e-12)


def test_krippendorff_of_the_worked_example_with_missing_ratings() -> None:
    # Krippendorff 2011, section C: 4 observers, 12 units, alpha = .743 (table from memory).
    x = 0
    ratings = np.array(
        [
            [1, 2, 3, 3, 2, 1, 4, 1, 2, x, x, x],
            [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, x, 3],
            [x, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, x],
            [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, x],
        ]
    )
    assert krippendorff(ratings - 1, 5) == pytest.approx(0.743, abs=5e-4)


def test_class_agreement_is_the_f1_of_one_rater_against_the_other() -> None:
    from sklearn.metrics import f1_score

    a, b, _ = _raters(2)
    assert class_agreement(a, b, 4) == pytest.approx(f1_score(a, b, average=None, labels=range(4)), abs=1e-12)
    assert np.isnan(class_agreement(a, b, 5)[4])


def test_specimens_that_one_rater_left_out_are_left_out() -> None:
    a, b = np.array([0, 1, -1, 1]), np.array([0, 0, 1, -1])
    assert raw_agreement(a, b, 2) == 0.5
    assert np.isnan(raw_agreement([-1], [0], 2))
    assert np.isnan(krippendorff([[0, -1], [-1, 1]], 2))


def test_agreement_without_variation_is_refused() -> None:
    with pytest.raises(MetricError):
        krippendorff([[1, 1], [1, 1]], 2)
    with pytest.raises(MetricError):
        cohen([1, 1], [1, 1], 2)
    with pytest.raises(MetricError):
        krippendorff([[0, 5]], 2)


def test_kappa_falls_under_skew_while_raw_agreement_does_not() -> None:
    even = np.repeat([0, 1], 500), np.r_[np.zeros(450, int), np.ones(50, int), np.zeros(50, int), np.ones(450, int)]
    skew = np.r_[np.zeros(950, int), np.ones(50, int)], np.r_[np.zeros(900, int), np.ones(50, int), np.zeros(50, int)]
    assert raw_agreement(*even, 2) == raw_agreement(*skew, 2) == 0.9
    assert cohen(*even, 2) == pytest.approx(0.8)
    assert cohen(*skew, 2) < 0


def test_intervals_surround_the_value_and_count_specimens() -> None:
    a, b, c = _raters(3)
    specimen = np.arange(200) // 2
    for statistic, ratings in ((cohen, (a, b)), (raw_agreement, (a, b)), (krippendorff, (a, b, c))):
        found = with_interval(statistic, specimen, *ratings, n_classes=4, reps=300)
        assert found.low < found.value < found.high
        assert found.n == 100


def test_the_interval_of_kappa_is_that_of_drawing_specimens_one_by_one() -> None:
    rng = np.random.default_rng(3)
    a = rng.integers(0, 4, 150)
    b = np.where(rng.random(150) < 0.7, a, rng.integers(0, 4, 150))
    fast, plain = cohen_estimate(a, b, 4), with_interval(cohen, np.arange(150), a, b, n_classes=4)
    assert (fast.value, fast.n) == (plain.value, plain.n)
    # the ends of 2,000 draws each from one distribution; their standard error is about 0.003
    assert (fast.low, fast.high) == pytest.approx((plain.low, plain.high), abs=0.014)
    left_out = cohen_estimate(np.r_[a, -1, 2], np.r_[b, 1, -1], 4)
    assert left_out == fast
    few = cohen_estimate([0, 1, 1, 0], [0, 1, 0, 0], 2)
    assert (few.value, few.n) == (0.5, 4)
    assert np.isnan([few.low, few.high]).all()
    with pytest.raises(MetricError):
        cohen_estimate(np.zeros(12, int), np.zeros(12, int), 1)


def test_the_published_human_figure_is_consistent_with_its_interval() -> None:
    # domain notes 1.3; an exact binomial interval of that width needs 700-1,100 photographs at 96.7 %.
    share, low, high = EXPERTS_FROM_PHOTOGRAPHS[:3]
    widths = [np.ptp(clopper_pearson(round(share * n), n)) for n in (700, 1100)]
    assert widths[1] < high - low < widths[0]
    assert "57(6):1955-1963" in EXPERTS_FROM_PHOTOGRAPHS.source
