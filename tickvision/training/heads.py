"""Heads fitted on frozen features: seconds, convex for complete labels, and the start that fine-tuning must beat."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import cast

import numpy as np
import torch
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from torch import Tensor, nn

from tickvision.training.folds import deal
from tickvision.training.network import Network, Output, cells_loss
from tickvision.training.priors import shifts

Float = NDArray[np.floating]
PENALTIES = (1e-3, 3e-3, 1e-2, 3e-2, 1e-1)
INTERACTION = 4.0  # how much dearer it is to let stage and sex depend on the taxon than not
FOLDS = 3
ITERATIONS = 120
ABSENT = -10.0
SMALL = 1500  # rows
COARSE = 192  # axes on which the penalty is chosen
STILL = 0.02  # of the mean spread of the features; none spreads less among the 1,688 training photographs of the demo


@dataclass(frozen=True)
class Labels:
    """One row a photograph. taxon: (N, T) bool, state: (N, S) bool, weight: (N,) 1 / photographs of the specimen,
    group: (N,) int, photographs that must stay together."""

    taxon: NDArray[np.bool_]
    state: NDArray[np.bool_]
    weight: NDArray[np.float64]
    group: NDArray[np.int64]

    def rows(self, index: NDArray[np.intp]) -> Labels:
        """Return the labels of these rows."""
        return Labels(self.taxon[index], self.state[index], self.weight[index], self.group[index])


class _Linear:
    """Weights of the heads on standardised features: taxon (T), state (S, shared), and state given taxon (T x S)."""

    def __init__(self, width: int, n_taxa: int, n_states: int) -> None:
        self.shape = (n_taxa, n_states)
        self.taxon = torch.zeros(n_taxa, width + 1, requires_grad=True)
        self.state = torch.zeros(n_states, width + 1, requires_grad=True)
        self.cell = torch.zeros(n_taxa * n_states, width + 1, requires_grad=True)

    def parameters(self) -> list[Tensor]:
        return [self.taxon, self.state, self.cell]

    def __call__(self, x: Tensor) -> Output:
        shared = x @ self.state[:, :-1].T + self.state[:, -1]
        own = x @ self.cell[:, :-1].T + self.cell[:, -1]
        taxon = x @ self.taxon[:, :-1].T + self.taxon[:, -1]
        return Output(taxon, own.reshape(-1, *self.shape) + shared[:, None, :], x)

    def in_full(self, basis: Tensor) -> _Linear:
        """Return the heads on features of full width, from those on features in an orthonormal basis (r, D)."""
        full = _Linear(basis.shape[1], *self.shape)
        with torch.no_grad():
            for new, old in zip(full.parameters(), self.parameters(), strict=True):
                new.copy_(torch.cat([old[:, :-1] @ basis, old[:, -1:]], 1))
        return full

    def penalty(self) -> Tensor:
        plain = (self.taxon[:, :-1] ** 2).sum() + (self.state[:, :-1] ** 2).sum()
        return plain + INTERACTION * (self.cell**2).sum()


def fit(
    features: Float, labels: Labels, tau: float, penalty: float | None = None
) -> tuple[_Linear, Float, Float, float]:
    """Return (heads, mean, scale, penalty). The penalty is chosen by grouped cross-validation if it is not given.

    features: (N, D) of training photographs only.
    """
    mean = features.mean(0)
    scale = spread(features)
    x = torch.tensor((features - mean) / scale, dtype=torch.float32)
    with _threads_for(len(x)):
        short = len(x) < x.shape[1]
        basis = principal_axes(x) if short or penalty is None else None
        if penalty is None and basis is not None:
            penalty = _choose(x @ basis[:COARSE].T, labels, tau)
        chosen = PENALTIES[-2] if penalty is None else penalty
        if not short or basis is None:
            return _solve(x, labels, tau, chosen), mean, scale, chosen
        # The best weights lie in the span of the rows, and L-BFGS walks the same way in any orthonormal basis of it.
        return _solve(x @ basis.T, labels, tau, chosen).in_full(basis), mean, scale, chosen


def spread(features: Float) -> Float:
    """Return (D,) standard deviations, inf for a feature that hardly varies here.

    Such a feature teaches nothing, but where another photograph shows it, it would stand at thousands of deviations.
    """
    deviation = features.std(0)
    return np.where(deviation > STILL * deviation.mean(), deviation + 1e-6, np.inf).astype(features.dtype)


def principal_axes(x: Tensor) -> Tensor:
    """Return (r, D) orthonormal rows that span those of x (N, D), by falling variance along them."""
    wide = x.double()
    if len(x) < x.shape[1]:
        power, left = torch.linalg.eigh(wide @ wide.T)
        rows = left.T @ wide / power.clamp_min(1e-300).sqrt()[:, None]
    else:
        power, right = torch.linalg.eigh(wide.T @ wide)
        rows = right.T
    kept: Tensor = rows[power > 1e-9 * power[-1]]
    return kept.flip(0).float()


@contextmanager
def _threads_for(n: int) -> Iterator[None]:
    """Compute a small problem in one thread: on busy cores threads wait for each other longer than they compute."""
    held = torch.get_num_threads()
    torch.set_num_threads(1 if n < SMALL else held)
    try:
        yield
    finally:
        torch.set_num_threads(held)


def _choose(x: Tensor, labels: Labels, tau: float) -> float:
    """Return the penalty with the least cross-validated loss; groups are never torn.

    x: (N, COARSE) the features along their widest axes; along all of them this would take as long as fine-tuning.
    """
    if len(np.unique(labels.group)) < 2 * FOLDS:
        return PENALTIES[-2]
    fold = deal(labels.group, FOLDS, 0)
    cuts = [(np.flatnonzero(fold != k), np.flatnonzero(fold == k)) for k in range(FOLDS)]
    held: list[_Linear | None] = [None] * FOLDS
    best, least = PENALTIES[-1], np.inf
    for penalty in reversed(
        PENALTIES
    ):  # strong to weak: each solution starts the next, and where it gets worse it ends
        loss = 0.0
        for k, (inside, outside) in enumerate(cuts):
            held[k] = fitted = _solve(x[inside], labels.rows(inside), tau, penalty, held[k], iterations=30)
            loss += _loss(fitted, x[outside], labels.rows(outside), labels.rows(inside), tau)
        if loss > least:
            break
        best, least = penalty, loss
    return best


def _objective(x: Tensor, labels: Labels, prior: Labels, tau: float) -> Callable[[_Linear], Tensor]:
    """Return the function that gives the mean loss of heads on x. prior: the labels whose shares shift the logits."""
    taxon_shift, state_shift = shifts(prior.taxon, prior.state, prior.weight, tau)
    taxon, state = torch.from_numpy(labels.taxon), torch.from_numpy(labels.state)
    weight = torch.tensor(labels.weight / labels.weight.sum(), dtype=torch.float32)

    def value(heads: _Linear) -> Tensor:
        out = heads(x)
        adjusted = Output(out.taxon + taxon_shift, out.state + state_shift, out.embedding)
        return (cells_loss(adjusted, taxon, state) * weight).sum()

    return value


def _loss(heads: _Linear, x: Tensor, labels: Labels, prior: Labels, tau: float) -> float:
    with torch.no_grad():
        return float(_objective(x, labels, prior, tau)(heads))


def _solve(
    x: Tensor, labels: Labels, tau: float, penalty: float, start: _Linear | None = None, iterations: int = ITERATIONS
) -> _Linear:
    heads = _Linear(x.shape[1], labels.taxon.shape[1], labels.state.shape[1])
    if start is not None:
        with torch.no_grad():
            for mine, theirs in zip(heads.parameters(), start.parameters(), strict=True):
                mine.copy_(theirs)
    optimizer = torch.optim.LBFGS(
        heads.parameters(),
        max_iter=iterations,
        history_size=10,
        line_search_fn="strong_wolfe",
        tolerance_grad=1e-6,
        tolerance_change=1e-8,
    )

    objective = _objective(x, labels, labels, tau)

    def closure() -> Tensor:
        optimizer.zero_grad()
        value = objective(heads) + penalty * heads.penalty()
        value.backward()  # type: ignore[no-untyped-call]
        return value

    optimizer.step(closure)  # type: ignore[no-untyped-call]
    return heads


def put_into(network: Network, heads: _Linear, mean: Float, scale: Float) -> None:
    """Write fitted heads into the network, the standardisation folded into weights and bias."""
    n_taxa, n_states = heads.shape
    with torch.no_grad():
        state = (heads.cell.reshape(n_taxa, n_states, -1) + heads.state).flatten(0, 1)
        for layer, held in ((network.taxon_head, heads.taxon), (network.state_head, state)):
            weight = held[:, :-1] / torch.tensor(scale, dtype=torch.float32)
            layer.weight.copy_(weight)
            layer.bias.copy_(held[:, -1] - weight @ torch.tensor(mean, dtype=torch.float32))


def fit_attributes(network: Network, features: Float, targets: NDArray[np.int64], weight: NDArray[np.float64]) -> None:
    """Fit each attribute head on the photographs where it is known: the start of fine-tuning.

    targets: (N, A) int, -1 = unknown. A class that no training photograph shows keeps a logit far below the others.
    """
    for k, layer in enumerate(network.attribute_heads):
        head = cast(nn.Linear, layer)
        known = targets[:, k] >= 0
        present = np.unique(targets[known, k])
        with torch.no_grad():
            head.weight.zero_()
            head.bias.fill_(ABSENT)
            head.bias[torch.from_numpy(present)] = 0.0
        if len(present) < 2:
            continue
        mean, scale = features[known].mean(0), spread(features[known])
        fitted = LogisticRegression(C=1 / (2 * PENALTIES[-2] * known.sum()), max_iter=200)
        fitted.fit((features[known] - mean) / scale, targets[known, k], weight[known])
        rows = fitted.coef_ if len(present) > 2 else np.concatenate([-fitted.coef_ / 2, fitted.coef_ / 2])
        bias = (
            fitted.intercept_ if len(present) > 2 else np.concatenate([-fitted.intercept_ / 2, fitted.intercept_ / 2])
        )
        with torch.no_grad():
            head.weight[torch.from_numpy(present)] = torch.tensor(rows / scale, dtype=torch.float32).to(head.weight)
            moved = torch.tensor(bias - rows @ (mean / scale), dtype=torch.float32)
            head.bias[torch.from_numpy(present)] = moved.to(head.bias)
