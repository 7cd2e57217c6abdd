"""What a reader decides: checked against the trade's rules, then kept for good in one transaction."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace

from tickvision.domain import names, rules, vocabulary
from tickvision.errors import TickvisionError
from tickvision.review import chain, store, worklist
from tickvision.review.chain import Conclusion, Identification, Said
from tickvision.review.intake import name_is_among
from tickvision.review.settings import DeskSettings

CONFIDENCES = ("sure", "fairly sure", "unsure")
BASES = ("photograph", "specimen", "microscope")
QUALIFIERS = ("cf.", "aff.", "?")
FIELDS = (
    "outcome", "taxon", "qualifier", "life_stage", "sex", "feeding", "confidence", "based_on", "remarks", "length_mm",
)  # fmt: skip
MAX_TEXT = 2_000


class NotYoursError(TickvisionError):
    """Another reader has the case open, or has had it in the meantime."""


@dataclass(frozen=True)
class Checked:
    """A decision as the form gave it. faults: field -> what to mend. looks: soft rules that ask for a second reader."""

    link: Identification
    faults: dict[str, str]
    looks: tuple[str, ...]
    changed: str = ""


def check(form: Mapping[str, str], characters: tuple[str, ...], facts: Mapping[str, str], any_names: bool) -> Checked:
    """Return the decision that a form stands for, and what is wrong with it. facts: of the submission."""
    faults: dict[str, str] = {}
    outcome = form.get("outcome", "")
    if outcome not in chain.OUTCOMES:
        faults["outcome"] = "Say first whether you can name it, it is no tick, or you need more material."
    link = Identification(
        id=0,
        kind="reading",
        identified_by="",
        at="",
        outcome=outcome,
        remarks=_text(form.get("remarks", "")),
        based_on=_one_of(form, "based_on", BASES, faults),
        length_mm=_length(form.get("length_mm", ""), faults),
        characters=characters,
    )
    if outcome != chain.NAMED:
        return Checked(link, faults, ())
    name = _name(form, any_names, faults)
    link = replace(
        link,
        scientific_name=name.scientific_name,
        taxon_rank=name.rank,
        qualifier=name.qualifier,
        life_stage=_one_of(form, "life_stage", vocabulary.LIFE_STAGES, faults, blank=True),
        sex=_one_of(form, "sex", vocabulary.SEXES, faults, blank=True),
        feeding=_one_of(form, "feeding", vocabulary.FEEDING_CLASSES, faults, blank=True),
        confidence=_one_of(form, "confidence", CONFIDENCES, faults),
    )
    looks = () if any_names or faults else _rules(link, facts, faults)
    return Checked(link, faults, looks, name.reason)


def _text(text: str) -> str:
    return "\n".join("".join(c for c in line if c.isprintable()) for line in text.splitlines())[:MAX_TEXT].strip()


def _one_of(
    form: Mapping[str, str], field: str, known: tuple[str, ...], faults: dict[str, str], blank: bool = False
) -> str:
    value = form.get(field, "")
    if value in known or (blank and not value):
        return value
    faults[field] = f"Choose one of: {', '.join(known)}."
    return ""


def _length(text: str, faults: dict[str, str]) -> float | None:
    if not text.strip():
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = 0.0
    if not 0 < value < 100:
        faults["length_mm"] = f"'{text[:20]}' is no length in millimetres, such as 3.2."
        return None
    return value


def _name(form: Mapping[str, str], any_names: bool, faults: dict[str, str]) -> names.Name:
    written = vocabulary.clean(form.get("taxon", ""))[:200]
    qualifier = form.get("qualifier", "")
    if qualifier and qualifier not in QUALIFIERS:
        faults["qualifier"] = f"Choose one of: {', '.join(QUALIFIERS)}, or leave it blank."
    if not written:
        faults["taxon"] = "Write the lowest name that you are sure of; a genus, a family or Ixodida will do."
        return names.Name("", "")
    if any_names:
        return names.Name(written, "species", qualifier)
    name = names.resolve(written)
    if name.fault or not name.rank:
        faults["taxon"] = name.fault or "Write the lowest name that you are sure of."
    elif qualifier and name.rank != "species":
        faults["qualifier"] = f"{qualifier} says doubt about a species; '{name.scientific_name}' is none."
    elif qualifier:
        genus, epithet = name.scientific_name.split(" ", 1)
        doubt = "?" if qualifier == "?" else f"{qualifier} {epithet}"
        return replace(name, scientific_name=genus, rank="genus", qualifier=doubt, reason="doubt: kept at the genus")
    return name


def _rules(link: Identification, facts: Mapping[str, str], faults: dict[str, str]) -> tuple[str, ...]:
    breaches = rules.check_label(
        link.scientific_name,
        link.taxon_rank,
        link.life_stage,
        link.sex,
        link.feeding,
        "",
        facts.get("attached", ""),
        facts.get("host", ""),
    )
    field = {"R1": "life_stage", "R2": "sex", "R18": "taxon"}
    for breach in breaches:
        if breach.level == "hard":
            faults[field[breach.rule]] = f"{breach.rule}: {breach.message}."
    if link.life_stage == "larva" and link.taxon_rank == "species" and link.based_on == "photograph":
        faults["taxon"] = (
            "R14: from a photograph a larva is named to genus at most (common practice); give the genus, or say under "
            "'based on' that you had the specimen."
        )
    return tuple(f"{b.rule}: {b.message}" for b in breaches if b.level == "soft")


def decide(
    connection: sqlite3.Connection,
    specimen_id: str,
    reader: str,
    checked: Checked,
    key: str,
    settings: DeskSettings,
) -> Conclusion:
    """Keep a reading, or a settling where two readings differ; return what the chain amounts to now.

    key: of the form that was sent; the same key again changes nothing and gives the same conclusion.
    Raises NotYoursError where another reader has the case, or it is not this reader's turn.
    """
    at = store.now()
    with store.writing(connection):
        if connection.execute("SELECT 1 FROM identification WHERE key = ?", (key,)).fetchone():
            return chain.refresh(connection, specimen_id, at)
        other = worklist.holder(connection, specimen_id, reader)
        if other:
            raise NotYoursError(f"{other} has this case open now. Your entries are kept as your draft.")
        turn = worklist.is_in_work(connection, specimen_id, reader)
        if turn not in (worklist.READ, worklist.SETTLE):
            raise NotYoursError("This case has been decided in the meantime. Your entries are kept as your draft.")
        link = replace(
            checked.link,
            kind="settling" if turn == worklist.SETTLE else "reading",
            identified_by=reader,
            at=at,
            looked=has_looked(connection, specimen_id, reader),
            second_wanted=_second_wanted(connection, specimen_id, checked, settings),
        )
        chain.append(connection, specimen_id, link, key)
        connection.execute("DELETE FROM draft WHERE specimen_id = ? AND reader = ?", (specimen_id, reader))
        worklist.release(connection, specimen_id, reader)
        return chain.refresh(connection, specimen_id, at)


def _second_wanted(connection: sqlite3.Connection, specimen_id: str, checked: Checked, settings: DeskSettings) -> str:
    """Return why this reading wants a second one, "" if it does not: costly, rare, first of its name, odd, disputed."""
    link = checked.link
    if link.outcome in chain.WAITS:
        return ""
    reasons = list(checked.looks)
    name = link.scientific_name
    if name_is_among(name, settings.costly):
        reasons.append("a costly name")
    if name_is_among(name, settings.rare):
        reasons.append("a rare name")
    if (
        link.taxon_rank == "species"
        and not connection.execute(
            "SELECT 1 FROM identification i WHERE scientific_name = ? AND kind <> 'machine' AND specimen_id <> ? "
            "AND NOT EXISTS (SELECT 1 FROM identification w WHERE w.specimen_id = i.specimen_id "
            "AND w.withdraws = i.id) LIMIT 1",
            (name, specimen_id),
        ).fetchone()
    ):
        reasons.append("first of its name at this desk")
    machine = next((i for i in reversed(chain.of_specimen(connection, specimen_id)) if i.kind == "machine"), None)
    if machine is not None and machine.outcome != chain.REFERRED and not holds(machine.said, link.said):
        reasons.append("differs from the model")
    return "; ".join(reasons)


def holds(claim: Said, final: Said) -> bool:
    """True if what was claimed is so, given what was found: the same name or one above it, the same stage and sex.

    What the finding leaves open counts against the claim, as it does when a promise is certified.
    """
    if final.outcome == chain.NOT_A_TICK or claim.outcome == chain.NOT_A_TICK:
        return final.outcome == claim.outcome
    above = {final.scientific_name, *_ancestors(final.scientific_name)}
    return (
        claim.scientific_name in above and claim.life_stage in ("", final.life_stage) and claim.sex in ("", final.sex)
    )


def leaves_open(claim: Said, final: Said) -> bool:
    """True if the finding does not contradict the claim but says less than it."""
    if holds(claim, final) or final.outcome != chain.NAMED:
        return False
    below = {claim.scientific_name, *_ancestors(claim.scientific_name)}
    above = {final.scientific_name, *_ancestors(final.scientific_name)}
    return (
        (final.scientific_name in below or claim.scientific_name in above)
        and (not final.life_stage or claim.life_stage in ("", final.life_stage))
        and (not final.sex or claim.sex in ("", final.sex))
    )


def _ancestors(name: str) -> tuple[str, ...]:
    genus = names.species().get(name, name)
    family = names.genera().get(genus, "")
    return (genus, family, names.ORDER) if family else (names.ORDER,) if name in names.FAMILIES else ()


def withdraw(connection: sqlite3.Connection, specimen_id: str, reader: str, key: str) -> Conclusion:
    """Take the reader's last standing decision on a case out of account, as a new link of the chain.

    Raises NotYoursError if there is none.
    """
    at = store.now()
    with store.writing(connection):
        if not connection.execute("SELECT 1 FROM identification WHERE key = ?", (key,)).fetchone():
            links = chain.of_specimen(connection, specimen_id)
            gone = {i.withdraws for i in links}
            own = [i for i in links if i.identified_by == reader and i.kind in ("reading", "settling")]
            last = next((i for i in reversed(own) if i.id not in gone), None)
            if last is None:
                raise NotYoursError("You have no decision on this case that could be taken back.")
            link = Identification(0, "withdrawal", reader, at, "withdrawn", withdraws=last.id)
            chain.append(connection, specimen_id, link, key)
        return chain.refresh(connection, specimen_id, at)


def keep_draft(connection: sqlite3.Connection, specimen_id: str, reader: str, form: Mapping[str, str]) -> None:
    """Keep what a reader has entered so far."""
    connection.execute(
        "INSERT INTO draft VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET at = excluded.at, form = excluded.form",
        (specimen_id, reader, store.now(), json.dumps(dict(form), ensure_ascii=False)),
    )


def draft_of(connection: sqlite3.Connection, specimen_id: str, reader: str) -> dict[str, str]:
    """Return what a reader has entered so far, {} if nothing."""
    row = connection.execute(
        "SELECT form FROM draft WHERE specimen_id = ? AND reader = ?", (specimen_id, reader)
    ).fetchone()
    return dict(json.loads(row["form"])) if row else {}


LOOKED = "asked for the model's shortlist"


def look(connection: sqlite3.Connection, specimen_id: str, reader: str) -> None:
    """Log that a reader asked for the model's shortlist."""
    store.log(connection, reader, specimen_id, LOOKED)


def has_looked(connection: sqlite3.Connection, specimen_id: str, reader: str) -> bool:
    """True if the reader has asked for the model's shortlist of this case."""
    return bool(
        connection.execute(
            "SELECT 1 FROM event WHERE specimen_id = ? AND reader = ? AND what = ?", (specimen_id, reader, LOOKED)
        ).fetchone()
    )
