"""The chain of identifications of one specimen, and what it amounts to. Nothing in it is ever changed or removed.

machine -> reading -> (second reading) -> (settling); a withdrawal takes its maker's row out of account.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

NAMED, NOT_A_TICK, NEED_PHOTO, NEED_SPECIMEN, REFERRED = (
    "named",
    "not_a_tick",
    "need_photograph",
    "need_specimen",
    "referred",
)
OUTCOMES = (NAMED, NOT_A_TICK, NEED_PHOTO, NEED_SPECIMEN)
WAITS = (NEED_PHOTO, NEED_SPECIMEN)

TO_READ, TO_READ_AGAIN, TO_SETTLE, WAITING, CONCLUDED = "to_read", "to_read_again", "to_settle", "waiting", "concluded"


class Said(NamedTuple):
    """What two readers must agree on, and what a claim is held against."""

    outcome: str
    scientific_name: str
    life_stage: str
    sex: str


@dataclass(frozen=True)
class Identification:
    """One link of the chain. kind: machine, reading, settling or withdrawal (then `withdraws` names the row)."""

    id: int
    kind: str
    identified_by: str
    at: str
    outcome: str
    scientific_name: str = ""
    taxon_rank: str = ""
    qualifier: str = ""
    life_stage: str = ""
    sex: str = ""
    feeding: str = ""
    confidence: str = ""
    based_on: str = ""
    remarks: str = ""
    length_mm: float | None = None
    characters: tuple[str, ...] = ()
    looked: bool = False
    second_wanted: str = ""
    withdraws: int | None = None

    @property
    def said(self) -> Said:
        """What it says, without who, when and from what."""
        return Said(self.outcome, self.scientific_name, self.life_stage, self.sex)

    def __str__(self) -> str:
        if self.outcome != NAMED:
            return self.outcome.replace("_", " ")
        name = " ".join(filter(None, (self.scientific_name, self.qualifier))) or "a tick, no name"
        return ", ".join(filter(None, (name, " ".join(filter(None, (self.life_stage, self.sex))))))


@dataclass(frozen=True)
class Conclusion:
    """What a chain amounts to. readings: those in account, one a reader, oldest first. final: None until concluded.

    by: everyone who stands behind the final name.
    """

    status: str
    machine: Identification | None
    readings: tuple[Identification, ...]
    final: Identification | None = None
    by: tuple[str, ...] = ()


def conclude(chain: Sequence[Identification], second_drawn: bool) -> Conclusion:
    """Return what a chain amounts to. second_drawn: this specimen is read twice whatever is said of it."""
    withdrawn = {i.withdraws for i in chain if i.kind == "withdrawal"}
    machine = next((i for i in reversed(chain) if i.kind == "machine"), None)
    standing = [i for i in chain if i.id not in withdrawn]
    answered = machine.id if machine else 0  # new material came after these requests for it
    readings = {
        i.identified_by: i for i in standing if i.kind == "reading" and not (i.outcome in WAITS and i.id < answered)
    }
    ordered = tuple(sorted(readings.values(), key=lambda i: i.id))
    settling = next((i for i in reversed(standing) if i.kind == "settling"), None)
    if settling is not None and not (settling.outcome in WAITS and settling.id < answered):
        status = WAITING if settling.outcome in WAITS else CONCLUDED
        return Conclusion(
            status, machine, ordered, settling if status == CONCLUDED else None, (settling.identified_by,)
        )
    if not ordered:
        return Conclusion(TO_READ, machine, ())
    first = ordered[0]
    if len(ordered) == 1:
        if first.outcome in WAITS:
            return Conclusion(WAITING, machine, ordered)
        if second_drawn or first.second_wanted:
            return Conclusion(TO_READ_AGAIN, machine, ordered)
        return Conclusion(CONCLUDED, machine, ordered, first, (first.identified_by,))
    if first.said != ordered[1].said:
        return Conclusion(TO_SETTLE, machine, ordered)
    if first.outcome in WAITS:
        return Conclusion(WAITING, machine, ordered)
    return Conclusion(CONCLUDED, machine, ordered, first, tuple(i.identified_by for i in ordered[:2]))


def of_specimen(connection: sqlite3.Connection, specimen_id: str) -> list[Identification]:
    """Return the whole chain of a specimen, oldest first."""
    found = connection.execute("SELECT * FROM identification WHERE specimen_id = ? ORDER BY id", (specimen_id,))
    return [from_row(r) for r in found]


def from_row(row: sqlite3.Row) -> Identification:
    """Return the identification of a row of the store."""
    values = {k: row[k] for k in Identification.__dataclass_fields__}
    return Identification(
        **values | {"characters": tuple(json.loads(row["characters"])), "looked": bool(row["looked"])}
    )


def all_chains(connection: sqlite3.Connection) -> dict[str, list[Identification]]:
    """Return specimen_id -> chain for the whole store."""
    chains: dict[str, list[Identification]] = {}
    for row in connection.execute("SELECT * FROM identification ORDER BY id"):
        chains.setdefault(row["specimen_id"], []).append(from_row(row))
    return chains


def append(connection: sqlite3.Connection, specimen_id: str, link: Identification, key: str | None = None) -> int:
    """Add one identification (its id is given by the store) inside a transaction; return the id."""
    values = {k: getattr(link, k) for k in Identification.__dataclass_fields__ if k != "id"}
    values |= {"characters": json.dumps(link.characters, ensure_ascii=False), "looked": int(link.looked)}
    values |= {"specimen_id": specimen_id, "key": key}
    columns = ", ".join(values)
    marks = ", ".join(f":{k}" for k in values)
    cursor = connection.execute(f"INSERT INTO identification ({columns}) VALUES ({marks})", values)  # noqa: S608 (our fields)
    return int(cursor.lastrowid or 0)


def refresh(connection: sqlite3.Connection, specimen_id: str, at: str) -> Conclusion:
    """Write what the chain amounts to beside the specimen, inside the transaction that added to the chain.

    at: when that was; a conclusion that stood before keeps its own time.
    """
    query = "SELECT second_drawn, final_id, concluded_at FROM specimen WHERE specimen_id = ?"
    old = connection.execute(query, (specimen_id,)).fetchone()
    result = conclude(of_specimen(connection, specimen_id), bool(old["second_drawn"]))
    if result.final is not None and result.final.id == old["final_id"]:
        at = old["concluded_at"]
    connection.execute(
        "UPDATE specimen SET status = ?, concluded_at = ?, final_id = ? WHERE specimen_id = ?",
        (
            result.status,
            at if result.status == CONCLUDED else "",
            result.final.id if result.final else None,
            specimen_id,
        ),
    )
    return result
