"""How often each taxon and state stands in the training labels, and the shift of the logits that evens it out."""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from tickvision.training.network import Output


def frequencies(masks: NDArray[np.bool_], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (C,) shares; a label that leaves several classes open counts for each in equal parts, plus one in all."""
    spread = masks / masks.sum(1, keepdims=True)
    counts = (spread * weight[:, None]).sum(0) + 1 / masks.shape[1]
    return np.asarray(counts / counts.sum())


def adjust(output: Output, taxon_shift: Tensor, state_shift: Tensor) -> Output:
    """Return the logits with tau * log(prior) added, for the loss only (Menon et al. 2021, logit adjustment)."""
    return Output(output.taxon + taxon_shift, output.state + state_shift, output.embedding)


def shifts(
    taxon_masks: NDArray[np.bool_], state_masks: NDArray[np.bool_], weight: NDArray[np.float64], tau: float
) -> tuple[Tensor, Tensor]:
    """Return (taxon shift (T,), state shift (S,)) = tau * log of the shares."""
    return (
        torch.tensor(tau * np.log(frequencies(taxon_masks, weight)), dtype=torch.float32),
        torch.tensor(tau * np.log(frequencies(state_masks, weight)), dtype=torch.float32),
    )
