"""train: heads, fine-tuning and scores; and the search for a recipe."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any

from tickvision.config import Config
from tickvision.errors import DataError, TrainingError
from tickvision.progress import Progress
from tickvision.stages.job import decoded, duplicate_pairs, prepare_of, recipe_of, usable_rows
from tickvision.whole_files import write_text
from tickvision.workplace import Paths

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tickvision.domain.taxonomy import Taxonomy
    from tickvision.training import session
    from tickvision.training.recipe import Recipe


def train(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Fit heads, fine-tune and score; everything lies in the train folder. Return lines for a person."""
    from tickvision.training import machine, session

    recipe = recipe_of(config)
    with machine.join(recipe.device, recipe.precision) as team:
        with team.leader_first():
            photos, taxonomy = photographs(config, paths, progress)
        summary = session.train(
            photos,
            taxonomy,
            prepare_of(config),
            recipe,
            team,
            paths.train,
            paths.features,
            progress.say,
            lambda what, done, of, note: progress.tick(what, done, of, note=note),
        )
    gain = summary["val_macro_recall"] - summary["val_macro_recall_fitted_heads"]
    return [
        f"{_what_is_kept(summary)}: val macro recall {summary['val_macro_recall']:.3f}, {gain:+.3f} against the "
        f"fitted heads. The model lies in {paths.train}, its curves in curves.png, the checkpoint in "
        "checkpoint.safetensors. Next: tickvision calibrate CONFIG",
        *(_attribute_lines(paths, recipe.attributes) if team.leads else ()),
    ]


def _what_is_kept(summary: dict[str, Any]) -> str:
    if not summary["members"]:
        return f"best epoch {summary['best_epoch']} of {summary['epochs_run']}"
    alone = ", ".join(f"{m:.3f}" for m in summary["members"])
    kept = "together" if summary["best_epoch"] else "together are not better than the fitted heads, which are kept"
    return f"{len(summary['members'])} networks (each alone {alone}) {kept}"


def _attribute_lines(paths: Paths, names: tuple[str, ...]) -> list[str]:
    """Judge the attribute heads on test, write train/attributes.json, and return a line for each."""
    figures = {name: _attribute_figures(paths, name) for name in names}
    if figures:
        write_text(paths.train / "attributes.json", json.dumps(figures, indent=1))
    lines = []
    for name, told in figures.items():
        if told["macro_recall"] is None:
            lines.append(f"{name}: no test photograph is labelled, so its head is not judged; no part of any promise")
            continue
        low, high = told["interval"]
        spread = "too few for an interval" if low is None else f"{low:.3f}-{high:.3f}"
        lines.append(
            f"{name}: macro recall {told['macro_recall']:.3f} ({spread}) on {told['test_photographs']:,} test "
            "photographs; no part of any promise"
        )
    return lines


def _attribute_figures(paths: Paths, name: str) -> dict[str, Any]:
    """Return what an attribute's head is right for on test; None where there is nothing to judge by."""
    import numpy as np

    from tickvision.data.arrays import open_arrays
    from tickvision.evaluation.intervals import specimen_bootstrap
    from tickvision.evaluation.metrics import macro_recall

    with open_arrays(paths.scores) as held:
        target, logits = held[f"attribute_{name}_target"], held[f"attribute_{name}_logits"]
        classes, specimen = held[f"attribute_{name}_classes"].tolist(), held["specimen_id"]
        rows = (held["part"] == "test") & (target >= 0)
    told, said = target[rows], logits[rows].argmax(1)

    def recall(truth: NDArray[np.int64], pred: NDArray[np.int64]) -> float:
        return macro_recall(truth, pred, len(classes))

    value, *interval = (recall(told, said), *specimen_bootstrap(recall, specimen[rows], told, said))
    return {
        "classes": classes,
        "test_photographs": int(rows.sum()),
        "macro_recall": float(value) if np.isfinite(value) else None,
        "interval": [float(v) if np.isfinite(v) else None for v in interval],
    }


def search(config: Config, paths: Paths, progress: Progress, trials: int) -> list[str]:
    """Try recipes until `trials` are finished, judged on val alone; return lines for a person."""
    import shutil

    from tickvision.training import machine, session
    from tickvision.training import search as searching

    folder = paths.output / "search"
    if int(os.environ.get("WORLD_SIZE", "1")) > 1:
        raise TrainingError("--trials runs in one process; start it without torchrun.")
    with machine.join(config.train.device, config.train.precision) as team:
        photos, taxonomy = photographs(config, paths, progress)

        def score(recipe: Recipe, number: int) -> float:
            """Train one recipe in a folder of its own, taken away afterwards; return its val macro recall."""
            work = folder / f"trial_{number}"
            work.mkdir(parents=True, exist_ok=True)
            tell = (lambda _: None, lambda what, done, of, note: progress.tick(f"trial {number}", done, of, note=note))
            prepare = prepare_of(config)
            summary = session.train(photos, taxonomy, prepare, recipe, team, work, paths.features, *tell)
            shutil.rmtree(work)
            value = float(summary["val_macro_recall"])
            progress.say(f"trial {number}: val macro recall {value:.3f}")
            return value

        found = searching.search(recipe_of(config), folder / "study.db", trials, score)
    space = ", ".join(f"{k} {v}" for k, v in searching.SPACE.items())
    chosen = " ".join(f"--set train.{k}={v:.4g}" for k, v in found.settings.items())
    return [
        f"{found.trials} trials over {space}",
        f"best val macro recall {found.value:.3f} (the recipe as given: {found.first:.3f}). The best of many trials is "
        "flattered by the choice; judge it on test once, after training with it.",
        f"Next: tickvision train CONFIG {chosen}",
    ]


def photographs(config: Config, paths: Paths, progress: Progress) -> tuple[session.Photographs, Taxonomy]:
    """Return the readable photographs with their labels and parts. Raises DataError if some are in no part."""
    import numpy as np

    from tickvision.data import splits
    from tickvision.data.manifest import label_masks
    from tickvision.training import attributes, session
    from tickvision.training.batches import Rows
    from tickvision.training.heads import Labels

    paths.train.mkdir(parents=True, exist_ok=True)
    frame, taxonomy = usable_rows(config, paths)
    pictures = decoded(config, paths, frame, progress)
    part_of = splits.read(paths.splits)
    missing = [p for p in frame["photo_id"] if p not in part_of]
    if missing:
        raise DataError(
            f"{paths.splits}: {len(missing):,} photographs are in no part, e.g. '{missing[0]}'. "
            "Run: tickvision split CONFIG"
        )
    parts = np.array([part_of[p] for p in frame["photo_id"]])
    groups = splits.tie_groups(frame, duplicate_pairs(paths))
    splits.check_no_leak(frame, groups, parts)  # check may have found more duplicates since
    rows = np.flatnonzero(pictures.readable)
    kept = frame.iloc[rows]
    taxon, state = label_masks(kept, taxonomy)
    specimen = np.unique(kept["specimen_id"].to_numpy(str), return_inverse=True)[1].astype(np.int64)
    weight = 1 / np.bincount(specimen)[specimen]
    targets, classes = attributes.targets(kept, config.train.attributes)
    photos = session.Photographs(
        Rows(pictures.squares, rows),
        kept["photo_id"].to_numpy(str),
        kept["specimen_id"].to_numpy(str),
        pictures.looks["sha256"].to_numpy(str)[rows],
        parts[rows],
        specimen,
        Labels(taxon, state, weight, groups[rows]),
        pictures.quality[rows],
        targets,
        classes,
        kept["region"].to_numpy(str) != "",
    )
    return photos, taxonomy
