"""The page of one case, and what a reader can do on it."""

from __future__ import annotations

import json
import secrets
import sqlite3
from collections.abc import Callable, Mapping
from typing import Any

from starlette.responses import PlainTextResponse, Response

from tickvision.deployment.decision import Decision
from tickvision.domain import cautions, vocabulary
from tickvision.review import chain, decisions, knowledge, worklist
from tickvision.review.web import Handler, Visit, go

CHARACTER = "character"
DECIDABLE = (worklist.READ, worklist.SETTLE)


def of_case(act: Callable[[Visit, sqlite3.Row], Response]) -> Handler:
    """Return a handler that looks the visit's case up, and says so where there is none."""

    def handler(visit: Visit) -> Response:
        """Act on the case, or say that it is not here."""
        specimen_id = visit.field("id") or visit.query.get("id", "")
        row = visit.connection.execute("SELECT * FROM specimen WHERE specimen_id = ?", (specimen_id,)).fetchone()
        return act(visit, row) if row else visit.page("missing.html", 404, what="No such case at this desk.")

    return handler


def just_decided(visit: Visit) -> dict[str, str] | None:
    """Return what this reader has just decided, to be said on the next page with a way to take it back."""
    specimen_id = visit.query.get("done", "")
    links = chain.of_specimen(visit.connection, specimen_id) if specimen_id else []
    gone = {i.withdraws for i in links}
    own = [i for i in links if i.identified_by == visit.reader and i.kind != "withdrawal" and i.id not in gone]
    return {"id": specimen_id, "said": str(own[-1]), "key": secrets.token_hex(16)} if own else None


def case(visit: Visit, row: sqlite3.Row) -> Response:
    """Show one case and lock it for this reader if it is their turn."""
    return _show(visit, row, None, {}, 200)


def _show(
    visit: Visit, row: sqlite3.Row, entered: Mapping[str, Any] | None, faults: Mapping[str, str], status: int
) -> Response:
    specimen_id = row["specimen_id"]
    turn = worklist.is_in_work(visit.connection, specimen_id, visit.reader)
    other = ""
    if turn in DECIDABLE:
        other = worklist.take_lock(visit.connection, specimen_id, visit.reader, visit.settings.lock_minutes)
    decision = Decision.from_dict(json.loads(row["prediction"]))
    facts = json.loads(row["facts"])
    return visit.page(
        "case.html",
        status,
        id=specimen_id,
        row=row,
        facts=facts,
        doubtful=knowledge.doubtful_dates(facts, row["removed_at"]),
        hours_left=worklist.hours_left(row["due_at"]),
        photographs=visit.connection.execute(
            "SELECT * FROM photograph WHERE specimen_id = ? ORDER BY position", (specimen_id,)
        ).fetchall(),
        turn=turn,
        can_decide=turn in DECIDABLE and not other,
        other=other,
        faults=faults,
        key=visit.field("key") or secrets.token_hex(16),
        long_cautions=cautions.LONG[1:],
        done=just_decided(visit) if not faults else None,
        **_said(visit, specimen_id, turn, bool(row["second_drawn"])),
        **_entries(visit, specimen_id, entered),
        **_helps(visit, specimen_id, decision, facts | {"removed_at": row["removed_at"]}),
        **CHOICES,
    )


CHOICES: dict[str, Any] = {
    "stages": vocabulary.LIFE_STAGES,
    "sexes": vocabulary.SEXES,
    "feedings": vocabulary.FEEDING_CLASSES,
    "confidences": decisions.CONFIDENCES,
    "bases": decisions.BASES,
    "qualifiers": decisions.QUALIFIERS,
    "size_caution": knowledge.SIZE_CAUTION,
}


def _said(visit: Visit, specimen_id: str, turn: str, second_drawn: bool) -> dict[str, Any]:
    """Return what was said of the case, as far as this reader may know it.

    Whose turn it is to read sees no name at all; nobody sees the model's until the case is concluded.
    """
    links = chain.of_specimen(visit.connection, specimen_id)
    gone = {i.withdraws for i in links}
    shown = [] if turn in (worklist.READ, "") else [i for i in links if turn == worklist.DONE or i.kind != "machine"]
    own = [i for i in links if i.identified_by == visit.reader and i.kind in ("reading", "settling")]
    standing = [i for i in own if i.id not in gone]
    return {
        "links": shown,
        "gone": gone,
        "conclusion": chain.conclude(links, second_drawn),
        "own": standing,
        "can_withdraw": bool(standing),
        "withdraw_key": secrets.token_hex(16),
    }


def _entries(visit: Visit, specimen_id: str, entered: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return what the form holds: what was just sent, else the draft."""
    draft = decisions.draft_of(visit.connection, specimen_id, visit.reader) if entered is None else {}
    blank: dict[str, Any] = dict.fromkeys((*decisions.FIELDS, CHARACTER), "")
    return {"form": blank | draft | dict(entered or {}), "has_draft": bool(draft)}


def _helps(visit: Visit, specimen_id: str, decision: Decision, facts: Mapping[str, str]) -> dict[str, Any]:
    """Return what is laid beside the case; what would give the model's candidates away only if they were asked for."""
    looked = decisions.has_looked(visit.connection, specimen_id, visit.reader)
    of_ticks = not visit.settings.any_names
    bench, contact = visit.settings.bench, visit.settings.contact
    hints = knowledge.separating(decision) if looked else []
    characters = knowledge.general_characters() if of_ticks else ()
    return {
        "looked": looked,
        "candidates": _candidates(decision) if looked else (),
        "hints": hints,
        "characters": characters,
        "sources": knowledge.sources([*(s for c in characters for _, _, s in c.states), *(h.source for h in hints)]),
        "names": knowledge.choosable_names() if of_ticks else (),
        "sizes": json.dumps(knowledge.sizes()),
        "texts": {o: knowledge.ready_text(o, decision, facts, bench, contact, looked) for o in chain.WAITS},
    }


def _candidates(decision: Decision) -> list[tuple[str, float]]:
    """Return the model's candidates in one form, whether it named the specimen or not."""
    held = [
        (" ".join(filter(None, (c.scientific_name, c.life_stage, c.sex))), c.probability) for c in decision.shortlist
    ]
    said = " ".join(filter(None, (decision.scientific_name, decision.life_stage, decision.sex)))
    return held or ([(said, decision.confidence)] if said else [])


def _entered(visit: Visit) -> dict[str, Any]:
    """Return what the form holds, as a draft is kept."""
    held: dict[str, Any] = {f: visit.field(f)[:2000] for f in decisions.FIELDS if visit.field(f)}
    seen = [c[:300] for c in visit.form.get(CHARACTER, [])[:100]]
    return held | ({CHARACTER: seen} if seen else {})


def keep_draft(visit: Visit, row: sqlite3.Row) -> Response:
    """Keep what is entered, and the lock."""
    specimen_id = row["specimen_id"]
    decisions.keep_draft(visit.connection, specimen_id, visit.reader, _entered(visit))
    if worklist.is_in_work(visit.connection, specimen_id, visit.reader) in DECIDABLE:
        worklist.take_lock(visit.connection, specimen_id, visit.reader, visit.settings.lock_minutes)
    return go("/case", id=specimen_id) if visit.field("then") != "stay" else PlainTextResponse("kept")


def look(visit: Visit, row: sqlite3.Row) -> Response:
    """Show the model's shortlist, and log that it was asked for."""
    decisions.keep_draft(visit.connection, row["specimen_id"], visit.reader, _entered(visit))
    decisions.look(visit.connection, row["specimen_id"], visit.reader)
    return go("/case", id=row["specimen_id"])


def give_back(visit: Visit, row: sqlite3.Row) -> Response:
    """Give the case back to the queue, the draft kept."""
    decisions.keep_draft(visit.connection, row["specimen_id"], visit.reader, _entered(visit))
    worklist.release(visit.connection, row["specimen_id"], visit.reader)
    return go("/")


def decide(visit: Visit, row: sqlite3.Row) -> Response:
    """Keep a decision, or show what is to be mended in it."""
    specimen_id, key = row["specimen_id"], visit.field("key")
    if not 16 <= len(key) <= 100:
        return PlainTextResponse("This form has lost its number. Open the case again.", 400)
    entered = _entered(visit)
    plain = {k: v for k, v in entered.items() if isinstance(v, str)}
    checked = decisions.check(
        plain, tuple(entered.get(CHARACTER, ())), json.loads(row["facts"]), visit.settings.any_names
    )
    if checked.faults:
        return _show(visit, row, entered, checked.faults, 422)
    try:
        decisions.decide(visit.connection, specimen_id, visit.reader, checked, key, visit.settings)
    except decisions.NotYoursError as error:
        decisions.keep_draft(visit.connection, specimen_id, visit.reader, entered)
        return _show(visit, row, entered, {"outcome": str(error)}, 409)
    return go("/next", done=specimen_id)


def withdraw(visit: Visit, row: sqlite3.Row) -> Response:
    """Take this reader's last decision on a case back; the case is theirs again."""
    decisions.withdraw(visit.connection, row["specimen_id"], visit.reader, visit.field("key"))
    return go("/case", id=row["specimen_id"])


ROUTES = (
    ("GET", "/case", of_case(case)),
    ("POST", "/case/draft", of_case(keep_draft)),
    ("POST", "/case/look", of_case(look)),
    ("POST", "/case/give-back", of_case(give_back)),
    ("POST", "/case/decide", of_case(decide)),
    ("POST", "/case/withdraw", of_case(withdraw)),
)
