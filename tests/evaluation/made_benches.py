"""Made-up benches of specimens, and the rule of a certificate written out by another hand."""

from __future__ import annotations

import numpy as np
from scipy.special import expit
from scipy.stats import binom

from tickvision.evaluation.abstention import Guard, start_rank


def bench(seed: int, n: int, worst: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Confidence and correctness of n specimens; worst = share confidently wrong whatever the confidence."""
    rng = np.random.default_rng(seed)
    u = rng.normal(2.2, 2.5, n)
    correct = (rng.random(n) < expit(u)) & (rng.random(n) >= worst)
    return expit(1.5 * (u + 0.75 * rng.standard_normal(n))), correct


def ladder_bench(seed: int, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two nested rungs: wrong at the general one is wrong at the specific one."""
    rng = np.random.default_rng(seed)
    u = rng.normal(1.0, 2.5, n)
    draw = rng.random(n)
    correct = np.stack([draw < expit(u), draw < expit(u + 2.5)], axis=1)
    noise = 0.5 * rng.standard_normal((n, 2))
    return expit(u[:, None] + [0, 2.5] + noise), correct, np.ones((n, 2), bool)


def walk_by_hand(
    confidence: np.ndarray, correct: np.ndarray, a: float, d: float, guard: Guard | None = None
) -> float | None:
    """The rule with every cut tested one after another by scipy's binomial."""
    start = start_rank(len(confidence), a, d)
    best = None
    for cut in np.unique(confidence)[::-1]:
        answered = confidence >= cut
        if start is None or answered.sum() < start:
            continue
        if binom.cdf((answered & ~correct).sum(), answered.sum(), a) > d:
            break
        if guard is not None:
            exposed = answered & guard.exposed
            if not exposed.any() or binom.cdf((exposed & guard.missed).sum(), exposed.sum(), guard.max_missed) > d:
                break
        best = float(cut)
    return best
