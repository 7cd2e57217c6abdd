"""Fit the policy: maps on val, promises on calibration. The test part is never looked at here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Taxonomy, settled
from tickvision.errors import CalibrationError, did_you_mean
from tickvision.evaluation.abstention import Guard, certify_ladder
from tickvision.evaluation.calibration import fit_head, fit_joint
from tickvision.evaluation.expected import Expected, expected_shares, fair_sample, shares_of, shift
from tickvision.evaluation.novelty import Vim, novelty_limit
from tickvision.evaluation.policy import LISTED_FROM, Policy, Rung, answer_parts
from tickvision.evaluation.probabilities import HeadMap, JointMap
from tickvision.evaluation.promises import QualityLimit
from tickvision.evaluation.quality_gate import fit_quality_limit
from tickvision.evaluation.shortlist import Shortlist, fit_shortlist
from tickvision.evaluation.specimens import Specimens, is_right, true_answers
from tickvision.evaluation.vim_fitting import VIM_MIN_PHOTOS, fit_vim
from tickvision.images.look import MEASURES

Floats = NDArray[np.float64]
ADVISED_SPECIMENS = 500
MIN_FOR_QUALITY = 100  # val specimens, below which no quality limit is sought


@dataclass(frozen=True)
class Terms:
    """What the bench lead asks for; the config's [decide] section.

    rung_max_error: rung -> its own target, instead of max_error. costly: names (of any rank) whose miss costs most.
    costly_max_error: largest share of truly costly specimens among those named as something else; None = only counted.
    """

    max_error: float
    failure_rate: float
    min_confidence: float | None = None
    shortlist_miss: float = 0.1
    novelty_loss: float = 0.05
    rung_max_error: Mapping[str, float] = field(default_factory=dict)
    costly: tuple[str, ...] = ()
    costly_max_error: float | None = None


def fit(
    train: Specimens,
    val: Specimens,
    calibration: Specimens,
    taxonomy: Taxonomy,
    terms: Terms,
    balanced_training: bool,
    expected: Expected | None = None,
) -> tuple[Policy, list[str]]:
    """Return (policy, notes for the reader). A set too small for a part of it leaves that part out and says so.

    expected: what other place or season the answers are for. Its shares re-weight the probabilities, which voids any
    promise made without them; so the promise is made anew on a sample of the calibration specimens with those shares.
    A calibration part without specimens is no error: nothing is promised and every case is referred, unless
    min_confidence is set by hand. Raises CalibrationError if a rung or a costly name is not of this taxonomy, or if
    costly_max_error is asked for without a costly name.
    """
    _check_terms(terms, taxonomy)
    notes: list[str] = []
    taxon_map, state_map = fit_maps(val, balanced_training, notes)
    shares = shares_of(settled(calibration.taxon_mask), len(taxonomy.taxa))
    if expected is not None and not len(calibration):
        notes.append(f"no calibration specimens: nothing is re-weighted to what is expected at {expected.words}")
        expected = None
    if expected is not None:
        new = expected_shares(expected, shares)
        taxon_map = shift(taxon_map, shares, new)
        calibration, shares = _drawn_to(new, shares, expected.words, calibration, notes), new
    draft = Policy(
        taxon_map,
        state_map,
        rungs=tuple(Rung(name, None, None) for name in taxonomy.rungs()),
        shortlist=None,
        novelty_limit=None,
        quality_limits=(),
        min_confidence=terms.min_confidence,
        max_error=terms.max_error,
        failure_rate=terms.failure_rate,
        calibration_specimens=len(calibration),
        vim=_fit_vim(train),
        taxon_shares=tuple(float(s) for s in shares),
        expected_at=expected.words if expected is not None else "",
    )
    joints = [_fit_rung(draft, val, taxonomy, r, notes) for r in range(len(draft.rungs))]
    draft = replace(draft, rungs=tuple(Rung(r.name, j, None) for r, j in zip(draft.rungs, joints, strict=True)))
    if len(calibration):
        return _promise(draft, val, calibration, taxonomy, terms, notes), notes
    referred = " and every case is referred" if terms.min_confidence is None else ""
    return draft, [*notes, f"no calibration specimens: nothing is promised{referred}"]


def _promise(
    draft: Policy, val: Specimens, calibration: Specimens, taxonomy: Taxonomy, terms: Terms, notes: list[str]
) -> Policy:
    """Return the policy with its gates, then the rungs certified on what passes them, then the shortlist."""
    draft = replace(
        draft,
        novelty_limit=_novelty(draft, calibration, taxonomy, terms.novelty_loss, notes),
        quality_limits=_quality_limits(draft, val, taxonomy),
    )
    rungs = certify_rungs(draft, calibration, taxonomy, terms)
    draft = replace(draft, rungs=rungs)
    if draft.has_promise:
        laxest = max(r.certificate.max_error for r in rungs if r.certificate and r.certificate.is_certified)
        draft = replace(draft, max_error=laxest)
    draft = replace(draft, shortlist=_shortlist(draft, calibration, taxonomy, terms.shortlist_miss, notes))
    if len(calibration) < ADVISED_SPECIMENS:
        notes.append(f"{len(calibration)} calibration specimens; at least {ADVISED_SPECIMENS} are advised")
    return draft


def _drawn_to(new: Floats, shares: Floats, words: str, calibration: Specimens, notes: list[str]) -> Specimens:
    """Return calibration specimens drawn by lot so that the taxa have the new shares (T,) instead of theirs."""
    kept = fair_sample(settled(calibration.taxon_mask), shares, new)
    notes.append(
        f"re-weighted to the taxa expected at {words}: certified anew on {int(kept.sum()):,} of "
        f"{len(calibration):,} calibration specimens, drawn to those shares; the promise holds there and then only"
    )
    return calibration.take(np.flatnonzero(kept))


def _check_terms(terms: Terms, taxonomy: Taxonomy) -> None:
    for rung in terms.rung_max_error:
        if rung not in taxonomy.rungs():
            hint = did_you_mean(rung, taxonomy.rungs())
            raise CalibrationError(
                f"decide.rung_max_error: '{rung}' is no rung of this taxonomy.{hint} "
                f"Rungs: {', '.join(taxonomy.rungs())}"
            )
    if terms.costly_max_error is not None and not terms.costly:
        raise CalibrationError(
            "decide.costly_max_error promises nothing without decide.costly: name the taxa whose miss costs most, "
            "e.g. costly = ['Ixodes']."
        )
    for name in terms.costly:
        taxonomy.taxon_mask(name)


def _fit_vim(train: Specimens) -> Vim | None:
    """Return ViM from VIM_MIN_PHOTOS training specimens on; None, that is the energy, below or where it has no grip."""
    if len(train) < VIM_MIN_PHOTOS:
        return None
    try:
        fitted = fit_vim(train.embedding, train.taxon)
        return Vim.from_dict(fitted.to_dict())  # as saved: half precision, so that limits are set on what predict sees
    except CalibrationError:
        return None


def fit_maps(val: Specimens, balanced_training: bool, notes: list[str]) -> tuple[HeadMap, HeadMap]:
    """Return the calibration maps of the taxon head, and of the stage-and-sex head on specimens of known taxon."""
    taxa, states = settled(val.taxon_mask), settled(val.state_mask)
    maps = []
    both = (taxa >= 0) & (states >= 0)
    given_taxon = val.state[np.arange(len(val)), np.maximum(taxa, 0)]
    for head, logits, target in (
        ("taxon", val.taxon, taxa),
        ("stage and sex", given_taxon, np.where(both, states, -1)),
    ):
        if logits.shape[1] == 1:
            maps.append(HeadMap(1.0))
            continue
        try:
            maps.append(fit_head(logits, target, balanced_training))
        except CalibrationError as error:
            notes.append(f"{head}: not calibrated ({error})")
            maps.append(HeadMap(1.0))
    return maps[0], maps[1]


def _fit_rung(policy: Policy, val: Specimens, taxonomy: Taxonomy, rung: int, notes: list[str]) -> JointMap | None:
    if not len(val):
        return None
    cells = policy.cells(val.taxon, val.state)
    answers, _, claims = taxonomy.rung_answers(policy.rungs[rung].name)
    said, _ = policy.answers(cells, taxonomy, rung)
    known = _settled_at(val, claims)
    parts = answer_parts(cells, taxonomy, [answers[i] for i in said], claims[said])
    told = ~np.isnan(parts).all(axis=0)
    parts[:, ~told] = 1.0  # a part that this rung never says counts as certain
    try:
        return fit_joint(parts[known], is_right(val, claims, said)[known])
    except CalibrationError as error:
        notes.append(f"{policy.rungs[rung].name}: the product of the parts is used as confidence ({error})")
        return None


def _settled_at(specimens: Specimens, claims: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return (N,) bool: the label settles this rung."""
    return true_answers(specimens, claims) >= 0


def _novelty(draft: Policy, calibration: Specimens, taxonomy: Taxonomy, loss: float, notes: list[str]) -> float | None:
    good = np.ones(len(calibration), bool)
    if taxonomy.non_target:
        good = ~(settled(calibration.taxon_mask) == taxonomy.taxa.index(taxonomy.non_target))
    if not good.any():
        return None
    limit = novelty_limit(draft.strangeness(calibration.taxon[good], calibration.embedding[good]), loss)
    if np.isinf(limit):
        notes.append("too few calibration specimens for a novelty limit: no specimen is referred as novel")
        return None
    return float(limit)


def _quality_limits(policy: Policy, val: Specimens, taxonomy: Taxonomy) -> tuple[QualityLimit, ...]:
    """Return the limits of blur, exposure and size that spare errors on val; the level is shared by the measures."""
    if not len(val):
        return ()
    _, _, claims = taxonomy.rung_answers(policy.rungs[0].name)
    said, _ = policy.answers(policy.cells(val.taxon, val.state), taxonomy, 0)
    known = _settled_at(val, claims)
    if known.sum() < MIN_FOR_QUALITY:
        return ()
    right = is_right(val, claims, said)[known]
    found = [
        fit_quality_limit(name, val.quality[known, i], right, "low" if more else "high", level=0.05 / len(MEASURES))
        for i, (name, more) in enumerate(MEASURES.items())
    ]
    return tuple(limit for limit in found if limit.limit is not None)


def certify_rungs(policy: Policy, calibration: Specimens, taxonomy: Taxonomy, terms: Terms) -> tuple[Rung, ...]:
    """Certify the rungs on the specimens that pass the gates; a label that leaves a rung open counts as wrong there."""
    cells = policy.cells(calibration.taxon, calibration.state)
    passing = policy.passes_gates(calibration.taxon, calibration.quality, calibration.embedding)
    confidence, correct = np.zeros((2, len(calibration), len(policy.rungs)))
    guards: list[Guard | None] = []
    for r, rung in enumerate(policy.rungs):
        _, _, claims = taxonomy.rung_answers(rung.name)
        said, confidence[:, r] = policy.answers(cells, taxonomy, r)
        correct[:, r] = is_right(calibration, claims, said)
        guards.append(_guard(calibration, claims[said], taxonomy, terms))
    certificates = certify_ladder(
        confidence,
        correct.astype(bool),
        np.repeat(passing[:, None], len(policy.rungs), axis=1),
        [terms.rung_max_error.get(r.name, terms.max_error) for r in policy.rungs],
        terms.failure_rate,
        guards,
    )
    return tuple(Rung(r.name, r.joint, c) for r, c in zip(policy.rungs, certificates, strict=True))


def _guard(calibration: Specimens, claimed: NDArray[np.bool_], taxonomy: Taxonomy, terms: Terms) -> Guard | None:
    """Return the second promise on costly misses, or None if none is asked for.

    A label that leaves open whether the specimen is costly counts as costly: nothing shows that it is not.
    """
    if not terms.costly or terms.costly_max_error is None:
        return None
    costly = np.any([taxonomy.taxon_mask(name) for name in terms.costly], axis=0)
    cells = np.repeat(costly, len(taxonomy.states))
    names_other = ~(claimed & cells).any(1)
    may_be_costly = (calibration.taxon_mask & costly).any(1)
    return Guard(names_other, may_be_costly, terms.costly_max_error)


def _shortlist(
    policy: Policy, calibration: Specimens, taxonomy: Taxonomy, miss: float, notes: list[str]
) -> Shortlist | None:
    _, _, claims = taxonomy.rung_answers(policy.rungs[0].name)
    probs = taxonomy.answer_probs(policy.cells(calibration.taxon, calibration.state), policy.rungs[0].name)
    try:
        return fit_shortlist(probs, true_answers(calibration, claims), miss)
    except CalibrationError as error:
        notes.append(f"no conformal shortlist ({error}); names of at least {LISTED_FROM:.0%} are listed")
        return None
