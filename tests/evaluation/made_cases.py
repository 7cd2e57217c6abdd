"""The made-up runs that the report's tests share."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from tickvision.data.columns import MANIFEST
from tickvision.domain.taxonomies import tick_taxonomy
from tickvision.domain.taxonomy import Taxonomy
from tickvision.evaluation import calibrate, evaluate, report_numbers
from tickvision.evaluation.expected import Expected
from tickvision.evaluation.policy import Policy
from tickvision.evaluation.report_judged import Judged, judge
from tickvision.evaluation.report_numbers import Material
from tickvision.evaluation.specimens import Specimens

TICKS = ("Amblyomma americanum", "Dermacentor variabilis", "Ixodes cookei", "Ixodes scapularis")


@dataclass(frozen=True)
class Case:
    """One made-up run, judged. figures went through JSON, as those that the report reads."""

    figures: dict[str, Any]
    taxonomy: Taxonomy
    policy: Policy
    frame: pd.DataFrame
    test: Specimens
    judged: Judged


def make(
    taxonomy: Taxonomy | None = None,
    n_test: int = 120,
    n_calibration: int = 600,
    strength: float = 7.0,
    absent: Sequence[str] = (),
    sexes: bool = True,
    sources: Sequence[str] = ("phone", "microscope"),
    min_confidence: float | None = None,
    change: Callable[[pd.DataFrame], pd.DataFrame] = lambda frame: frame,
    elsewhere: Expected | None = None,
    costly: tuple[str, ...] = (),
    seed: int = 0,
) -> Case:
    """Return a run of made-up logits: the true class stands out by `strength` against noise of spread 1.5."""
    taxonomy = taxonomy or tick_taxonomy(TICKS, "not a tick")
    rng = np.random.default_rng(seed)
    made = [
        _part(name, n, taxonomy, strength, absent if name == "test" else (), sexes, sources, rng)
        for name, n in (("val", 120), ("calibration", n_calibration), ("test", n_test))
    ]
    frame = change(pd.concat([f for _, f in made], ignore_index=True))
    val, calibration, test = (s for s, _ in made)
    terms = calibrate.Terms(0.05, 0.05, min_confidence)
    policy, _ = calibrate.fit(val, val, calibration, taxonomy, terms, False, elsewhere)
    part_of = {p: s for s, (_, f) in zip(("train", "calibration", "test"), made, strict=True) for p in f["photo_id"]}
    findings = [{"finding": "near_duplicate", "severity": "warning"}] * 3
    history = [
        {
            "epoch": str(e),
            "train_loss": "" if not e else "1.5",
            "val_loss": "2.0",
            "val_macro_recall": "0.5",
            "is_best": "True",
        }
        for e in range(3)
    ]
    figures: dict[str, Any] = {
        "name": "made up",
        "bench": "Larkmoor bench (invented)",
        "drawn": True,
    } | evaluate.evaluate(test, test, policy, taxonomy)
    material = Material(frame, part_of, findings, history, costly)
    figures = report_numbers.extend(figures, test, calibration, policy, taxonomy, material)
    figures = json.loads(json.dumps(figures, allow_nan=False))
    choices = policy.decide(test.taxon, test.state, taxonomy, test.quality) if len(test) else []
    return Case(figures, taxonomy, policy, frame, test, judge(test, choices, policy, taxonomy, frame))


def _part(
    name: str,
    n: int,
    taxonomy: Taxonomy,
    strength: float,
    absent: Sequence[str],
    sexes: bool,
    sources: Sequence[str],
    rng: np.random.Generator,
) -> tuple[Specimens, pd.DataFrame]:
    allowed = [t for t, taxon in enumerate(taxonomy.taxa) if taxon not in absent]
    taxon, state = rng.choice(allowed, n), rng.integers(0, len(taxonomy.states), n)
    hard = np.where(rng.random(n) < 0.15, 0.3, 1.0)[:, None]
    taxon_logits = rng.normal(0, 1.5, (n, len(taxonomy.taxa))) + hard * strength * np.eye(len(taxonomy.taxa))[taxon]
    state_logits = rng.normal(0, 1.5, (n, len(taxonomy.taxa), len(taxonomy.states)))
    state_logits += (hard * strength * np.eye(len(taxonomy.states))[state])[:, None, :]
    rows, taxa, states = [], [], []
    for i in range(n):
        stage, sex = taxonomy.states[state[i]]
        sex = sex if sexes else ""
        label = taxonomy.taxa[taxon[i]]
        if label == taxonomy.non_target:
            stage = sex = ""
        mask = taxonomy.label_masks(label, stage, sex)
        taxa.append(mask[0])
        states.append(mask[1])
        rows.append(_row(name, i, label, stage, sex, sources))
    ids = np.array([r["specimen_id"] for r in rows], str)
    specimens = Specimens(
        ids,
        taxon_logits,
        state_logits,
        np.array(taxa, bool).reshape(n, len(taxonomy.taxa)),
        np.array(states, bool).reshape(n, len(taxonomy.states)),
        np.zeros((n, 2)),
        np.full((n, 4), 100.0),
        1 + np.arange(n) % 5,
        np.array([r["photo_id"] for r in rows], str),
    )
    return specimens, pd.DataFrame(rows, columns=list(MANIFEST))


def _row(part: str, i: int, label: str, stage: str, sex: str, sources: Sequence[str]) -> dict[str, str]:
    known = {
        "photo_id": f"{part}-{i}",
        "path": f"/nowhere/{part}-{i}.jpg",
        "specimen_id": f"{part}-s{i}",
        "group_id": f"{part}-g{i // 3}",
        "scientific_name": label,
        "life_stage": stage,
        "sex": sex,
        "feeding": ("flat", "partly", "fully")[i % 3],
        "view": "dorsal",
        "event_date": f"2024-{1 + i % 12:02d}-05",
        "source": sources[i % len(sources)],
        "spdx": "CC0-1.0",
        "creator": "submitter 001",
        "status": "ok",
    }
    return {c: known.get(c, "") for c in MANIFEST}


@lru_cache
def certified() -> Case:
    """Return a run whose ladder is certified, made once for all test modules."""
    return make(n_test=200)


@lru_cache
def moved() -> Case:
    """Return a run whose promise is made for a place where half of all are Ixodes scapularis."""
    return make(elsewhere=Expected(np.array([100.0, 100.0, 200.0, 500.0, 100.0]), "Larkmoor fens, month 5"))
