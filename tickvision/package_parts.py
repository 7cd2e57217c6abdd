"""What a package holds by choice: a smaller network, and training photographs to be shown beside an answer."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from tickvision.data.arrays import open_arrays
from tickvision.deployment.engine import Engine
from tickvision.deployment.opening import build
from tickvision.domain.licences import may_share_derived
from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import DataError
from tickvision.evaluation.policy import Policy
from tickvision.evaluation.probabilities import combine
from tickvision.images.look import best_quality
from tickvision.images.prepare import Prepare

if TYPE_CHECKING:
    import pandas as pd

Precision = Literal["fp32", "fp16", "int8"]
Squares = NDArray[np.uint8]
KEPT_FROM = 0.99  # of the val photographs the same top answer, of the val specimens the same decision
RANGE_PHOTOS = 128
BATCH = 32
THUMBNAIL_PX = 112


@dataclass(frozen=True)
class Scored:
    """Rows of scores.npz of one part beside their pictures: ids (N,) str, quality (N, 4), embedding (N, D)."""

    photo_id: NDArray[np.str_]
    specimen_id: NDArray[np.str_]
    quality: NDArray[np.float32]
    embedding: NDArray[np.float32]
    squares: Callable[[slice], Squares]

    def __len__(self) -> int:
        return len(self.photo_id)


def scored(scores: Path, part: str, photo_id: pd.Series, squares: Squares) -> Scored:
    """Return the rows of one part. photo_id: (M,) of the rows of squares (M, S, S, 3), read from disk as needed.

    Raises DataError if a photograph of the part has no square.
    """
    place = {name: row for row, name in enumerate(photo_id)}
    with open_arrays(scores) as held:
        rows = np.flatnonzero(held["part"] == part)
        ids = held["photo_id"][rows]
        gone = [name for name in ids if name not in place]
        if gone:
            raise DataError(
                f"{scores}: {len(gone):,} photographs of the training are not in the manifest any more, e.g. "
                f"'{gone[0]}'. Train again: tickvision train CONFIG"
            )
        at = np.array([place[name] for name in ids], np.intp)
        return Scored(
            ids,
            held["specimen_id"][rows],
            held["quality"][rows],
            held["embedding"][rows].astype(np.float32),
            lambda some: np.stack([squares[i] for i in at[some]]),
        )


def smaller(
    precision: Precision, model: Path, prepare: Prepare, policy: Policy, taxonomy: Taxonomy, taught: Scored, val: Scored
) -> tuple[Path, dict[str, float], list[str]]:
    """Return (the network to ship, what was measured of the smaller one on val, lines for a person).

    The smaller one is shipped if both shares reach KEPT_FROM, else the network in full precision.
    """
    if precision == "fp32":
        return model, {}, []
    from tickvision.training import onnx_variants

    path = model.with_name(f"model.{precision}.onnx")
    if precision == "fp16":
        onnx_variants.write_fp16(model, path)
    else:
        few = slice(None, None, max(1, len(taught) // RANGE_PHOTOS))
        onnx_variants.write_int8(model, path, taught.squares(few)[:RANGE_PHOTOS], prepare)
    full, small = (Engine(build(network.read_bytes(), os.cpu_count() or 1), prepare) for network in (model, path))
    measured = parity(full, small, policy, taxonomy, val)
    measured["share_of_size"] = path.stat().st_size / model.stat().st_size
    kept = min(measured["same_top"], measured["same_decisions"]) >= KEPT_FROM
    said = (
        f"{precision}, on val: same top answer for {measured['same_top']:.2%} of {measured['photographs']:.0f} "
        "photographs, "
        f"same decision for {measured['same_decisions']:.2%} of {measured['specimens']:.0f} specimens, confidence "
        f"moved by at most {measured['largest_change']:.3f}; {measured['share_of_size']:.0%} of the size. "
    )
    said += (
        "Kept. The promises were certified on the network in full precision."
        if kept
        else f"Not kept (asked: {KEPT_FROM:.0%} of both); the package holds the network in full precision."
    )
    return (path if kept else model), measured | {"kept": float(kept)}, [said]


def parity(one: Engine, other: Engine, policy: Policy, taxonomy: Taxonomy, val: Scored) -> dict[str, float]:
    """Return how far two networks agree on photographs and, after the policy, on specimens."""
    tops, choices = [], []
    ids = combine(val.embedding, val.specimen_id)[1]
    place = {name: i for i, name in enumerate(ids)}
    quality = best_quality(val.quality, np.array([place[i] for i in val.specimen_id]), len(ids))
    for engine in (one, other):
        taxon, state, embedding = _logits(engine, val)
        tops.append(policy.answers(policy.cells(taxon, state), taxonomy, 0)[0])
        flat = combine(state.reshape(len(state), -1), val.specimen_id)[0]
        choices.append(
            policy.decide(
                combine(taxon, val.specimen_id)[0],
                flat.reshape(len(flat), *state.shape[1:]),
                taxonomy,
                quality,
                combine(embedding, val.specimen_id)[0],
            )
        )
    pairs = list(zip(*choices, strict=True))
    same = [(a.rung, a.reason, a.answer) == (b.rung, b.reason, b.answer) for a, b in pairs]
    return {
        "photographs": float(len(val)),
        "specimens": float(len(pairs)),
        "same_top": float((tops[0] == tops[1]).mean()),
        "same_decisions": float(np.mean(same)),
        "largest_change": max(abs(a.confidence - b.confidence) for a, b in pairs),
    }


def _logits(engine: Engine, val: Scored) -> list[NDArray[np.float64]]:
    parts = [engine.logits(val.squares(slice(i, i + BATCH))) for i in range(0, len(val), BATCH)]
    return [np.concatenate(column).astype(np.float64) for column in zip(*parts, strict=True)]


def neighbours(frame: pd.DataFrame, taught: Scored, at_most: int) -> tuple[bytes, list[str]]:
    """Return (neighbours.npz, lines for a person): at most so many training photographs that may be shared, dealt
    evenly over names, stages and sexes. frame: the manifest's rows."""
    from tickvision.deployment.neighbours import COLUMNS, pack

    rows = frame.set_index("photo_id").loc[list(taught.photo_id)].reset_index()
    free = np.array([may_share_derived(spdx) for spdx in rows["spdx"]], bool)
    turn = rows[free].groupby(["scientific_name", "life_stage", "sex"]).cumcount().sort_values(kind="stable")
    chosen = np.sort(turn.index.to_numpy()[:at_most])
    some = rows.loc[chosen].assign(licence=rows["spdx"])
    some["credit"] = some["creator"].where(some["creator"] != "", some["rights_holder"])
    jpegs = [_thumbnail(taught.squares(slice(i, i + 1))[0]) for i in chosen]
    columns = {name: some[name].astype(str).tolist() for name in COLUMNS}
    return pack(taught.embedding[chosen], jpegs, columns), [
        f"{len(chosen):,} of {len(rows):,} training photographs go with the package, to be shown beside an explained "
        f"answer; {int((~free).sum()):,} may not be shared in small."
    ]


def _thumbnail(square: Squares) -> bytes:
    from PIL import Image

    picture = Image.fromarray(square)
    picture.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=82)
    return out.getvalue()
