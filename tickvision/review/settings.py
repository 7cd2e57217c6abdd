"""How a desk works: which shares are read twice, what is costly, how long a case stays locked."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import asdict, dataclass, fields
from typing import Any

from tickvision.domain.cautions import DEAREST
from tickvision.review.store import writing


@dataclass(frozen=True)
class DeskSettings:
    """audit_share: of all specimens, drawn at random when they come in; those that the model named are read unmarked.

    second_share: of all cases, read twice whatever they are (5-10 % is common practice, no source). costly: names whose
    miss costs most, a genus stands for its species. rare: names that always want a second reader. max_error: what the
    model promises. false_alarm: the chance of an alarm in a season that keeps the promise. any_names: names are taken
    as written, not from the table of ticks.
    """

    bench: str = "this bench"
    contact: str = "the bench's human identifier"
    audit_share: float = 0.15
    second_share: float = 0.1
    costly: tuple[str, ...] = DEAREST
    rare: tuple[str, ...] = ()
    lock_minutes: float = 10
    max_error: float = 0.05
    false_alarm: float = 0.05
    any_names: bool = False
    drawn: bool = False


def load(connection: sqlite3.Connection) -> DeskSettings:
    """Return the settings kept in the store; those never set keep their defaults."""
    kept: dict[str, Any] = {r["name"]: json.loads(r["value"]) for r in connection.execute("SELECT * FROM setting")}
    known = {f.name for f in fields(DeskSettings)}
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in kept.items() if k in known}
    return DeskSettings(**values)


def save(connection: sqlite3.Connection, settings: DeskSettings) -> None:
    """Keep the settings in the store."""
    with writing(connection):
        connection.executemany(
            "INSERT INTO setting VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
            [(name, json.dumps(value)) for name, value in asdict(settings).items()],
        )
