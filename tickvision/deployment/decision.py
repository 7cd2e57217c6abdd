"""What predict says of one specimen: the record that every output form is made from."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from tickvision.domain import cautions
from tickvision.domain.separating import hints
from tickvision.domain.taxonomy import Answer
from tickvision.evaluation.policy import BLURRED, LOW, NO_PROMISE, NOVEL, Choice, Policy

NAMED, TO_GENUS, REFERRED, UNUSABLE = "named", "named_to_genus", "referred", "unusable"
REASONS = {
    LOW: "the picture does not settle the name",
    NOVEL: "unlike anything in the reference set",
    BLURRED: "the picture is too blurred to judge",
    NO_PROMISE: "no error rate can be promised for this model yet, so a person names every case",
    "unreadable": "no photograph of this specimen could be read",
}


@dataclass(frozen=True)
class Photograph:
    """One file that was looked at. status: ok, or why it is of no use. in_training: its bytes trained the model."""

    path: str
    status: str
    reason: str = ""
    in_training: bool = False


@dataclass(frozen=True)
class Candidate:
    """One name of a shortlist and its calibrated probability."""

    scientific_name: str
    taxon_rank: str
    life_stage: str
    sex: str
    probability: float


@dataclass(frozen=True)
class Decision:
    """state: named, named_to_genus, referred or unusable. Name, rank, life_stage and sex are blank unless named.

    promise: the certificate in words, or "no promise". look_at: characters that separate the candidates.
    """

    specimen_id: str
    state: str
    scientific_name: str
    taxon_rank: str
    life_stage: str
    sex: str
    confidence: float
    promise: str
    reason: str
    shortlist: tuple[Candidate, ...]
    look_at: tuple[str, ...]
    refer_to: str
    photographs: tuple[Photograph, ...]
    model: str
    caution: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


def caution_text(drawn: bool) -> str:
    """Return the caution that stands in every output."""
    return f"{cautions.DRAWN} {cautions.SHORT}" if drawn else cautions.SHORT


def from_choice(
    specimen_id: str,
    choice: Choice,
    photographs: tuple[Photograph, ...],
    policy: Policy,
    contact: str,
    model: str,
    drawn: bool,
) -> Decision:
    """Return the decision that a choice of the policy stands for."""
    named = choice.rung is not None
    answer = choice.answer if named else Answer("", "")
    state = REFERRED if not named else TO_GENUS if answer.rank not in ("species", "none") else NAMED
    if choice.reason == BLURRED:
        state = UNUSABLE
    shortlist = tuple(
        Candidate(a.scientific_name, a.rank, a.life_stage, a.sex, round(p, 4)) for a, p in choice.shortlist
    )
    look_at = () if named else separating(shortlist)
    return Decision(
        specimen_id,
        state,
        answer.scientific_name,
        answer.rank,
        answer.life_stage,
        answer.sex,
        round(choice.confidence, 4),
        _promise(policy, choice),
        REASONS.get(choice.reason, choice.reason),
        () if named else shortlist,
        look_at,
        "" if named else contact,
        photographs,
        model,
        caution_text(drawn),
    )


def unreadable(
    specimen_id: str, photographs: tuple[Photograph, ...], contact: str, model: str, drawn: bool
) -> Decision:
    """Return the decision for a specimen none of whose photographs could be read."""
    return Decision(
        specimen_id,
        UNUSABLE,
        "",
        "",
        "",
        "",
        0.0,
        "",
        REASONS["unreadable"],
        (),
        (),
        contact,
        photographs,
        model,
        caution_text(drawn),
    )


def separating(shortlist: tuple[Candidate, ...]) -> tuple[str, ...]:
    """Return what separates the candidates and where to look, as lines."""
    found = hints([(c.scientific_name, c.life_stage, c.sex) for c in shortlist[:4]])
    return tuple(f"{h.between[0]} / {h.between[1]}: {h.look_at} (view: {h.view}; {h.source})" for h in found[:6])


def _promise(policy: Policy, choice: Choice) -> str:
    if choice.rung is None:
        return ""
    certificate = policy.rungs[choice.rung].certificate
    if policy.min_confidence is not None or certificate is None:
        return cautions.NO_PROMISE
    return certificate.statement()
