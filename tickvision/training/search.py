"""A search over the recipe on val alone, by Optuna; it goes on where it was stopped. Test is never looked at.

Optuna (MIT): its sampler and its study file in SQLite are what a search of our own would have to be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tickvision.errors import TrainingError
from tickvision.training.recipe import Recipe

# What is tried; printed by `train --trials`.
SPACE = {
    "backbone_learning_rate": (1e-4, 2e-3),  # on a logarithm
    "head_learning_rate": (3e-4, 5e-3),  # on a logarithm
    "weight_decay": (1e-3, 1e-1),  # on a logarithm
    "layer_decay": (0.6, 1.0),
    "frozen_stages": (0, 4),
    "ema_decay": [0.9, 0.95, 0.98],
    "batch_size": [16, 32, 64],
}
GIVEN = "given"  # mark of the trial that is the recipe as given
_BY_LOGARITHM = ("backbone_learning_rate", "head_learning_rate", "weight_decay")


@dataclass(frozen=True)
class Found:
    """The best of all trials so far. settings: what to put under [train]."""

    trials: int
    value: float
    first: float
    settings: dict[str, Any]


def search(recipe: Recipe, study_file: Path, trials: int, score: Callable[[Recipe, int], float]) -> Found:
    """Bring the study up to `trials` finished trials and return the best. The first trial is the recipe as given.

    score(recipe, number) -> val macro recall. A stopped search goes on with the trials that are missing. A later trial
    whose training fails, as rates near the end of the space may make it, counts as 0.0; TrainingError of the first.
    """
    try:
        import optuna
    except ImportError:
        raise TrainingError("--trials needs the package optuna. Run: pip install 'tickvision[search]'") from None

    optuna.logging.set_verbosity(optuna.logging.WARNING)
    study_file.parent.mkdir(parents=True, exist_ok=True)
    storage = optuna.storages.RDBStorage(f"sqlite:///{study_file}")
    try:
        return _search(recipe, storage, trials, score)
    finally:
        storage.remove_session()
        storage.engine.dispose()  # closes the study file, of which Python 3.13 warns where it is left open


def _search(recipe: Recipe, storage: Any, trials: int, score: Callable[[Recipe, int], float]) -> Found:
    import optuna
    from optuna.trial import TrialState

    study = optuna.create_study(storage=storage, study_name="train", direction="maximize", load_if_exists=True)
    done = len(study.get_trials(states=[TrialState.COMPLETE]))
    study.sampler = optuna.samplers.TPESampler(seed=recipe.seed + done)  # a new start must not repeat old draws
    if done == 0:
        given = {k: getattr(recipe, k) for k in SPACE}
        study.enqueue_trial({k: v for k, v in given.items() if _inside(k, v)}, user_attrs={GIVEN: given})

    def attempt(trial: Any) -> float:
        """Return what the trial scores; of the first as given, though the study can note only what its space holds."""
        tried = replace(recipe, **(_suggest(trial) | trial.user_attrs.get(GIVEN, {})))
        try:
            return score(tried, trial.number)
        except TrainingError:
            if not study.get_trials(deepcopy=False, states=[TrialState.COMPLETE]):
                raise
            return 0.0

    study.optimize(attempt, n_trials=max(0, trials - done))
    complete = study.get_trials(states=[TrialState.COMPLETE])
    best = study.best_trial.params | study.best_trial.user_attrs.get(GIVEN, {})
    return Found(len(complete), float(study.best_value), float(complete[0].value or 0.0), best)


def _inside(key: str, value: float) -> bool:
    allowed = SPACE[key]
    return value in allowed if isinstance(allowed, list) else allowed[0] <= value <= allowed[1]


def _suggest(trial: Any) -> dict[str, Any]:
    chosen: dict[str, Any] = {}
    for key, allowed in SPACE.items():
        if isinstance(allowed, list):
            chosen[key] = trial.suggest_categorical(key, allowed)
        elif isinstance(allowed[0], int):
            chosen[key] = trial.suggest_int(key, *allowed)
        else:
            chosen[key] = trial.suggest_float(key, *allowed, log=key in _BY_LOGARITHM)
    return chosen
