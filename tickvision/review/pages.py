"""The pages of the desk: one function a page or a button, each taking a visit and returning a response."""

from __future__ import annotations

import json
import secrets
from collections.abc import Mapping
from typing import Any

from starlette.responses import PlainTextResponse, RedirectResponse, Response

from tickvision.deployment.decision import Decision
from tickvision.domain import cautions, vocabulary
from tickvision.errors import ImageError
from tickvision.review import (
    audit,
    chain,
    decisions,
    knowledge,
    pairs,
    photographs,
    readers,
    season,
    season_files,
    store,
    worklist,
)
from tickvision.review.web import Visit, go, set_token

CHARACTER = "character"


# --- signing in ---------------------------------------------------------------------------------------------------


def sign_in_page(visit: Visit, status: int = 200, fault: str = "") -> Response:
    """Show the form to sign in; a visitor without a token is given one."""
    token = visit.token or secrets.token_urlsafe(32)
    shown = Visit(**{**vars(visit), "token": token, "reader": ""})
    back = visit.field("back") or visit.query.get("back", "/")
    page = shown.page("sign_in.html", status, fault=fault, back=back, needs_password=visit.desk.needs_password())
    return page if visit.token else set_token(page, token, visit.desk.is_secure)


def sign_in(visit: Visit) -> Response:
    """Start a session, under a token that nobody knew before."""
    try:
        token = readers.sign_in(
            visit.connection,
            visit.field("name").strip(),
            visit.field("password"),
            visit.address,
            visit.desk.needs_password(),
        )
    except readers.TooManyTriesError as error:
        page = sign_in_page(visit, 429, f"Nobody is let in now: {error}.")
        page.headers["retry-after"] = str(error.wait_s)
        return page
    if not token:
        what = "Name and password do not fit." if visit.desk.needs_password() else "Write your name, 1 to 60 letters."
        return sign_in_page(visit, 401, what)
    back = visit.field("back")
    is_ours = back.startswith("/") and not back.startswith(("//", "/\\"))
    return set_token(RedirectResponse(back if is_ours else "/", 303), token, visit.desk.is_secure)


def sign_out(visit: Visit) -> Response:
    """End the session."""
    readers.sign_out(visit.connection, visit.token)
    return set_token(go("/sign-in"), secrets.token_urlsafe(32), visit.desk.is_secure)


# --- queue --------------------------------------------------------------------------------------------------------


def queue(visit: Visit) -> Response:
    """Show what is to do, in its order."""
    view = visit.query.get("view", worklist.READ)
    view = view if view in worklist.VIEWS else worklist.READ
    clock = visit.query.get("clock", "")
    text = visit.query.get("text", "")[:100]
    return visit.page(
        "queue.html",
        entries=worklist.entries(visit.connection, visit.reader, view, clock, text),
        counts=worklist.counts(visit.connection, visit.reader),
        views=worklist.VIEWS,
        view=view,
        clock=clock,
        text=text,
        shown=worklist.SHOWN,
        done=_done(visit),
        alarm=bool(_watch(visit).advice),
    )


def _done(visit: Visit) -> dict[str, str] | None:
    """Return what this reader has just decided, to be said on the next page with a way to take it back."""
    specimen_id = visit.query.get("done", "")
    links = chain.of_specimen(visit.connection, specimen_id) if specimen_id else []
    gone = {i.withdraws for i in links}
    own = [i for i in links if i.identified_by == visit.reader and i.kind != "withdrawal" and i.id not in gone]
    return {"id": specimen_id, "said": str(own[-1]), "key": secrets.token_hex(16)} if own else None


def next_case(visit: Visit) -> Response:
    """Go to the first free case, or to the queue if there is none."""
    specimen_id = worklist.next_case(visit.connection, visit.reader)
    query = {"done": visit.query["done"]} if visit.query.get("done") else {}
    return go("/case", id=specimen_id, **query) if specimen_id else go("/", **query)


# --- one case -----------------------------------------------------------------------------------------------------


def case(visit: Visit) -> Response:
    """Show one case and lock it for this reader if it is their turn."""
    return _case_page(visit, visit.query.get("id", ""), None, {}, 200)


def _case_page(
    visit: Visit, specimen_id: str, entered: Mapping[str, Any] | None, faults: Mapping[str, str], status: int
) -> Response:
    row = visit.connection.execute("SELECT * FROM specimen WHERE specimen_id = ?", (specimen_id,)).fetchone()
    if row is None:
        return visit.page("missing.html", 404, what=f"No specimen '{specimen_id}' at this desk.")
    turn = worklist.is_in_work(visit.connection, specimen_id, visit.reader)
    is_mine = turn in (worklist.READ, worklist.SETTLE)
    other = ""
    if is_mine:
        other = worklist.take_lock(visit.connection, specimen_id, visit.reader, visit.settings.lock_minutes)
    links = chain.of_specimen(visit.connection, specimen_id)
    result = chain.conclude(links, bool(row["second_drawn"]))
    decision = Decision.from_dict(json.loads(row["prediction"]))
    facts = json.loads(row["facts"])
    draft = decisions.draft_of(visit.connection, specimen_id, visit.reader)
    looked = decisions.has_looked(visit.connection, specimen_id, visit.reader)
    gone = {i.withdraws for i in links}
    own = [i for i in links if i.identified_by == visit.reader and i.kind in ("reading", "settling")]
    return visit.page(
        "case.html",
        status,
        id=specimen_id,
        row=row,
        facts=facts,
        hours_left=worklist.hours_left(row["due_at"]),
        photographs=visit.connection.execute(
            "SELECT * FROM photograph WHERE specimen_id = ? ORDER BY position", (specimen_id,)
        ).fetchall(),
        turn=turn,
        can_decide=is_mine and not other,
        other=other,
        # a reader whose turn it is sees neither the model's nor another reader's name; a settler sees the readings
        links=[]
        if turn == worklist.READ or not turn
        else [i for i in links if turn != worklist.SETTLE or i.kind != "machine"],
        gone=gone,
        conclusion=result,
        can_withdraw=any(i.id not in gone for i in own),
        own=[i for i in own if i.id not in gone],
        form=dict.fromkeys((*decisions.FIELDS, CHARACTER), "") | dict(entered if entered is not None else draft),
        has_draft=bool(draft) and entered is None,
        faults=faults,
        key=visit.field("key") or secrets.token_hex(16),
        looked=looked,
        candidates=_candidates(decision) if looked else (),
        hints=knowledge.separating(decision) if looked else (),
        characters=knowledge.general_characters() if not visit.settings.any_names else (),
        names=knowledge.choosable_names() if not visit.settings.any_names else (),
        sizes=json.dumps(knowledge.sizes()),
        size_caution=knowledge.SIZE_CAUTION,
        stages=vocabulary.LIFE_STAGES,
        sexes=vocabulary.SEXES,
        feedings=vocabulary.FEEDING_CLASSES,
        confidences=decisions.CONFIDENCES,
        bases=decisions.BASES,
        qualifiers=decisions.QUALIFIERS,
        texts={
            o: knowledge.ready_text(o, decision, facts, visit.settings.bench, visit.settings.contact, looked)
            for o in chain.WAITS
        },
        long_cautions=cautions.LONG[1:],
        done=_done(visit) if not faults else None,
        withdraw_key=secrets.token_hex(16),
    )


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


def keep_draft(visit: Visit) -> Response:
    """Keep what is entered, and the lock."""
    specimen_id = visit.field("id")
    decisions.keep_draft(visit.connection, specimen_id, visit.reader, _entered(visit))
    if worklist.is_in_work(visit.connection, specimen_id, visit.reader) in (worklist.READ, worklist.SETTLE):
        worklist.take_lock(visit.connection, specimen_id, visit.reader, visit.settings.lock_minutes)
    return go("/case", id=specimen_id) if visit.field("then") != "stay" else PlainTextResponse("kept")


def look(visit: Visit) -> Response:
    """Show the model's shortlist, and log that it was asked for."""
    specimen_id = visit.field("id")
    decisions.keep_draft(visit.connection, specimen_id, visit.reader, _entered(visit))
    decisions.look(visit.connection, specimen_id, visit.reader)
    return go("/case", id=specimen_id)


def give_back(visit: Visit) -> Response:
    """Give the case back to the queue, the draft kept."""
    specimen_id = visit.field("id")
    decisions.keep_draft(visit.connection, specimen_id, visit.reader, _entered(visit))
    worklist.release(visit.connection, specimen_id, visit.reader)
    return go("/")


def decide(visit: Visit) -> Response:
    """Keep a decision, or show what is to be mended in it."""
    specimen_id, key = visit.field("id"), visit.field("key")
    row = visit.connection.execute("SELECT facts FROM specimen WHERE specimen_id = ?", (specimen_id,)).fetchone()
    if row is None or not 16 <= len(key) <= 100:
        return visit.page("missing.html", 404, what="This form is of no case at this desk.")
    entered = _entered(visit)
    plain = {k: v for k, v in entered.items() if isinstance(v, str)}
    checked = decisions.check(
        plain, tuple(entered.get(CHARACTER, ())), json.loads(row["facts"]), visit.settings.any_names
    )
    if checked.faults:
        return _case_page(visit, specimen_id, entered, checked.faults, 422)
    try:
        decisions.decide(visit.connection, specimen_id, visit.reader, checked, key, visit.settings)
    except decisions.NotYoursError as error:
        decisions.keep_draft(visit.connection, specimen_id, visit.reader, entered)
        return _case_page(visit, specimen_id, entered, {"outcome": str(error)}, 409)
    return go("/next", done=specimen_id)


def withdraw(visit: Visit) -> Response:
    """Take this reader's last decision on a case back; the case is theirs again."""
    decisions.withdraw(visit.connection, visit.field("id"), visit.reader, visit.field("key"))
    return go("/case", id=visit.field("id"))


def photograph(visit: Visit) -> Response:
    """Send one photograph as pixels."""
    size = visit.path["size"]
    if size not in photographs.LONG_SIDE_PX:
        return PlainTextResponse("no such size", 404)
    try:
        content = photographs.picture(visit.connection, visit.desk.folder, visit.path["number"], size)
    except ImageError as error:
        return PlainTextResponse(str(error), 404)
    return Response(content, media_type="image/jpeg", headers={"cache-control": "private, max-age=3600"})


# --- looking back ------------------------------------------------------------------------------------------------


def _watch(visit: Visit) -> audit.Watch:
    return visit.desk.lately("watch", lambda c: audit.watch_promise(c, visit.settings))


def _season(visit: Visit) -> season.Season:
    return visit.desk.lately("season", season.summarise)


def readers_page(visit: Visit) -> Response:
    """Show how far the readers agree."""
    return visit.page("readers.html", pairs=visit.desk.lately("pairs", pairs.agreement), model=pairs.MODEL)


def audit_page(visit: Visit) -> Response:
    """Show the promise against what was seen."""
    return visit.page("audit.html", watch=_watch(visit))


def season_page(visit: Visit) -> Response:
    """Show the season; with ?summary=1 the one page for printing."""
    return visit.page(
        "summary.html" if visit.query.get("summary") else "season.html",
        season=_season(visit),
        stages=season.STAGES,
        watch=_watch(visit),
        today=store.now()[:10],
    )


def weeks_csv(visit: Visit) -> Response:
    """Send the weeks as CSV."""
    return _csv(season_files.weeks_csv(_season(visit)), "weeks.csv")


def found_csv(visit: Visit) -> Response:
    """Send what was found as CSV."""
    return _csv(season_files.found_csv(_season(visit)), "found.csv")


def _csv(text: str, name: str) -> Response:
    return Response(text, media_type="text/csv", headers={"content-disposition": f'attachment; filename="{name}"'})


ROUTES = (
    ("GET", "/", queue),
    ("GET", "/next", next_case),
    ("GET", "/case", case),
    ("POST", "/case/draft", keep_draft),
    ("POST", "/case/look", look),
    ("POST", "/case/give-back", give_back),
    ("POST", "/case/decide", decide),
    ("POST", "/case/withdraw", withdraw),
    ("GET", "/photograph/{number:int}/{size}", photograph),
    ("GET", "/readers", readers_page),
    ("GET", "/audit", audit_page),
    ("GET", "/season", season_page),
    ("GET", "/season/weeks.csv", weeks_csv),
    ("GET", "/season/found.csv", found_csv),
    ("POST", "/sign-out", sign_out),
)
