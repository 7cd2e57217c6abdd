from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

pytest.importorskip("optuna")

from tickvision.config import TrainConfig
from tickvision.errors import TrainingError
from tickvision.training.recipe import Recipe
from tickvision.training.search import SPACE, search

PLAIN = TrainConfig().model_dump(include={f.name for f in fields(Recipe)} - {"seed"})


def score(recipe: Recipe, number: int) -> float:
    return -abs(recipe.layer_decay - 0.8) - abs(recipe.frozen_stages - 3)


def test_the_first_trial_is_the_recipe_and_later_ones_stay_in_the_stated_space(tmp_path: Path) -> None:
    tried: list[Recipe] = []
    recipe = Recipe(**PLAIN, seed=0)
    found = search(recipe, tmp_path / "study.db", 5, lambda r, n: tried.append(r) or score(r, n))
    assert tried[0] == recipe
    for other in tried:
        for key, allowed in SPACE.items():
            value = getattr(other, key)
            assert value in allowed if isinstance(allowed, list) else allowed[0] <= value <= allowed[1]
    assert found.trials == 5
    assert found.first == pytest.approx(score(recipe, 0))
    assert found.value == pytest.approx(max(score(r, 0) for r in tried))


def test_a_stopped_search_goes_on_with_the_trials_that_are_missing(tmp_path: Path) -> None:
    recipe, tried = Recipe(**PLAIN, seed=0), []

    def stop(r: Recipe, number: int) -> float:
        if number == 2:
            raise KeyboardInterrupt
        tried.append(r)
        return score(r, number)

    with pytest.raises(KeyboardInterrupt):
        search(recipe, tmp_path / "study.db", 4, stop)
    found = search(recipe, tmp_path / "study.db", 4, lambda r, n: tried.append(r) or score(r, n))
    assert found.trials == 4
    assert len(tried) == 4
    assert len({r.backbone_learning_rate for r in tried}) == 4


def test_a_recipe_outside_the_space_is_tried_as_given(tmp_path: Path) -> None:
    tried: list[Recipe] = []
    recipe = Recipe(**PLAIN | {"batch_size": 24, "frozen_stages": 5, "weight_decay": 0.0}, seed=0)
    found = search(recipe, tmp_path / "study.db", 3, lambda r, n: tried.append(r) or float(n == 0))
    assert tried[0] == recipe
    assert tried[1].batch_size in SPACE["batch_size"]
    assert found.first == found.value == 1.0
    assert found.settings == {k: getattr(recipe, k) for k in SPACE}


def test_a_trial_whose_training_fails_does_not_end_the_search(tmp_path: Path) -> None:
    def diverge(r: Recipe, number: int) -> float:
        if number in wrong:
            raise TrainingError("the loss is not a number")
        return 0.5

    wrong = [0]
    with pytest.raises(TrainingError, match="not a number"):  # what is given must go through
        search(Recipe(**PLAIN, seed=0), tmp_path / "study.db", 3, diverge)
    wrong = [2, 3]
    found = search(Recipe(**PLAIN, seed=0), tmp_path / "study.db", 4, diverge)
    assert (found.trials, found.first, found.value) == (4, 0.5, 0.5)
