"""What several stages read of a job: its rows, pictures, features, duplicates, classes and audit."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from tickvision import __version__
from tickvision.config import Config
from tickvision.errors import DataError
from tickvision.progress import Progress
from tickvision.whole_files import write_text
from tickvision.workplace import Paths

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from tickvision.data.pictures import Pictures
    from tickvision.domain.taxonomy import Taxonomy
    from tickvision.images.prepare import Prepare
    from tickvision.training.recipe import Recipe


def usable_rows(config: Config, paths: Paths) -> tuple[pd.DataFrame, Taxonomy]:
    """Return the usable rows and the taxonomy; rows whose label is not in the taxonomy are left out."""
    from tickvision.data import manifest

    everything = manifest.read(paths.manifest)
    taxonomy = taxonomy_of(config, everything)
    frame = manifest.usable(everything)
    return frame[manifest.misfits(frame, taxonomy) == ""].reset_index(drop=True), taxonomy


def taxonomy_of(config: Config, frame: pd.DataFrame) -> Taxonomy:
    """Return the taxonomy that the config asks for, of the manifest's rows."""
    from tickvision.data import manifest

    tax = config.taxonomy
    return manifest.build_taxonomy(tax.kind, frame, tax.taxa, tax.non_target, tax.table, tax.stages)


def prepare_of(config: Config) -> Prepare:
    """Return how the config wants pictures prepared."""
    from tickvision.images.prepare import Prepare

    return Prepare(config.picture.size_px, config.picture.fit)


def recipe_of(config: Config) -> Recipe:
    """Return how the config wants the network trained."""
    from dataclasses import fields

    from tickvision.training.recipe import Recipe

    names = {f.name for f in fields(Recipe)} - {"seed"}
    return Recipe(**config.train.model_dump(include=names), seed=config.seed)


def decoded(config: Config, paths: Paths, frame: pd.DataFrame, progress: Progress) -> Pictures:
    """Return the prepared pictures of the frame's rows; what was decoded before is read from disk."""
    from tickvision.data import pictures

    return pictures.build(
        frame,
        paths.pictures,
        prepare_of(config),
        config.train.workers,
        lambda done, total, failed: progress.tick("decoding photographs", done, total, failed),
    )


def looked_at(config: Config, paths: Paths, pictures: Pictures, progress: Progress) -> NDArray[np.float32] | None:
    """Return the principal features of the frozen backbone, NaN where a picture has none; None if no picture is left.

    What training starts from is made here if a picture has none on file yet; train then finds it there.
    """
    import numpy as np

    from tickvision.data import mislabels

    if not pictures.readable.any():
        return None
    sha256 = pictures.looks["sha256"].to_numpy(str)
    held = mislabels.read_features((paths.features,), sha256)
    if held is None or not np.isfinite(held[pictures.readable]).all():
        from tickvision.training import machine, session

        recipe = recipe_of(config)
        with machine.join(recipe.device, recipe.precision) as team:
            session.look(
                pictures.squares,
                sha256,
                prepare_of(config),
                recipe,
                team,
                paths.features,
                lambda what, done, of, note: progress.tick(what, done, of, note=note),
            )
        held = mislabels.read_features((paths.features,), sha256)
    return held


def duplicate_pairs(paths: Paths) -> list[tuple[str, str]]:
    """Return the pairs of duplicates that check found."""
    import csv

    if not paths.duplicates.is_file():
        return []
    with paths.duplicates.open(encoding="utf-8", newline="") as handle:
        return [(row[0], row[1]) for row in list(csv.reader(handle))[1:]]


def classes_of(paths: Paths) -> tuple[Taxonomy, Prepare]:
    """Return what the trained network names and how it sees pictures. Raises DataError if none is trained."""
    from tickvision.domain.taxonomy import Taxonomy
    from tickvision.images.prepare import Prepare

    try:
        form = json.loads(paths.classes.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise DataError(f"{paths.classes}: no trained model. Make it with: tickvision train CONFIG") from None
    return Taxonomy.from_json(form["taxonomy"]), Prepare.from_json(form["prepare"])


def read_audit(paths: Paths) -> dict[str, Any]:
    """Return what check, split and train found."""
    return json.loads(paths.audit.read_text(encoding="utf-8")) if paths.audit.is_file() else {}


def update_audit(paths: Paths, told: dict[str, Any]) -> None:
    """Lay what was found over audit.json; what other stages found stays."""
    write_text(paths.audit, json.dumps(read_audit(paths) | told, indent=1))


def made_by() -> str:
    """Return the program's name and version."""
    return f"tickvision {__version__}"
