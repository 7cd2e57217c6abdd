"""The end of the evaluate stage: the page, its tables and pictures, and the documents that travel with the model."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tickvision.data.arrays import UNREADABLE, open_arrays
from tickvision.whole_files import sha256, write_text
from tickvision.workplace import Paths

if TYPE_CHECKING:
    import pandas as pd

    from tickvision.domain.taxonomy import Taxonomy
    from tickvision.evaluation.policy import Policy

INPUTS = ("manifest", "splits", "scores", "calibration")


def write(
    paths: Paths, figures: dict[str, Any], frame: pd.DataFrame, taxonomy: Taxonomy, policy: Policy, backbone: str
) -> None:
    """Write report.html, tables/, figures/, card.md, card.json, datasheet.md and croissant.json.

    figures: what metrics.json holds. frame: the manifest.
    """
    from tickvision import where_it_looked
    from tickvision.evaluation import card, croissant, report, report_photographs

    thumbnails = report_photographs.thumbnails(frame, report_photographs.photo_ids(figures))
    looked = where_it_looked.overlays(paths.train, backbone, frame, figures)
    report.write_files(figures, paths.output)
    for name, text in card.documents(figures, taxonomy, policy).items():
        write_text(paths.output / name, text)
    described = croissant.describe(figures, frame, paths.manifest, paths.splits)
    write_text(paths.output / "croissant.json", json.dumps(described, indent=1, ensure_ascii=False))
    write_text(paths.report, report.render(figures, thumbnails, looked))


def with_picture_sizes(frame: pd.DataFrame, paths: Paths) -> pd.DataFrame:
    """Return the manifest with short_side_px, the shorter side of each readable photograph, where known."""
    import numpy as np

    try:
        with open_arrays(paths.pictures / "looks.npz") as held:
            shorter = np.minimum(held["width"], held["height"])
            sides = {
                p: str(s) for p, s, ok in zip(held["photo_id"], shorter, held["status"] == "ok", strict=True) if ok
            }
    except UNREADABLE:
        return frame
    return frame.assign(short_side_px=[sides.get(p, "") for p in frame["photo_id"]])


def origin(paths: Paths) -> dict[str, Any]:
    """Return {commit, inputs}: the program's commit and the sha256 of the files that the figures were made from."""
    return {
        "commit": commit(Path(__file__).parents[1]),
        "inputs": {name: sha256(getattr(paths, name)) for name in INPUTS},
    }


def commit(folder: Path) -> str | None:
    """Return the commit checked out in a folder, None if it is no git checkout (an installed wheel is none)."""
    try:
        head = (folder / ".git" / "HEAD").read_text(encoding="utf-8").strip()
        if not head.startswith("ref: "):
            return head
        name = head.removeprefix("ref: ")
        loose = folder / ".git" / name
        if loose.is_file():
            return loose.read_text(encoding="utf-8").strip()
        packed = (folder / ".git" / "packed-refs").read_text(encoding="utf-8").splitlines()
        return next((line.split(" ")[0] for line in packed if line.endswith(f" {name}")), None)
    except OSError:
        return None
