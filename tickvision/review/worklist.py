"""The order of the day: whose clock runs out first, then what is costly to miss, then what teaches most."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime, timedelta

from tickvision.review import store

SHOWN = 100
# What a reader may filter by. A second reading looks like a first one, an audit like a referral.
READ, SETTLE, WAIT, DONE = "read", "settle", "wait", "done"
VIEWS = {
    READ: "to read",
    SETTLE: "to settle",
    WAIT: "waiting for material",
    DONE: "concluded",
}
_MINE = (
    "NOT EXISTS (SELECT 1 FROM identification i WHERE i.specimen_id = s.specimen_id AND i.kind = 'reading' "
    "AND i.identified_by = :reader AND i.id NOT IN (SELECT withdraws FROM identification w "
    "WHERE w.specimen_id = s.specimen_id AND w.withdraws IS NOT NULL))"
)
_WHERE = {
    READ: f"(s.status = 'to_read' OR (s.status = 'to_read_again' AND {_MINE}))",
    SETTLE: "s.status = 'to_settle'",
    WAIT: "s.status = 'waiting'",
    DONE: "s.status = 'concluded'",
}
_ORDER = "CASE WHEN s.due_at > :now THEN s.due_at ELSE '~' END, s.costly DESC, s.informativeness DESC, s.specimen_id"


@dataclass(frozen=True)
class Entry:
    """One line of the queue. hours_left: until 72 h after removal, negative when past, None if not known.

    locked_by: another reader who has it open, "" if none.
    """

    specimen_id: str
    status: str
    received_at: str
    hours_left: float | None
    costly: bool
    photographs: int
    place: str
    host: str
    locked_by: str


def entries(
    connection: sqlite3.Connection, reader: str, view: str = READ, clock: str = "", text: str = "", limit: int = SHOWN
) -> list[Entry]:
    """Return the queue in its order. clock: running, past, none or "" for all. text: part of id or facts."""
    at = store.now()
    wanted = {"running": "s.due_at > :now", "past": "s.due_at <> '' AND s.due_at <= :now", "none": "s.due_at = ''"}
    like = f"%{text.replace('!', '!!').replace('%', '!%').replace('_', '!_')}%"
    order = "s.concluded_at DESC" if view == DONE else _ORDER
    query = (  # the parts are constants of this module; what a reader writes goes in as parameters
        "SELECT s.specimen_id, s.status, s.received_at, s.due_at, s.costly, l.reader AS locked_by, "  # noqa: S608 (see above)
        "json_extract(s.facts, '$.place') AS place, "
        "json_extract(s.facts, '$.host') AS host, "
        "(SELECT count(*) FROM photograph p WHERE p.specimen_id = s.specimen_id) AS photographs "
        "FROM specimen s LEFT JOIN lock l ON l.specimen_id = s.specimen_id AND l.until > :now AND l.reader <> :reader "
        f"WHERE s.is_queued AND {_WHERE[view]} AND {wanted.get(clock, '1')} "
        "AND (:text = '' OR s.specimen_id LIKE :like ESCAPE '!' "
        "OR EXISTS (SELECT 1 FROM json_each(s.facts) f WHERE f.value LIKE :like ESCAPE '!')) "
        f"ORDER BY {order} LIMIT :limit"
    )
    found = connection.execute(query, {"now": at, "reader": reader, "text": text, "like": like, "limit": limit})
    return [
        Entry(
            r["specimen_id"],
            r["status"],
            r["received_at"],
            hours_left(r["due_at"]),
            bool(r["costly"]),
            r["photographs"],
            r["place"] or "",
            r["host"] or "",
            r["locked_by"] or "",
        )
        for r in found
    ]


def counts(connection: sqlite3.Connection, reader: str) -> dict[str, int]:
    """Return how many queued cases each view holds for this reader."""
    return {
        view: connection.execute(
            f"SELECT count(*) FROM specimen s WHERE s.is_queued AND {where}",  # noqa: S608 (constants)
            {"reader": reader} if ":reader" in where else {},
        ).fetchone()[0]
        for view, where in _WHERE.items()
    }


def waiting_for_another(connection: sqlite3.Connection, reader: str) -> int:
    """Return how many cases this reader has read that wait for a second one."""
    query = f"SELECT count(*) FROM specimen s WHERE s.status = 'to_read_again' AND NOT ({_MINE})"  # noqa: S608 (a constant)
    return int(connection.execute(query, {"reader": reader}).fetchone()[0])


def next_case(connection: sqlite3.Connection, reader: str) -> str:
    """Return the first case that this reader may read and nobody else has open, "" if there is none."""
    free = (e.specimen_id for e in entries(connection, reader, limit=50) if not e.locked_by)
    return next(free, "")


def is_in_work(connection: sqlite3.Connection, specimen_id: str, reader: str) -> str:
    """Return the view in which this reader meets a specimen, "" if it is not queued or another reader's turn."""
    for view, where in _WHERE.items():
        query = f"SELECT 1 FROM specimen s WHERE s.specimen_id = :id AND s.is_queued AND {where}"  # noqa: S608 (constants)
        parameters = {"id": specimen_id} | ({"reader": reader} if ":reader" in where else {})
        if connection.execute(query, parameters).fetchone():
            return view
    return ""


def hours_left(due_at: str) -> float | None:
    """Return the hours until a due time of the store, None if there is none."""
    if not due_at:
        return None
    return (datetime.fromisoformat(due_at) - datetime.fromisoformat(store.now())).total_seconds() / 3600


def take_lock(connection: sqlite3.Connection, specimen_id: str, reader: str, minutes: float) -> str:
    """Lock a case for a reader, or renew the lock; return "" or the name of the other reader who has it open."""
    at = store.now()
    until = store.stamp(datetime.fromisoformat(at) + timedelta(minutes=minutes))
    half = store.stamp(datetime.fromisoformat(at) + timedelta(minutes=minutes / 2))
    mine = "SELECT 1 FROM lock WHERE specimen_id = ? AND reader = ? AND until > ?"
    if minutes > 0 and connection.execute(mine, (specimen_id, reader, half)).fetchone():
        return ""
    with store.writing(connection):
        other = holder(connection, specimen_id, reader)
        if not other:
            connection.execute(
                "INSERT INTO lock VALUES (?, ?, ?) ON CONFLICT (specimen_id) DO UPDATE "
                "SET reader = excluded.reader, until = excluded.until",
                (specimen_id, reader, until),
            )
    return other


def holder(connection: sqlite3.Connection, specimen_id: str, reader: str) -> str:
    """Return the other reader whose lock on this case has not run out, "" if there is none."""
    row = connection.execute(
        "SELECT reader FROM lock WHERE specimen_id = ? AND until > ? AND reader <> ?",
        (specimen_id, store.now(), reader),
    ).fetchone()
    return str(row["reader"]) if row else ""


def release(connection: sqlite3.Connection, specimen_id: str, reader: str) -> None:
    """Give a case back to the queue."""
    connection.execute("DELETE FROM lock WHERE specimen_id = ? AND reader = ?", (specimen_id, reader))
