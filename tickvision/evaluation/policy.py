"""The policy: how logits become an answer on a rung of the ladder, or a referral that says why. numpy only.

Fitted by calibrate.py, saved as calibration.json, read by evaluate and predict alike.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Answer, Taxonomy
from tickvision.domain.typed import typed
from tickvision.errors import CalibrationError
from tickvision.evaluation.novelty import Vim, energy
from tickvision.evaluation.probabilities import HeadMap, JointMap
from tickvision.evaluation.promises import Certificate, QualityLimit
from tickvision.evaluation.shortlist import Shortlist
from tickvision.images.look import MEASURES

Floats = NDArray[np.float64]
LISTED_FROM = 0.05  # probability, where no shortlist could be fitted
SCHEMA = 2  # 2: several quality limits instead of one of sharpness
LOW, NOVEL, UNUSABLE_PICTURE, NO_PROMISE = "low_confidence", "novel", "unusable_picture", "no_certificate"


@dataclass(frozen=True)
class Rung:
    """One step of the ladder. joint maps the confidences of the parts to that of the whole; None = their product."""

    name: str
    joint: JointMap | None
    certificate: Certificate | None


@dataclass(frozen=True)
class Choice:
    """What the policy says of one specimen. rung: index or None if referred. reason: "" or why it was referred.

    answer, confidence: of the rung, or of the finest rung where it is referred. shortlist: (answer, probability).
    """

    answer: Answer
    confidence: float
    rung: int | None
    reason: str
    shortlist: tuple[tuple[Answer, float], ...]
    novelty: float


@dataclass(frozen=True)
class Policy:
    """Calibration maps, rungs, shortlist and gates of one model. min_confidence: a plain threshold, no promise.

    max_error: the laxest target of the certified rungs, so that it holds of all names given; what was asked for where
    none is certified.
    taxon_shares: (T,) of the specimens that the promise was made on; () where none was kept. expected_at: the place and
    month that the probabilities were re-weighted to, "" = as the calibration specimens came in.
    """

    taxon_map: HeadMap
    state_map: HeadMap
    rungs: tuple[Rung, ...]
    shortlist: Shortlist | None
    novelty_limit: float | None
    quality_limits: tuple[QualityLimit, ...]
    min_confidence: float | None
    max_error: float
    failure_rate: float
    calibration_specimens: int
    vim: Vim | None = None
    taxon_shares: tuple[float, ...] = ()
    expected_at: str = ""

    def cells(self, taxon: Floats, state: Floats) -> Floats:
        """Return calibrated cell probabilities (N, K) of logits taxon (N, T) and state (N, T, S)."""
        n, n_taxa, n_states = state.shape
        by_state = self.state_map.apply(state.reshape(-1, n_states)).reshape(n, n_taxa, n_states)
        return np.asarray((self.taxon_map.apply(taxon)[:, :, None] * by_state).reshape(n, -1))

    def answers(self, cells: Floats, taxonomy: Taxonomy, rung: int) -> tuple[NDArray[np.intp], Floats]:
        """Return (index of the said answer (N,), its confidence (N,)) on a rung."""
        name = self.rungs[rung].name
        answers, _, claims = taxonomy.rung_answers(name)
        said = taxonomy.answer_probs(cells, name).argmax(1)
        joint = self.rungs[rung].joint
        parts = answer_parts(cells, taxonomy, [answers[i] for i in said], claims[said])
        return said, (np.nanprod(parts, axis=1) if joint is None else joint.apply(parts))

    def decide(
        self,
        taxon: Floats,
        state: Floats,
        taxonomy: Taxonomy,
        quality: Floats | None = None,
        embedding: Floats | None = None,
    ) -> list[Choice]:
        """Return one choice per specimen: logits and embedding are means over its photographs, quality the best.

        taxon: (N, T), state: (N, T, S), embedding: (N, D), quality: (N, 4) in the order of images.look.MEASURES.
        Without quality that gate is open; embedding is needed where ViM was fitted.
        """
        cells = self.cells(taxon, state)
        strange = self.strangeness(taxon, embedding)
        given = [self.answers(cells, taxonomy, r) for r in range(len(self.rungs))]
        labels = [taxonomy.rung_answers(r.name)[0] for r in self.rungs]
        finest = taxonomy.answer_probs(cells, self.rungs[0].name)
        lists = self.shortlist.sets(finest) if self.shortlist is not None else finest >= LISTED_FROM
        usable = self._usable(quality, len(cells))
        choices = []
        for i in range(len(cells)):
            reason = self._gate(strange[i], usable[i])
            rung = None if reason else self._rung(given, i)
            said, confidence = given[rung or 0]
            if rung is None and not reason:
                reason = LOW if any(self.threshold(r) is not None for r in range(len(self.rungs))) else NO_PROMISE
            order = [int(a) for a in np.argsort(-finest[i], kind="stable") if lists[i, a]]
            choices.append(
                Choice(
                    labels[rung or 0][said[i]],
                    float(confidence[i]),
                    rung,
                    reason,
                    tuple((labels[0][a], float(finest[i, a])) for a in order),
                    float(strange[i]),
                )
            )
        return choices

    def threshold(self, rung: int) -> float | None:
        """Return the confidence from which a rung answers, None if it never does."""
        if self.min_confidence is not None:
            return self.min_confidence
        certificate = self.rungs[rung].certificate
        return certificate.threshold if certificate is not None else None

    @property
    def has_promise(self) -> bool:
        """True if some rung is certified and no plain threshold stands in its place."""
        return self.min_confidence is None and any(r.certificate and r.certificate.is_certified for r in self.rungs)

    def _rung(self, given: list[tuple[NDArray[np.intp], Floats]], i: int) -> int | None:
        for r, (_, confidence) in enumerate(given):
            limit = self.threshold(r)
            if limit is not None and confidence[i] >= limit:
                return r
        return None

    def _usable(self, quality: Floats | None, n: int) -> NDArray[np.bool_]:
        """Return (n,) bool: no quality limit is passed. quality: (n, 4) in the order of images.look.MEASURES."""
        usable = np.ones(n, dtype=np.bool_)
        if quality is not None:
            for limit in self.quality_limits:
                usable &= limit.is_usable(quality[:, list(MEASURES).index(limit.measure)])
        return usable

    def _gate(self, novelty: float, usable: np.bool_) -> str:
        if not usable:
            return UNUSABLE_PICTURE
        return NOVEL if self.novelty_limit is not None and novelty > self.novelty_limit else ""

    def strangeness(self, taxon: Floats, embedding: Floats | None) -> Floats:
        """Return the novelty score (N,), high = strange: ViM where it was fitted, else the energy.

        Raises CalibrationError if ViM needs the embedding and there is none.
        """
        if self.vim is None:
            return energy(taxon)
        if embedding is None:
            raise CalibrationError("the novelty score of this model needs the embedding beside the logits.")
        return self.vim.score(embedding, taxon)

    def passes_gates(self, taxon: Floats, quality: Floats, embedding: Floats | None) -> NDArray[np.bool_]:
        """Return (N,) bool: neither novel nor unusable, so that the ladder decides."""
        strange = self.strangeness(taxon, embedding)
        usable = self._usable(quality, len(strange))
        return np.array([not self._gate(n, u) for n, u in zip(strange, usable, strict=True)], bool)

    def to_json(self) -> dict[str, Any]:
        """Return the JSON form that from_json reads."""
        return {
            "schema": SCHEMA,
            "taxon_map": self.taxon_map.to_dict(),
            "state_map": self.state_map.to_dict(),
            "rungs": [
                {
                    "name": r.name,
                    "joint": r.joint.to_dict() if r.joint else None,
                    "certificate": r.certificate.to_dict() if r.certificate else None,
                }
                for r in self.rungs
            ],
            "shortlist": self.shortlist.to_dict() if self.shortlist else None,
            "novelty_limit": self.novelty_limit,
            "quality_limits": [limit.to_dict() for limit in self.quality_limits],
            "min_confidence": self.min_confidence,
            "max_error": self.max_error,
            "failure_rate": self.failure_rate,
            "calibration_specimens": self.calibration_specimens,
            "vim": self.vim.to_dict() if self.vim else None,
            "taxon_shares": list(self.taxon_shares),
            "expected_at": self.expected_at,
        }

    @classmethod
    def from_json(cls, form: Mapping[str, Any]) -> Policy:
        """Return the policy of a JSON form. Raises CalibrationError on another schema."""
        if form.get("schema") != SCHEMA:
            raise CalibrationError(
                f"calibration schema {form.get('schema')}, this tickvision reads {SCHEMA}; calibrate again."
            )
        rungs = tuple(
            Rung(
                r["name"],
                JointMap.from_dict(r["joint"]) if r["joint"] else None,
                Certificate.from_dict(r["certificate"]) if r["certificate"] else None,
            )
            for r in form["rungs"]
        )
        return typed(
            cls(
                HeadMap.from_dict(form["taxon_map"]),
                HeadMap.from_dict(form["state_map"]),
                rungs,
                Shortlist.from_dict(form["shortlist"]) if form["shortlist"] else None,
                form["novelty_limit"],
                tuple(QualityLimit.from_dict(limit) for limit in form["quality_limits"]),
                form["min_confidence"],
                form["max_error"],
                form["failure_rate"],
                form["calibration_specimens"],
                Vim.from_dict(form["vim"]) if form.get("vim") else None,
                tuple(map(float, form.get("taxon_shares", ()))),
                form.get("expected_at", ""),
            )
        )


def load(path: Path) -> Policy:
    """Return the policy of calibration.json. Raises CalibrationError if it is absent or damaged."""
    try:
        return Policy.from_json(json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise CalibrationError(f"{path}: no calibration. Make it with: tickvision calibrate CONFIG") from None
    except (ValueError, KeyError, TypeError) as error:
        raise CalibrationError(f"{path}: not a calibration file ({error}); calibrate again.") from None


def answer_parts(cells: Floats, taxonomy: Taxonomy, answers: list[Answer], claims: NDArray[np.bool_]) -> Floats:
    """Return (N, 3): p(taxon), p(stage | taxon), p(sex | taxon, stage) of each row's answer; NaN where not said."""
    n_states = len(taxonomy.states)
    by_taxon = claims.reshape(len(claims), -1, n_states)
    table = cells.reshape(len(cells), -1, n_states)
    in_taxon = np.asarray(by_taxon.any(2))
    p_taxon = (table.sum(2) * in_taxon).sum(1)
    stages = np.asarray([[st == a.life_stage for st, _ in taxonomy.states] for a in answers], dtype=bool)
    p_stage = (table * in_taxon[:, :, None] * stages[:, None, :]).sum((1, 2))
    p_all = (cells * claims).sum(1)
    parts = np.full((len(cells), 3), np.nan)
    parts[:, 0] = p_taxon
    told = np.array([bool(a.life_stage) for a in answers])
    sexed = np.array([bool(a.sex) for a in answers])
    parts[told, 1] = (p_stage / np.maximum(p_taxon, 1e-300))[told]
    parts[sexed, 2] = (p_all / np.maximum(p_stage, 1e-300))[sexed]
    return np.asarray(np.clip(parts, 0.0, 1.0))
