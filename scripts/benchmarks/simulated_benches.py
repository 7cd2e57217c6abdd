"""The benches that the benchmarks draw (invented numbers), the truth about them, and the rules beside ours.

Latent model (simulation of threshold rules, project statistics notes): u ~ N(m, 2.5^2), P(right | u) = (1 - floor)
sigmoid(u), confidence = sigmoid(1.5 (u + 0.75 noise)); m is solved for the overall error; photos of one specimen share
a part of u, of the noise and of the draw (Gaussian copula), and the floor (confidently wrong) hits whole specimens.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize
from scipy.special import expit, ndtr
from scipy.stats import binom

from tickvision.evaluation.abstention import combine
from tickvision.evaluation.probabilities import softmax

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
SD, NOISE = 2.5, 0.75
FAILURE_RATE, MOST_SPECIMENS = 0.05, 3000


class Source(NamedTuple):
    """Where photos come from: dependence within specimens, confidently wrong share, overall error."""

    error: float
    floor: float = 0.005
    share: float = 0.0
    copula: float = 0.0
    clustered: bool = False

    @property
    def centre(self) -> float:
        x, w = np.polynomial.hermite_e.hermegauss(80)
        w = w / w.sum()
        return float(
            optimize.brentq(lambda m: 1 - (1 - self.floor) * (w * expit(m + SD * x)).sum() - self.error, -20, 40)
        )


def photos(rng: np.random.Generator, n: int, source: Source, m: float) -> tuple[Floats, Bools, Ints]:
    """Return confidence, wrong and specimen of n photos of whole specimens."""
    specimen = np.arange(n)
    if source.clustered:
        specimen = np.repeat(np.arange(int(n / 3.5 * 1.3) + 40), rng.integers(1, 7, int(n / 3.5 * 1.3) + 40))[:n]
    n, k = len(specimen), int(specimen[-1]) + 1

    def mix(share: float) -> Floats:
        own = np.sqrt(1 - share) * rng.standard_normal(n)
        return np.sqrt(share) * rng.standard_normal(k)[specimen] + own if share else own

    u = m + SD * mix(source.share)
    confidence = expit(1.5 * (u + NOISE * mix(source.share)))
    flipped = (rng.random(k) < source.floor)[specimen]
    draw = ndtr(mix(source.copula)) if source.copula else rng.random(n)
    return confidence, flipped | (draw > expit(u)), specimen


def specimens(confidence: Floats, wrong: Bools, specimen: Ints) -> tuple[Floats, Bools]:
    """Return confidence and correctness per specimen from the mean of its photos' logits.

    Three classes: the truth, the look-alike that all wrong photos of a specimen point to, any other. The confidence is
    moved to 1/3..1, which keeps its order, so that it is a softmax maximum.
    """
    top = 1 / 3 + 2 / 3 * confidence
    value = np.log(top / (1 - top) + 1e-300) + np.log(2)
    logits = np.zeros((len(top), 3))
    logits[np.arange(len(top)), wrong.astype(int)] = np.minimum(value, 40)
    probs = softmax(combine(logits, specimen)[0])
    return probs.max(axis=1), probs.argmax(axis=1) == 0


class Population:
    """The truth: error and share answered at any threshold."""

    def __init__(self, confidence: Floats, correct: Bools) -> None:
        order = np.argsort(-confidence)
        self.ranked = -confidence[order]
        self.wrong = np.cumsum(~correct[order])

    def at(self, threshold: float | None) -> tuple[float, float]:
        """Return (coverage, error among the answered)."""
        if threshold is None:
            return 0.0, 0.0
        z = int(np.searchsorted(self.ranked, -threshold, side="right"))
        return (z / len(self.ranked), float(self.wrong[z - 1] / z)) if z else (0.0, 0.0)


def ladder_draw(rng: np.random.Generator, n: int, m: float) -> tuple[Floats, Bools, Bools]:
    """Four nested rungs: sex (adults only), species (not where a cap forbids it), genus + stage, genus."""
    u = m + SD * rng.standard_normal(n)
    shift = np.array([-1.0, 0.0, 1.5, 2.5])
    right = (rng.random(n)[:, None] < expit(u[:, None] + shift)) & (rng.random(n) >= 0.005)[:, None]
    noise = NOISE * (0.8 * rng.standard_normal((n, 1)) + 0.6 * rng.standard_normal((n, 4)))
    offered = np.ones((n, 4), dtype=np.bool_)
    offered[:, 1] = rng.random(n) >= 0.15
    offered[:, 0] = offered[:, 1] & (rng.random(n) < 0.6)
    return expit(1.5 * (u[:, None] + shift + noise)), right, offered


class LadderPopulation:
    """The truth about a ladder: what each rung would answer of what the rungs above left."""

    def __init__(self, confidence: Floats, right: Bools, offered: Bools) -> None:
        self.confidence = np.ascontiguousarray(np.where(offered, confidence, -1).T.astype(np.float32))
        self.wrong = np.ascontiguousarray(~right.T)

    def walk_down(self, thresholds: list[float | None], target: float) -> tuple[float, bool]:
        """Return the share answered at any rung and whether some rung's error exceeds the target."""
        left, broken = np.ones(self.wrong.shape[1], dtype=np.bool_), False
        for confidence, wrong, threshold in zip(self.confidence, self.wrong, thresholds, strict=True):
            if threshold is None:
                continue
            answered = left & (confidence >= np.float32(threshold))
            broken |= bool(np.count_nonzero(answered & wrong) > target * np.count_nonzero(answered))
            left &= ~answered
        return 1 - np.count_nonzero(left) / len(left), broken


def plain_rules(confidence: Floats, correct: Bools, target: float) -> Iterator[tuple[str, float | None]]:
    """Yield the rules that promise nothing here: observed error <= target, and conformal risk control's."""
    order = np.argsort(-confidence)
    wrong, z = np.cumsum(~correct[order]), np.arange(1, len(order) + 1)
    n = len(order)
    for name, fine in (("naive", wrong <= target * z), ("CRC joint loss", (wrong + 1) / (n + 1) <= target)):
        last = np.flatnonzero(fine)
        yield name, float(confidence[order[last[-1]]]) if len(last) else None


@lru_cache
def most_errors(target: float) -> Ints:
    """Return, for z = 0 .. 3,000 answered, the most errors that still pass; -1 = none."""
    z = np.arange(MOST_SPECIMENS + 1)
    k = binom.ppf(FAILURE_RATE, z, target).astype(np.int64)
    return np.where(binom.cdf(k, z, target) <= FAILURE_RATE, k, k - 1)


def written_out(confidence: Floats, correct: Bools, target: float) -> float | None:
    """Return the threshold of "LTT, start max(k2, n/4)" as the notes' simulation states it, no ties assumed."""
    n, most = len(confidence), most_errors(target)
    two, none = (int(np.argmax(most >= k)) for k in (2, 0))
    start = max(two, n // 4) if n >= two else none
    if start > n:
        return None
    order = np.argsort(-confidence)
    failed = np.flatnonzero(np.cumsum(~correct[order])[start - 1 :] > most[start : n + 1])
    z = start + int(failed[0]) - 1 if len(failed) else n
    return float(confidence[order[z - 1]]) if z >= start else None
