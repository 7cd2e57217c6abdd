"""A training that cannot teach says so before the first step."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import torch

from tickvision.config import TrainConfig
from tickvision.domain.taxonomies import flat_taxonomy
from tickvision.errors import TrainingError
from tickvision.images.prepare import Prepare
from tickvision.training import attributes, machine, session
from tickvision.training.heads import Labels
from tickvision.training.loop import _Losses
from tickvision.training.recipe import Recipe

TWO = flat_taxonomy([("a", "", ""), ("b", "", "")])
ONE = flat_taxonomy([("a", "", "")])


def photographs(train: int = 12, val: int = 4, groups: int = 12) -> session.Photographs:
    n = train + val
    ids, numbers = np.array([f"s{i}" for i in range(n)]), np.arange(n)
    labels = Labels(np.ones((n, 2), bool), np.ones((n, 1), bool), np.ones(n), numbers % groups)
    part = np.array(["train"] * train + ["val"] * val)
    squares = np.zeros((n, 32, 32, 3), np.uint8)
    return session.Photographs(
        squares, ids, ids, ids, part, numbers, labels, np.zeros((n, 4), np.float32), np.zeros((n, 0), np.int64), ()
    )


@pytest.mark.parametrize(
    ("photos", "settings", "taxonomy", "message"),
    [
        (photographs(train=7), {}, TWO, "the train part has 7 specimens with readable photographs; at least 8"),
        (photographs(), {"folds": 1}, TWO, "folds = 1 leaves nothing to learn from"),
        (photographs(groups=5), {"folds": 3}, TWO, "folds = 3 needs 6 groups to train on; 5 found"),
        (photographs(val=0), {}, TWO, "the val part has too few readable photographs"),
        (photographs(), {}, ONE, r"only one class is labelled \('a'\): there is nothing to tell apart"),
    ],
)
def test_too_little_to_learn_from_is_said(
    tmp_path: Path, photos: session.Photographs, settings: dict[str, Any], taxonomy: Any, message: str
) -> None:
    plain = TrainConfig().model_dump(include={f.name for f in fields(Recipe)} - {"seed"})
    recipe = Recipe(**plain | settings, seed=0)
    cpu = machine.Machine(torch.device("cpu"))
    with pytest.raises(TrainingError, match=message):
        session.train(photos, taxonomy, Prepare(32), recipe, cpu, tmp_path, tmp_path / "f", lambda _: None, print)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("values", "count"), [(["", "", ""], 0), (["fed", "", "fed"], 1)])
def test_an_attribute_that_tells_nothing_apart_is_named(values: list[str], count: int) -> None:
    with pytest.raises(TrainingError, match=rf"the column 'feeding' names {count} class\(es\); 2 are needed"):
        attributes.targets(pd.DataFrame({"feeding": values}), ("feeding",))


@pytest.mark.skipif(torch.cuda.is_available(), reason="a card is here")
def test_a_card_that_is_not_there_is_named_with_what_to_set() -> None:
    with (
        pytest.raises(TrainingError, match=r"torch finds no CUDA card\. Use 'auto' or 'cpu'"),
        machine.join("cuda", "auto"),
    ):
        pass


def test_a_loss_that_is_no_number_stops_at_its_step() -> None:
    losses = _Losses(3, machine.Machine(torch.device("cpu")))
    losses.add(torch.tensor(2.0), 4)
    assert losses.last == 0.5
    with pytest.raises(TrainingError, match="not a number at epoch 3, step 2; lower the learning rates"):
        losses.add(torch.tensor(float("nan")), 4)
