"""What predict says of one specimen: the record that every output form is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from math import isfinite
from typing import TYPE_CHECKING, Any

from tickvision.deployment.looking import Photograph
from tickvision.deployment.referral import clock, further_photographs, preventive_care_until
from tickvision.domain import cautions
from tickvision.domain.separating import Hint, hints
from tickvision.domain.taxonomy import Answer
from tickvision.domain.typed import typed
from tickvision.evaluation.policy import LOW, NO_PROMISE, NOVEL, UNUSABLE_PICTURE, Choice, Policy

if TYPE_CHECKING:
    from tickvision.domain.typed import Record

NAMED, TO_GENUS, REFERRED, UNUSABLE = "named", "named_to_genus", "referred", "unusable"
REASONS = {
    LOW: "the picture does not settle the name",
    NOVEL: "unlike anything in the reference set",
    UNUSABLE_PICTURE: "the picture is too blurred, too dark, too bright or too small to judge",
    NO_PROMISE: "no error rate can be promised for this model yet, so a person names every case",
    "unreadable": "no photograph of this specimen could be read",
}


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
    further_photographs: what to photograph next. removed_at: when the tick was taken off, and preventive_care_until:
    72 hours later; both "" if not known.
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
    further_photographs: tuple[str, ...] = ()
    removed_at: str = ""
    preventive_care_until: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        # dataclasses.asdict copies every text and number again, which takes ten times as long
        return vars(self) | {
            "shortlist": tuple(dict(vars(c)) for c in self.shortlist),
            "photographs": tuple(dict(vars(p)) for p in self.photographs),
        }

    @classmethod
    def from_dict(cls, form: Mapping[str, Any]) -> Decision:
        """Return the decision that to_dict wrote. Raises KeyError, TypeError or ValueError on anything else."""
        values = dict(form)
        values["shortlist"] = tuple(_finite(Candidate(**c)) for c in form["shortlist"])
        values["photographs"] = tuple(
            _finite(Photograph(**(p | {"region": tuple(map(float, p["region"])) if p.get("region") else None})))
            for p in form["photographs"]
        )
        for name in ("look_at", "further_photographs"):
            values[name] = tuple(map(str, form.get(name, ())))
        if not str(values.get("caution", "")).strip():
            raise ValueError("a decision without its caution")
        decision = _finite(cls(**values))
        try:
            clock(decision.removed_at, datetime.now(UTC))  # raises ValueError if it is no time
        except (OverflowError, ValueError):
            raise ValueError(f"removed_at is {decision.removed_at}") from None
        return decision


def _finite(record: Record) -> Record:
    """Return the record, typed. Raises ValueError if a number is not finite."""
    for name, value in vars(typed(record)).items():
        if isinstance(value, float) and not isfinite(value):
            raise ValueError(f"{name} is {value}")
    return record


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one decision, as in JSON lines and from the server."""
    from pydantic import TypeAdapter

    schema = TypeAdapter(Decision).json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def caution_text(drawn: bool) -> str:
    """Return the caution that stands in every output."""
    return f"{cautions.DRAWN} {cautions.SHORT}" if drawn else cautions.SHORT


@dataclass(frozen=True)
class Case:
    """What was looked at for one specimen. short_side_px: of its largest usable photograph, None if there is none."""

    specimen_id: str
    photographs: tuple[Photograph, ...]
    short_side_px: int | None
    removed_at: str = ""


@dataclass(frozen=True)
class Maker:
    """Makes decisions in the name of one package. contact: who names what is referred."""

    policy: Policy
    contact: str
    model: str
    drawn: bool

    def from_choice(self, case: Case, choice: Choice) -> Decision:
        """Return the decision that a choice of the policy stands for."""
        if choice.rung is not None:
            answer = choice.answer
            state = TO_GENUS if answer.rank not in ("species", "none") else NAMED
            return self._decision(case, state, answer, choice.confidence, _promise(self.policy, choice))
        shortlist = tuple(
            Candidate(a.scientific_name, a.rank, a.life_stage, a.sex, round(p, 4)) for a, p in choice.shortlist
        )
        state = UNUSABLE if choice.reason == UNUSABLE_PICTURE else REFERRED
        return self._decision(case, state, Answer("", ""), choice.confidence, "", choice.reason, shortlist)

    def unreadable(self, case: Case) -> Decision:
        """Return the decision for a specimen none of whose photographs could be read."""
        return self._decision(case, UNUSABLE, Answer("", ""), 0.0, "", "unreadable")

    def _decision(
        self,
        case: Case,
        state: str,
        answer: Answer,
        confidence: float,
        promise: str,
        reason: str = "",
        shortlist: tuple[Candidate, ...] = (),
    ) -> Decision:
        separating = _separating(tuple((c.scientific_name, c.life_stage, c.sex) for c in shortlist[:4]))
        return Decision(
            case.specimen_id,
            state,
            answer.scientific_name,
            answer.rank,
            answer.life_stage,
            answer.sex,
            round(confidence, 4),
            promise,
            REASONS.get(reason, reason),
            shortlist,
            tuple(f"{h.between[0]} / {h.between[1]}: {h.look_at} (view: {h.view}; {h.source})" for h in separating),
            self.contact if reason else "",
            case.photographs,
            self.model,
            caution_text(self.drawn),
            further_photographs(reason, separating, case.short_side_px) if reason else (),
            case.removed_at,
            preventive_care_until(case.removed_at),
        )


@lru_cache(1024)
def _separating(candidates: tuple[tuple[str, str, str], ...]) -> tuple[Hint, ...]:
    """Return what separates the leading candidates (name, life_stage, sex)."""
    return tuple(hints(candidates)[:6])


def _promise(policy: Policy, choice: Choice) -> str:
    if choice.rung is None:
        return ""
    certificate = policy.rungs[choice.rung].certificate
    if policy.min_confidence is not None or certificate is None:
        return cautions.NO_PROMISE
    return certificate.statement()
