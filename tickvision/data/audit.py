"""The audit: what in the set cannot be used, stands twice, contradicts itself, or would make later figures a lie."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.data import duplicates, shortcuts
from tickvision.data.headers import head_findings
from tickvision.data.labels import Finding
from tickvision.data.manifest import label_masks
from tickvision.data.memory import Memory
from tickvision.data.pictures import Pictures
from tickvision.data.splits import most_telling
from tickvision.domain.taxonomy import Taxonomy, settled

CLASS_FLOOR = 10  # classes with fewer specimens can be trained, but nothing can be promised of them alone
SMALL_PX = 96
CLIPPED_SHARE = 0.6
SOFT_SHARE = 1 / 3  # of the usual sharpness: less detail than that beside a clipped ground
BLUR_DEVIATIONS = 3.5  # Iglewicz and Hoaglin 1993: a modified z-score above 3.5 marks an outlier
FOCUS_FLOOR = 5  # at least so many photographs tell what is usual


def audit(
    frame: pd.DataFrame,
    pictures: Pictures,
    taxonomy: Taxonomy,
    group: NDArray[np.int64],
    near_duplicates: bool = True,
    features: NDArray[np.float32] | None = None,
    memory: Memory | None = None,
) -> tuple[list[Finding], list[tuple[str, str]], dict[str, Any]]:
    """Return (findings, near- and exact-duplicate pairs of photo_ids, summary with the shortcut probe).

    frame, pictures, group: the usable rows of the manifest, one row each. near_duplicates: look for them at all.
    features: (N, D) of the backbone, NaN rows have none; they bring more candidates for near-duplicates.
    memory: of an earlier check, so that unchanged photographs are not searched again.
    """
    looks = pictures.looks
    findings = _picture_findings(looks)
    exact = duplicates.exact(looks["sha256"].to_numpy(str))
    same = set(exact)
    memory = memory or Memory()
    found = _near(frame, pictures, features, memory) if near_duplicates else []
    near = [p for p in found if p not in same]
    ids = frame["photo_id"].to_numpy(str)
    taxon_masks, state_masks = label_masks(frame, taxonomy)
    for kind, pairs in (("exact_duplicate", exact), ("near_duplicate", near)):
        findings += _pair_findings(frame, taxon_masks, pairs, kind)
    findings += _coverage_findings(frame, taxonomy)
    probes = {
        head: _probe(frame, pictures, np.where(pictures.readable, settled(masks), -1), group, memory)
        for head, masks in (("taxon", taxon_masks), ("stage and sex", state_masks))
    }
    findings += _probe_findings(probes)
    summary = {
        "photographs": len(frame),
        "unreadable": int((~pictures.readable).sum()),
        "exact_duplicates": len(exact),
        "near_duplicates": len(near),
        "shortcut_probe": probes,
        "coverage": coverage(frame),
    }
    return findings, [(ids[a], ids[b]) for a, b in [*exact, *near]], summary


def _near(
    frame: pd.DataFrame, pictures: Pictures, features: NDArray[np.float32] | None, memory: Memory
) -> list[tuple[int, int]]:
    looks = pictures.looks  # the hash of the square shows how it was made of the file
    seen = [
        looks["sha256"].to_numpy(str),
        frame["region"].to_numpy(str),
        looks["dhash"].to_numpy(),
        pictures.squares[:0],
    ]
    seen += [] if features is None else [features]
    found = memory.recall("near", seen, lambda: duplicates.near(pictures.squares, pictures.readable, features))
    return [(a, b) for a, b in found]


def _probe(
    frame: pd.DataFrame, pictures: Pictures, target: NDArray[np.int64], group: NDArray[np.int64], memory: Memory
) -> dict[str, Any]:
    """Return what the rim is right for, and "by" with every clue of its own."""
    by: dict[str, dict[str, Any]] = {}
    for clue, seen in shortcuts.clues(pictures.rim, pictures.looks, frame).items():
        by[clue] = memory.recall("probe", [seen, target, group], partial(shortcuts.probe, seen, target, group))
    return by["rim"] | {"by": by}


def _picture_findings(looks: pd.DataFrame) -> list[Finding]:
    found: list[Finding] = []
    blurred = _unusually_soft(looks)
    sharp = looks.loc[looks["status"] == "ok", "sharpness"]
    usual = float(sharp.median()) if len(sharp) else 0.0
    for number, row in enumerate(looks.to_dict("records")):
        photo = str(row["photo_id"])
        if row["status"] != "ok":
            advice = "bring the file again, or leave it out"
            found.append(Finding(photo, str(row["status"]), "error", str(row["reason"]), advice))
            continue
        if min(row["width"], row["height"]) < SMALL_PX:
            size = f"{row['width']} x {row['height']} pixels"
            found.append(Finding(photo, "tiny", "warning", size, "ask for the original"))
        if max(row["dark"], row["bright"]) > CLIPPED_SHARE:
            found.append(_clipped(photo, row["dark"], row["bright"], row["sharpness"] < SOFT_SHARE * usual))
        if blurred[number]:
            message = f"sharpness {row['sharpness']:.1f}, far below what is usual here ({usual:.1f})"
            found.append(Finding(photo, "blurred", "warning", message, "ask for another photograph"))
        found += head_findings(photo, str(row["mode"]), int(row["turn"]), bool(row["has_place"]))
    return found


def _clipped(photo: str, dark: float, bright: float, is_soft: bool) -> Finding:
    """Return the finding of a picture that is mostly black or white: a fault only if it shows little detail besides."""
    kind, ground = ("too_dark", "black") if dark > bright else ("too_bright", "white")
    message = f"{max(dark, bright):.0%} of the pixels are clipped"
    if is_soft:
        return Finding(
            photo, kind, "warning", f"{message} and the rest shows little detail", "ask for another photograph"
        )
    return Finding(photo, kind, "note", message, f"look whether the specimen shows; a {ground} ground is no fault")


def _unusually_soft(looks: pd.DataFrame) -> NDArray[np.bool_]:
    """Return (N,) True where the sharpness is an outlier on its low side among the readable ones, on a log scale."""
    ready = (looks["status"] == "ok").to_numpy()
    sharp = np.log(np.maximum(looks["sharpness"].to_numpy(float), 1e-3))
    if ready.sum() < FOCUS_FLOOR:
        return np.zeros(len(looks), bool)
    middle = np.median(sharp[ready])
    spread = np.median(np.abs(sharp[ready] - middle))
    return np.asarray(ready & (0.6745 * (middle - sharp) > BLUR_DEVIATIONS * spread), bool)


def _pair_findings(
    frame: pd.DataFrame, taxon_masks: NDArray[np.bool_], pairs: list[tuple[int, int]], kind: str
) -> list[Finding]:
    """Return a finding a pair; worse if the two bear labels that exclude each other: a genus leaves its species open.

    taxon_masks: (N, T), a row of the frame each.
    """
    found = []
    for a, b in pairs:
        one, two = frame.iloc[a], frame.iloc[b]
        clash = [c for c in ("scientific_name", "life_stage", "sex") if one[c] and two[c] and one[c] != two[c]]
        if "scientific_name" in clash and (taxon_masks[a] & taxon_masks[b]).any():
            clash.remove("scientific_name")
        same = one["specimen_id"] == two["specimen_id"]
        severity = "error" if clash else "note" if same else "warning"
        message = f"same picture as {one['photo_id']}" + (f", but another {' and '.join(clash)}" if clash else "")
        advice = "one of the two labels is wrong: look at both" if clash else "kept on one side of the split"
        found.append(Finding(str(two["photo_id"]), f"{kind}_conflict" if clash else kind, severity, message, advice))
    return found


def coverage(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return specimens per name, stage and sex as labelled, each by its fullest label: what the set has and lacks."""
    columns = ["scientific_name", "life_stage", "sex"]
    counted = most_telling(frame).groupby(columns, as_index=False).size()
    return [
        dict(zip(columns, row[:3], strict=True)) | {"specimens": int(row[3])} for row in counted.to_numpy().tolist()
    ]


def _coverage_findings(frame: pd.DataFrame, taxonomy: Taxonomy) -> list[Finding]:
    counts = {(r["scientific_name"], r["life_stage"], r["sex"]): r["specimens"] for r in coverage(frame)}
    found = []
    for taxon in taxonomy.taxa:
        for stage, sex in taxonomy.states if taxon != taxonomy.non_target else (("", ""),):
            n = counts.get((taxon, stage, sex), 0)
            if n < CLASS_FLOOR:
                cell = ", ".join(filter(None, (taxon, " ".join(filter(None, (stage, sex))))))
                found.append(
                    Finding(
                        "",
                        "few_specimens",
                        "warning" if n else "note",
                        f"{cell}: {n} specimens",
                        "photograph more; below this no error rate of the class can be judged",
                    )
                )
    return found


def probe_lines(probes: dict[str, dict[str, Any]]) -> list[str]:
    """Return a line a head: what each clue alone is right for, beside the majority and the picture itself."""
    lines = []
    for head, probe in probes.items():
        told = [f"{clue} {p['accuracy']:.1%}" for clue, p in probe["by"].items() if "accuracy" in p]
        if "majority" in probe:
            told.append(f"always the commonest {probe['majority']:.1%}")
        if told:
            lines.append(f"  right on {head} by {', '.join(told)} (n = {probe['n']:,})")
    return lines


_CLUES = {"rim": "the rim of the picture", "size": "the size of the picture", "source": "source, device and place"}


def _probe_findings(probes: dict[str, dict[str, Any]]) -> list[Finding]:
    return [
        Finding(
            "",
            "shortcut",
            "warning",
            f"{_CLUES[clue]} alone predicts {head} with {p['accuracy']:.0%} accuracy "
            f"(majority {p['majority']:.0%}, n = {p['n']:,}): background, camera or submitter gives it away",
            "mix backgrounds and cameras over the classes before trusting any figure",
        )
        for head, probe in probes.items()
        for clue, p in probe["by"].items()
        if "majority" in p and p["accuracy"] > p["majority"] + 0.10
    ]
