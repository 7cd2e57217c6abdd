"""Which photographs the report shows, and their thumbnails as small JPEGs inside the page."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Answer
from tickvision.errors import ImageError
from tickvision.evaluation.policy import LOW, NO_PROMISE, Policy
from tickvision.evaluation.report_judged import Judged

if TYPE_CHECKING:
    from PIL.Image import Image

_COLUMNS = ("photo_id", "path", "creator", "rights_holder", "spdx", "license_uri")  # of the manifest
SHOWN = 6
THUMBNAIL_PX = 176
QUALITY = 72


def photographs(frame: pd.DataFrame, judged: Judged, probs: NDArray[np.float64], policy: Policy) -> dict[str, Any]:
    """Return the test specimens worth a look: worst mistakes, nearest referred, likely label errors.

    probs: (G, A) of the finest rung's answers. A label is in doubt by confident learning: the model gives another
    answer at least the probability that it gives on average to specimens that bear it (Northcutt et al. 2021).
    """
    rows = _rows(frame, judged)
    doubt = doubtful(probs, judged.truth)
    wrong = np.flatnonzero(judged.wrong)
    worst = wrong[np.argsort(-judged.confidence[wrong], kind="stable")]
    limits = [t for r in range(len(policy.rungs)) if (t := policy.threshold(r)) is not None]
    unsure = np.flatnonzero([r in (LOW, NO_PROMISE) for r in judged.reasons])
    nearest = unsure[np.argsort(-judged.confidence[unsure], kind="stable")]
    shown = set(worst[:SHOWN].tolist())
    rest = [i for i in doubt if i not in shown]

    def entries(numbers: Iterable[int]) -> list[dict[str, Any]]:
        return [_entry(int(i), rows, judged, probs, i in doubt) for i in list(numbers)[:SHOWN]]

    return {
        "mistakes": len(wrong),
        "mistakes_named": int(judged.given_wrong.sum()),
        "worst": entries(worst),
        "referred": int((~judged.named).sum()),
        "unsure": len(unsure),
        "lowest_threshold": min(limits) if limits else None,
        "nearest": entries(nearest),
        "doubtful": len(doubt),
        "doubtful_above": len(doubt) - len(rest),
        "labels": entries(rest),
    }


def doubtful(probs: NDArray[np.float64], truth: NDArray[np.int64]) -> list[int]:
    """Return the rows whose label is in doubt, least believed first. probs: (N, K); truth: (N,), -1 is left out."""
    known = np.flatnonzero(truth >= 0)
    mean = np.full(probs.shape[1], np.inf)
    for c in np.unique(truth[known]):
        mean[c] = probs[known[truth[known] == c], c].mean()
    best = np.where(probs >= mean, probs, -1.0).argmax(1) if len(probs) else np.zeros(0, int)
    passed = [int(i) for i in known if probs[i, best[i]] >= mean[best[i]] and best[i] != truth[i]]
    return sorted(passed, key=lambda i: (probs[i, truth[i]] - probs[i, best[i]], i))


def confusion_examples(
    frame: pd.DataFrame, judged: Judged, probs: NDArray[np.float64], at_most: int = 10
) -> dict[str, Any]:
    """Return the most frequent confusions (nothing referred) of the finest rung, each with its surest example."""
    pairs: dict[tuple[int, int], list[int]] = {}
    for i in np.flatnonzero((judged.truth >= 0) & (judged.truth != judged.said)):
        pairs.setdefault((int(judged.truth[i]), int(judged.said[i])), []).append(int(i))
    names = [str(a) for a in judged.answers]

    def rank(pair: tuple[int, int]) -> tuple[Any, ...]:
        return -len(pairs[pair]), -judged.confidence[pairs[pair]].max(), names[pair[0]], names[pair[1]]

    rows, listed = _rows(frame, judged), []
    for true, said in sorted(pairs, key=rank)[:at_most]:
        members = pairs[true, said]
        example = max(members, key=lambda i: (judged.confidence[i], -i))
        listed.append(
            {
                "truth": names[true],
                "named": names[said],
                "named_short": _short(judged.answers[said], judged.answers[true]),
                "count": len(members),
                "n": int((judged.truth == true).sum()),
                "given": int(judged.given_wrong[members].sum()),
                "example": _entry(example, rows, judged, probs, False),
            }
        )
    return {"kinds": len(pairs), "errors": sum(map(len, pairs.values())), "listed": listed}


def _short(said: Answer, beside: Answer) -> str:
    """Return an answer without its name where the other bears the same: "nymph" beside "Ixodes cookei, adult male"."""
    state = " ".join(filter(None, (said.life_stage, said.sex)))
    return state if state and said.scientific_name == beside.scientific_name else str(said)


def _rows(frame: pd.DataFrame, judged: Judged) -> dict[str, Mapping[str, str]]:
    """Return photo_id -> what the manifest says of the photographs that stand for the test specimens."""
    table = frame.loc[frame["photo_id"].isin(set(judged.photo)), list(_COLUMNS)].drop_duplicates("photo_id")
    return {str(r["photo_id"]): {str(k): str(v) for k, v in r.items()} for r in table.to_dict("records")}


def _entry(
    i: int, rows: Mapping[str, Mapping[str, str]], judged: Judged, probs: NDArray[np.float64], in_doubt: bool
) -> dict[str, Any]:
    photo = str(judged.photo[i])
    row = rows.get(photo) or dict.fromkeys(_COLUMNS, "") | {"path": photo}
    given = judged.given[i]
    top = np.argsort(-probs[i], kind="stable")[:3]
    return {
        "photo_id": photo,
        "specimen_id": str(judged.ids[i]),
        "label": judged.labels[i],
        "said": str(judged.answers[judged.said[i]]),
        "confidence": float(judged.confidence[i]),
        "given": None if given is None else str(given),
        "reason": judged.reasons[i],
        "in_doubt": bool(in_doubt),
        "candidates": [{"name": str(judged.answers[a]), "probability": float(probs[i, a])} for a in top],
        **_credit(row),
    }


def shown_entries(figures: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the entries of the photographs that the report shows, in order; one photograph may stand in several."""
    shown = figures.get("photographs") or {}
    entries = [e for part in ("worst", "nearest", "labels") for e in shown.get(part, [])]
    return entries + [c["example"] for c in (figures.get("confusions") or {}).get("listed", [])[:3]]


def credit(frame: pd.DataFrame) -> dict[str, dict[str, str]]:
    """Return photo_id -> file, creator and licence of the photographs of a manifest."""
    return {str(row["photo_id"]): _credit(row) for row in frame[list(_COLUMNS)].to_dict("records")}


def _credit(row: Mapping[Any, Any]) -> dict[str, str]:
    return {
        "file": Path(str(row["path"])).name,
        "creator": str(row["creator"] or row["rights_holder"]),
        "licence": str(row["spdx"]),
        "license_uri": str(row["license_uri"]),
    }


def photo_ids(figures: Mapping[str, Any]) -> list[str]:
    """Return the photographs that the report shows, in order, each once."""
    return list(dict.fromkeys(e["photo_id"] for e in shown_entries(figures)))


def thumbnails(frame: pd.DataFrame, wanted: Iterable[str]) -> dict[str, str]:
    """Return photo_id -> data URI of a small JPEG; photographs that cannot be read are left out.

    frame: the manifest.
    """
    from PIL.Image import fromarray

    from tickvision.data.pictures import parse_region
    from tickvision.images.decode import read_photo

    rows = frame.drop_duplicates("photo_id").set_index("photo_id")[["path", "region"]].to_dict("index")
    found = {}
    for photo in wanted:
        try:
            row = rows[photo]
            pixels = read_photo(Path(row["path"]), THUMBNAIL_PX, parse_region(row["region"])).pixels
        except (KeyError, ImageError):
            continue
        found[photo] = data_uri(fromarray(pixels))
    return found


def data_uri(picture: Image) -> str:
    """Return the picture, shrunk to a thumbnail, as a JPEG inside a URI."""
    small = picture.copy()
    small.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX))
    held = io.BytesIO()
    small.save(held, "JPEG", quality=QUALITY, optimize=True)
    return "data:image/jpeg;base64," + base64.b64encode(held.getvalue()).decode("ascii")
