"""How often each taxon and state stands in the training labels, and the shift of the logits that evens it out."""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from tickvision.training.network import Output
from tickvision.training.recipe import LongTail

BETA = 0.999


def frequencies(masks: NDArray[np.bool_], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (C,) shares; a label that leaves several classes open counts for each in equal parts, plus one in all."""
    spread = masks / masks.sum(1, keepdims=True)
    counts = (spread * weight[:, None]).sum(0) + 1 / masks.shape[1]
    return np.asarray(counts / counts.sum())


def adjust(output: Output, taxon_shift: Tensor, state_shift: Tensor) -> Output:
    """Return the logits with tau * log(prior) added, for the loss only (Menon et al. 2021, logit adjustment)."""
    return Output(output.taxon + taxon_shift, output.state + state_shift, output.embedding, output.attributes)


def shifts(
    taxon_masks: NDArray[np.bool_], state_masks: NDArray[np.bool_], weight: NDArray[np.float64], tau: float
) -> tuple[Tensor, Tensor]:
    """Return (taxon shift (T,), state shift (S,)) = tau * log of the shares."""
    return (
        torch.tensor(tau * np.log(frequencies(taxon_masks, weight)), dtype=torch.float32),
        torch.tensor(tau * np.log(frequencies(state_masks, weight)), dtype=torch.float32),
    )


def importance(
    taxon_masks: NDArray[np.bool_], state_masks: NDArray[np.bool_], weight: NDArray[np.float64], long_tail: LongTail
) -> NDArray[np.float64]:
    """Return (N,) how much each photograph counts in the loss, or (square_root_sampling) how often it is drawn.

    Mean 1 over the specimens. weight: 1 / photographs of the specimen. Sources: inverse frequency (common practice);
    effective number of samples, Cui et al. 2019, equation 2, beta = 0.999.
    """
    if long_tail in ("logit_adjustment", "none"):
        return np.ones(len(weight))
    size = weight.sum()
    rarity = np.ones(len(weight))
    for masks in (taxon_masks, state_masks):
        share = frequencies(masks, weight)
        own = masks @ share / masks.sum(1)  # a label that leaves several classes open: their mean share
        if long_tail == "class_weights":
            rarity /= own
        elif long_tail == "effective_number":
            rarity /= 1 - BETA ** (own * size)
        else:
            rarity /= np.sqrt(own)
    return np.asarray(rarity * size / (rarity * weight).sum())
