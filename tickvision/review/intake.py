"""From prediction files to cases: what is referred is queued, and a random share of what was named, unmarked."""

from __future__ import annotations

import hashlib
import json
import math
import secrets
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from tickvision.deployment.decision import NAMED as MACHINE_NAMED
from tickvision.deployment.decision import TO_GENUS, Decision
from tickvision.deployment.referral import preventive_care_until
from tickvision.deployment.sources import URL
from tickvision.domain import user_tables
from tickvision.domain.names import species
from tickvision.errors import DataError
from tickvision.review import chain, store
from tickvision.review.chain import Identification
from tickvision.review.settings import DeskSettings

FACTS = (
    "submission_id", "event_date", "received_at", "removed_at", "place", "host", "travel", "attached", "creator",
    "license_uri", "rights_holder", "device", "view", "remarks",
)  # fmt: skip
OUTSIDE, ELSEWHERE = "outside", "elsewhere"


@dataclass
class Intake:
    """What came in: new cases, known specimens with a new prediction, unchanged ones, and how many are queued."""

    new: int = 0
    renewed: int = 0
    unchanged: int = 0
    queued: int = 0
    not_shown: int = 0


def read_predictions(path: Path) -> Iterator[Decision]:
    """Yield the decisions of a file of JSON lines. Raises DataError that names the line."""
    try:
        with path.open("r", encoding="utf-8") as handle:
            for number, line in enumerate(handle, 1):
                try:
                    yield Decision.from_dict(_writable(json.loads(line)))
                except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
                    raise DataError(
                        f"{path}, line {number}: no decision in JSON ({type(error).__name__}: {str(error)[:120]}). "
                        "Expected the output of: tickvision predict PACKAGE ... --format jsonl"
                    ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise DataError(f"{path}: cannot be read ({error}).") from None


def _writable(form: Any) -> Any:
    """Return parsed JSON whose texts can be written as UTF-8: half a character pair is kept as its escape."""
    if isinstance(form, str):
        return form.encode("utf-8", "backslashreplace").decode("utf-8")
    if isinstance(form, list):
        return [_writable(f) for f in form]
    return {_writable(k): _writable(v) for k, v in form.items()} if isinstance(form, dict) else form


def read_facts(path: Path | None) -> dict[str, dict[str, str]]:
    """Return specimen_id -> submission facts (columns FACTS; others are left out) of a CSV, {} without one."""
    if path is None:
        return {}
    facts: dict[str, dict[str, str]] = {}
    for _, row in user_tables.read(path, ("specimen_id",), "a CSV of facts", DataError, FACTS):
        held = facts.setdefault(row["specimen_id"], {})
        for name in FACTS:
            held[name] = held.get(name) or row[name].strip()
    return facts


def read_picks(path: Path | None) -> frozenset[str]:
    """Return the specimens of a file of `select`, none without one. Raises DataError if it has no specimen_id."""
    return frozenset(read_facts(path))


def take_in(
    connection: sqlite3.Connection,
    decisions: Iterable[Decision],
    settings: DeskSettings,
    photographs: Path,
    facts: Mapping[str, Mapping[str, str]] | None = None,
    embeddings: Mapping[str, bytes] | None = None,
    picked: frozenset[str] = frozenset(),
) -> Intake:
    """Add predictions to the store, all in one transaction; a specimen that is known keeps its chain and gains a link.

    picked: specimens to be labelled whatever the model says of them; new ones among them are never drawn at random.
    photographs: the folder that relative paths start from, and outside which nothing is ever shown.
    """
    done = Intake()
    root = photographs.resolve()
    with store.writing(connection):
        connection.execute("INSERT OR IGNORE INTO root VALUES (?)", (str(root),))
        seed = _seed(connection)
        decisions = list(decisions)
        doubts = [informativeness(d) for d in decisions if not was_named(d)]
        for decision in decisions:
            known = connection.execute(
                "SELECT prediction FROM specimen WHERE specimen_id = ?", (decision.specimen_id,)
            ).fetchone()
            form = json.dumps(decision.to_dict(), ensure_ascii=False)
            said = dict((facts or {}).get(decision.specimen_id, {}))
            if known is not None:
                _add_facts(connection, decision, said)
            if known is not None and known["prediction"] == form:
                done.unchanged += 1
                continue
            if known is None:
                _add(connection, decision, form, settings, said, seed, doubts, decision.specimen_id in picked)
                done.new += 1
            else:
                _renew(connection, decision, form, settings)
                done.renewed += 1
            if embeddings and decision.specimen_id in embeddings:
                connection.execute(
                    "UPDATE specimen SET embedding = ? WHERE specimen_id = ?",
                    (embeddings[decision.specimen_id], decision.specimen_id),
                )
            done.not_shown += _add_photographs(connection, decision, root)
            chain.append(connection, decision.specimen_id, _machine(decision))
            chain.refresh(connection, decision.specimen_id, store.now())
        connection.executemany(
            "UPDATE specimen SET is_picked = 1, is_queued = 1 WHERE specimen_id = ?", [(p,) for p in sorted(picked)]
        )
        done.queued = connection.execute("SELECT count(*) FROM specimen WHERE is_queued").fetchone()[0]
        store.log(connection, "", "", f"imported: {done.new} new, {done.renewed} renewed, {done.unchanged} unchanged")
    return done


def _seed(connection: sqlite3.Connection) -> str:
    """Return the secret that draws are made from: nobody can tell from a specimen's name whether it is audited."""
    row = connection.execute("SELECT value FROM setting WHERE name = 'draw_seed'").fetchone()
    if row is None:
        seed = secrets.token_hex(16)
        connection.execute("INSERT INTO setting VALUES ('draw_seed', ?)", (json.dumps(seed),))
        return seed
    return str(json.loads(row["value"]))


def draw(seed: str, what: str, specimen_id: str) -> float:
    """Return a number in [0, 1) that is uniform over seeds and the same for the same three words."""
    digest = hashlib.blake2b(f"{what}\0{specimen_id}".encode("utf-8", "surrogateescape"), key=seed.encode()).digest()
    return int.from_bytes(digest[:7], "big") / 2**56


def _add(
    connection: sqlite3.Connection,
    decision: Decision,
    form: str,
    settings: DeskSettings,
    facts: Mapping[str, str],
    seed: str,
    doubts: Sequence[float],
    is_picked: bool,
) -> None:
    removed = decision.removed_at or facts.get("removed_at", "")
    named = was_named(decision)
    is_random = not is_picked and draw(seed, "random", decision.specimen_id) < settings.audit_share
    at = store.now()
    values = {
        "specimen_id": decision.specimen_id,
        "imported_at": at,
        "received_at": _utc(facts.get("received_at", "")) or at,
        "removed_at": removed,
        "due_at": _due(removed),
        "machine_state": decision.state,
        "prediction": form,
        "facts": json.dumps({k: v for k, v in facts.items() if v}, ensure_ascii=False),
        "is_random": is_random,
        "is_picked": is_picked,
        "is_queued": not named or is_random or is_picked,
        "costly": is_costly(decision, settings.costly),
        "informativeness": _place(seed, decision.specimen_id, doubts) if named else informativeness(decision),
        "second_drawn": draw(seed, "second", decision.specimen_id) < settings.second_share,
        "status": chain.TO_READ,
        "concluded_at": "",
    }
    columns, marks = ", ".join(values), ", ".join(f":{k}" for k in values)
    connection.execute(f"INSERT INTO specimen ({columns}) VALUES ({marks})", values)  # noqa: S608 (keys above)


def _place(seed: str, specimen_id: str, doubts: Sequence[float]) -> float:
    """Return the doubt of a referred case drawn at random: an audit's place in the queue gives nothing away."""
    at = draw(seed, "place", specimen_id)
    return doubts[int(at * len(doubts))] if doubts else at


def _renew(connection: sqlite3.Connection, decision: Decision, form: str, settings: DeskSettings) -> None:
    """Take a further prediction of a known specimen: what is queued stays queued, what is referred now is queued."""
    connection.execute(
        "UPDATE specimen SET prediction = ?, machine_state = ?, is_queued = max(is_queued, ?), costly = max(costly, ?) "
        "WHERE specimen_id = ?",
        (
            form,
            decision.state,
            not was_named(decision),
            is_costly(decision, settings.costly),
            decision.specimen_id,
        ),
    )


def _add_facts(connection: sqlite3.Connection, decision: Decision, facts: Mapping[str, str]) -> None:
    """Take what is said anew of a known specimen's submission; it may start or mend the clock. Blanks say nothing."""
    query = "SELECT facts, removed_at, received_at FROM specimen WHERE specimen_id = ?"
    old = connection.execute(query, (decision.specimen_id,)).fetchone()
    said = {k: v for k, v in facts.items() if v}
    removed = decision.removed_at or said.get("removed_at", "") or old["removed_at"]
    connection.execute(
        "UPDATE specimen SET facts = ?, removed_at = ?, due_at = ?, received_at = ? WHERE specimen_id = ?",
        (
            json.dumps(json.loads(old["facts"]) | said, ensure_ascii=False),
            removed,
            _due(removed),
            _utc(said.get("received_at", "")) or old["received_at"],
            decision.specimen_id,
        ),
    )


def _utc(text: str) -> str:
    try:
        return store.stamp(datetime.fromisoformat(text)) if text else ""
    except (ValueError, OverflowError):
        return ""


def _due(removed_at: str) -> str:
    try:
        return _utc(preventive_care_until(removed_at))
    except (ValueError, OverflowError):  # no time, or one of the last days of the calendar
        return ""


def was_named(decision: Decision) -> bool:
    """True if the model gave a name, at whatever rank."""
    return decision.state in (MACHINE_NAMED, TO_GENUS)


def is_costly(decision: Decision, costly: tuple[str, ...]) -> bool:
    """True if one of the candidates, or the name given, is costly to miss."""
    names = [c.scientific_name for c in decision.shortlist] or [decision.scientific_name]
    return any(name_is_among(n, costly) for n in names)


def name_is_among(name: str, names: Iterable[str]) -> bool:
    """True if a name, or its genus, is one of the names."""
    return bool(name) and any(name == n or species().get(name) == n for n in names)


def informativeness(decision: Decision) -> float:
    """Return how much a label of this case would teach, 0..1: the entropy of its shortlist, what is left out as one.

    1 where the model gives no candidates at all.
    """
    shares = [c.probability for c in decision.shortlist if c.probability > 0]
    if not shares:
        return 1.0
    rest = max(0.0, 1 - sum(shares))
    shares += [rest] if rest > 1e-9 else []
    return -sum(p * math.log(p) for p in shares) / math.log(max(2, len(shares)))


def _add_photographs(connection: sqlite3.Connection, decision: Decision, root: Path) -> int:
    """Add the photographs that are not known, mark those that are good by now; return how many cannot be shown."""
    start = connection.execute(
        "SELECT coalesce(max(position) + 1, 0) FROM photograph WHERE specimen_id = ?", (decision.specimen_id,)
    ).fetchone()[0]
    hidden = 0
    for number, photo in enumerate(decision.photographs):
        path, status, reason = confine(photo.path, root)
        if status == "ok" and photo.status != "ok":
            status, reason = photo.status, photo.reason
        hidden += status in (OUTSIDE, ELSEWHERE)
        connection.execute(
            "INSERT INTO photograph (specimen_id, position, path, status, reason, region) VALUES (?, ?, ?, ?, ?, ?) "
            "ON CONFLICT DO UPDATE SET status = excluded.status, reason = excluded.reason WHERE excluded.status = 'ok'",
            (
                decision.specimen_id,
                start + number,
                path,
                status,
                reason,
                " ".join(f"{v:g}" for v in photo.region) if photo.region else "",
            ),
        )
    return hidden


def confine(name: str, root: Path) -> tuple[str, str, str]:
    """Return (path, status, reason) of a photograph's name: ok only for a path that stays inside the root."""
    if URL.match(name) or ".zip/" in name.lower():
        return name, ELSEWHERE, "lies in an archive or on another machine; unpack it into the photographs' folder"
    try:
        path = (root / name).resolve()
    except (OSError, ValueError, RuntimeError):
        return name, OUTSIDE, "no usable file name"
    if not path.is_relative_to(root):
        return str(path), OUTSIDE, f"lies outside {root}; import with --photographs to say where photographs lie"
    return str(path), "ok", ""


def _machine(decision: Decision) -> Identification:
    """Return what the model said as the chain's link; a referral is a link without a name."""
    named = was_named(decision)
    is_no_tick = named and decision.taxon_rank == "none"
    return Identification(
        id=0,
        kind="machine",
        identified_by=decision.model,
        at=store.now(),
        outcome=chain.NOT_A_TICK if is_no_tick else chain.NAMED if named else chain.REFERRED,
        scientific_name="" if is_no_tick else decision.scientific_name,
        taxon_rank=decision.taxon_rank,
        life_stage=decision.life_stage,
        sex=decision.sex,
        confidence=f"{decision.confidence:.4f}",
        based_on="photograph",
        remarks=decision.promise if named else decision.reason,
    )
