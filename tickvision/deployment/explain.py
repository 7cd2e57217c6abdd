"""Where the network looked: the class-activation map of an answer, laid over the prepared photograph.

With a global mean between the last feature map and a linear head, the logit of a class is the mean over the map of
weights . features + bias (Zhou et al. 2016, equation 2); the map of that sum shows where the logit comes from. It shows
what the network used, not whether that was right.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tickvision.deployment.decision import Decision
from tickvision.deployment.neighbours import Neighbour, Neighbours
from tickvision.deployment.predict import Predictor
from tickvision.deployment.reader import Reader
from tickvision.domain.spreadsheet import guarded, row_writer
from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import ImageError, PackageError
from tickvision.images.decode import SUFFIXES
from tickvision.images.prepare import to_square
from tickvision.whole_files import open_text

Floats = NDArray[np.float32]
SHADE = 0.55  # how much of the picture the colour may hide at most


@dataclass(frozen=True)
class Explanation:
    """jpeg: the photograph with the map of the best taxon. nearest: training photographs, if the package holds any."""

    jpeg: bytes
    nearest: tuple[Neighbour, ...]


class Explainer:
    """Explains decisions. Raises PackageError if the package holds no head weights or no feature map."""

    def __init__(self, predictor: Predictor) -> None:
        if predictor.heads is None or not predictor.engine.explains:
            raise PackageError(
                f"{predictor.package.folder}: holds no feature map or head weights, so nothing can be explained. "
                "Make the package anew: tickvision package CONFIG"
            )
        with np.load(io.BytesIO(predictor.heads), allow_pickle=False) as heads:
            self._weights: Floats = heads["taxon_weight"].astype(np.float32)
            bias: Floats = heads["taxon_bias"].astype(np.float32)
        self._neighbours = Neighbours(predictor.neighbours) if predictor.neighbours is not None else None
        self._predictor = predictor
        self._check_that_the_map_adds_up(bias)

    def _check_that_the_map_adds_up(self, bias: Floats) -> None:
        """Refuse a network that does more than a mean between map and head: its map would not be what it used."""
        side = self._predictor.package.prepare.size_px
        square = np.random.default_rng(0).integers(0, 255, (side, side, 3), np.uint8)
        features = self._predictor.engine.feature_map(square)
        logits = self._predictor.engine.logits(square[None])[0][0]
        if features.shape[0] != self._weights.shape[1] or not np.allclose(
            self._weights @ features.mean((1, 2)) + bias, logits, rtol=1e-2, atol=1e-2
        ):
            raise PackageError(
                f"{self._predictor.package.folder}: this backbone puts more than a mean between its last feature map "
                "and the head, so a class-activation map would not show what it used. Leave out --explain."
            )

    def explain(self, decision: Decision) -> Explanation | None:
        """Return what speaks for the answer in the first usable photograph, None if there is neither."""
        taxa = leading_taxa(decision, self._predictor.package.taxonomy)
        first = next((p for p in decision.photographs if p.status == "ok"), None)
        if not taxa or first is None:
            return None
        with Reader() as reader:
            try:
                photo = reader.photo(first.path, self._predictor.decode_px, first.region)
            except ImageError:
                return None
        square = to_square(photo, self._predictor.package.prepare)
        features = self._predictor.engine.feature_map(square)
        out = io.BytesIO()
        overlay(square, activation(features, self._weights, taxa)).save(out, "JPEG", quality=88)
        return Explanation(out.getvalue(), self._nearest(square))

    def _nearest(self, square: NDArray[np.uint8]) -> tuple[Neighbour, ...]:
        if self._neighbours is None:
            return ()
        return self._neighbours.nearest(self._predictor.engine.logits(square[None])[2][0])


def leading_taxa(decision: Decision, taxonomy: Taxonomy) -> list[int]:
    """Return the class indices that the said name, or the first candidate, stands for."""
    name = decision.scientific_name or (decision.shortlist[0].scientific_name if decision.shortlist else "")
    return [int(i) for i in np.flatnonzero(taxonomy.taxon_mask(name))] if name else []


def activation(features: Floats, weights: Floats, taxa: list[int]) -> Floats:
    """Return the map (H, W) of features (C, H, W) for the mean of some classes against the mean of the others."""
    others = [i for i in range(len(weights)) if i not in taxa]
    direction = weights[taxa].mean(0) - (weights[others].mean(0) if others else 0)
    return np.asarray(np.einsum("c,chw->hw", direction, features), np.float32)


def overlay(square: NDArray[np.uint8], values: Floats) -> Image.Image:
    """Return the square with what speaks for the answer in orange; strongest place = SHADE, negative values bare."""
    strength = np.clip(values, 0, None)
    strength = strength / max(float(strength.max()), 1e-9)
    side = square.shape[0]
    mask = Image.fromarray((strength * 255 * SHADE).astype(np.uint8)).resize((side, side), Image.Resampling.BICUBIC)
    picture = Image.fromarray(square)
    picture.paste(Image.new("RGB", picture.size, (255, 122, 0)), (0, 0), mask)
    return picture


NEAREST = (
    "specimen_id",
    "picture",
    "similarity",
    "photo_id",
    "scientific_name",
    "life_stage",
    "sex",
    "credit",
    "licence",
)


class Folder:
    """Keeps explanations as pictures in a folder, and in nearest.csv who made the training photographs among them."""

    def __init__(self, folder: Path, go_on: bool = False) -> None:
        """go_on: keep what an earlier run left there, and count on from it."""
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        there = folder.glob(f"{'[0-9]' * 6}-*.jpg") if go_on else ()
        self._number = max((int(picture.name[:6]) for picture in there), default=0)

    def keep(self, decision: Decision, explanation: Explanation) -> None:
        """Write the pictures of one decision."""
        self._number += 1
        name = file_name(decision, self._number)
        (self._folder / f"{name}.jpg").write_bytes(explanation.jpeg)
        if not explanation.nearest:
            return
        table = self._folder / "nearest.csv"
        is_new = self._number == 1 or not table.exists()
        with open_text(table, "w" if is_new else "a") as handle:
            write_row = row_writer(handle)
            if is_new:
                write_row(NEAREST)
            for rank, one in enumerate(explanation.nearest, 1):
                picture = f"{name}-nearest-{rank}.jpg"
                (self._folder / picture).write_bytes(one.jpeg)
                row = (one.photo_id, one.scientific_name, one.life_stage, one.sex, one.credit, one.licence)
                write_row(guarded(str(cell)) for cell in (decision.specimen_id, picture, one.similarity, *row))


def file_name(decision: Decision, number: int) -> str:
    """Return a name without suffix for the pictures of the number-th decision, safe on every file system."""
    said = Path(decision.specimen_id)
    stem = said.stem if said.suffix.lower() in SUFFIXES else said.name
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", stem)[-60:].strip(".-")
    return f"{number:06d}-{plain or 'specimen'}"
