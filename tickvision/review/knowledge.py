"""What the desk lays beside a case: names, characters with sources, sizes, and texts to the submitter."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache

from tickvision.deployment.decision import Decision
from tickvision.deployment.referral import clock, further_photographs
from tickvision.domain import cautions, names, rules
from tickvision.domain.separating import Hint, hints
from tickvision.domain.tables import rows
from tickvision.review.chain import NEED_SPECIMEN


@dataclass(frozen=True)
class Choosable:
    """A name that can be written, and what it stands for ("" if it is the accepted name itself)."""

    written: str
    stands_for: str = ""


@cache
def choosable_names() -> tuple[Choosable, ...]:
    """Return every accepted name, genus, family and order, then synonyms and trade names with what they stand for."""
    accepted = [*names.species(), *names.genera(), *names.FAMILIES, names.ORDER]
    others = []
    for row in rows("taxa"):
        written = [re.split(r"[(\[,]", s)[0].strip() for s in row["synonyms"].split(";")]
        written = [" ".join(w.split()[:2]) for w in written] + [v.strip() for v in row["vernacularName"].split(";")]
        others += [
            Choosable(w, row["scientificName"])
            for w in dict.fromkeys(written)
            if w and w not in accepted and names.resolve(w).scientific_name == row["scientificName"]
        ]
    return (*(Choosable(a) for a in accepted), *others)


@dataclass(frozen=True)
class Character:
    """One character with the states it takes, whose each state is, and the source of each."""

    name: str
    states: tuple[tuple[str, str, str], ...]  # state, taxa, source


@cache
def general_characters() -> tuple[Character, ...]:
    """Return the characters that tell families and genera apart; the same for every case, whatever the model said."""
    wanted = {*names.FAMILIES, *names.genera()}
    table: dict[str, dict[str, tuple[list[str], list[str]]]] = {}
    for row in rows("characters"):
        if row["taxon"] in wanted and not row["character"].endswith("_hint"):
            taxa, sources = table.setdefault(row["character"], {}).setdefault(row["state"], ([], []))
            stage = "" if row["lifeStage"] == "any" else f" ({row['lifeStage'].replace('|', ', ')})"
            taxa.append(row["taxon"] + stage)
            sources.append(row["source"])
    return tuple(
        Character(
            name.replace("_", " "),
            tuple(
                (state, ", ".join(dict.fromkeys(taxa)), "; ".join(dict.fromkeys(sources)))
                for state, (taxa, sources) in states.items()
            ),
        )
        for name, states in table.items()
        if len(states) > 1
    )


def sources(named: Iterable[str]) -> list[tuple[str, str]]:
    """Return (short name, citation) of every source whose short name stands in these texts."""
    text = " ; ".join(named)
    keys = ((r["key"], r["citation"]) for r in rows("sources"))
    return [(key, citation) for key, citation in keys if re.search(rf"(?<![\w-]){re.escape(key)}(?![\w-])", text)]


def separating(decision: Decision) -> list[Hint]:
    """Return what separates the model's leading candidates; to be shown only when the reader asks for them."""
    return hints([(c.scientific_name, c.life_stage, c.sex) for c in decision.shortlist[:4]])


@cache
def sizes() -> tuple[dict[str, str], ...]:
    """Return the table of sizes as the page needs it: taxon, stage, sex, feeding, bounds in mm, what was measured."""
    feeding = {"unfed": "flat", "engorged": "fully"}
    return tuple(
        {
            "taxon": r["taxon"],
            "life_stage": r["lifeStage"],
            "sex": "" if r["sex"] == "any" else r["sex"],
            "feeding": feeding.get(r["feeding"], ""),
            "low": r["length_min_mm"],
            "high": r["length_max_mm"],
            "measured": r["measured"],
            "source": r["source"],
        }
        for r in rows("sizes")
    )


def doubtful_dates(facts: Mapping[str, str], removed_at: str) -> list[str]:
    """Return what cannot be in the dates of a submission, for the reader to ask the sender."""
    removed = _date(removed_at)
    wrong = [f"{b.rule}: {b.message}" for b in rules.check_dates(None, _date(facts.get("event_date", "")), removed)]
    if removed is not None and removed > datetime.now(UTC).date() + timedelta(days=1):  # the day may have begun there
        wrong.append(f"removal date {removed} lies in the future")
    return [f"{line}. Ask the sender: the 72 hours run from the removal." for line in wrong]


def _date(text: str) -> date | None:
    """Return the day that a date or time begins with, None where it is none."""
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None


def _clock(removed_at: str) -> str:
    """Return the 72-hour clock in words, "" where what was written is no time."""
    try:
        return clock(removed_at)
    except (ValueError, OverflowError):
        return ""


USUAL_VIEWS = (*further_photographs("", (), None), *further_photographs("novel", (), None)[1:])
SIZE_CAUTION = (
    "Sources disagree by 20-40 %, and some measure with the mouthparts, some without. A size is a flag, never a veto: "
    "it counts only with a scale at the height of the specimen."
)


def ready_text(
    outcome: str, decision: Decision, facts: Mapping[str, str], bench: str, contact: str, by_model: bool
) -> str:
    """Return a text to the submitter that asks for a further photograph or the specimen, with the cautions.

    by_model: ask for the views that would separate the model's candidates, which gives them away; else the usual ones.
    """
    wanted: Sequence[str]
    if outcome == NEED_SPECIMEN:
        wanted = (
            "Please send the specimen itself: in a small closed container with rubbing alcohol, not under tape, one "
            "container for each host, with the date and the place where it was picked up.",
        )
        opening = "No photograph will settle what this is."
    else:
        wanted = (decision.further_photographs if by_model else ()) or USUAL_VIEWS
        opening = "To name what you sent we need one more photograph."
    removed = _clock(decision.removed_at or facts.get("removed_at", ""))
    lines = [
        f"Your submission {facts.get('submission_id') or decision.specimen_id} to {bench}",
        "",
        opening,
        *(f"- {w}" for w in wanted),
        "",
        f"Answer to: {contact}",
        "",
        *([removed, ""] if removed else []),
        cautions.SHORT,
    ]
    return "\n".join(lines)
