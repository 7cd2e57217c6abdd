"""The pages of the desk: one function a page, each taking a visit and returning a response; cases have their own."""

from __future__ import annotations

import secrets
from dataclasses import replace

from starlette.responses import PlainTextResponse, RedirectResponse, Response

from tickvision.errors import ImageError
from tickvision.review import (
    audit,
    case_pages,
    knowledge,
    pairs,
    photographs,
    readers,
    season,
    season_files,
    settings,
    store,
    worklist,
)
from tickvision.review.drift import Drift
from tickvision.review.web import Desk, Visit, go, set_token, templates

# --- signing in ---------------------------------------------------------------------------------------------------


def sign_in_page(visit: Visit, status: int = 200, fault: str = "") -> Response:
    """Show the form to sign in; a visitor without a token is given one."""
    token = visit.token or secrets.token_urlsafe(32)
    shown = replace(visit, token=token, reader="")
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
        done=case_pages.just_decided(visit),
        alarm=bool(_watch(visit.desk).advice),
        with_others=worklist.waiting_for_another(visit.connection, visit.reader),
    )


def next_case(visit: Visit) -> Response:
    """Go to the first free case, or to the queue if there is none."""
    specimen_id = worklist.next_case(visit.connection, visit.reader)
    query = {"done": visit.query["done"]} if visit.query.get("done") else {}
    return go("/case", id=specimen_id, **query) if specimen_id else go("/", **query)


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


def _watch(desk: Desk) -> audit.Watch:
    return desk.lately("watch", lambda c: audit.watch_promise(c, settings.load(c)))


def _season(desk: Desk) -> season.Season:
    return desk.lately("season", season.summarise)


def _drifts(desk: Desk) -> tuple[Drift, Drift]:
    return desk.lately("drifts", season.drifts, grows_with="machine")


def _pairs(desk: Desk) -> list[pairs.PairAgreement]:
    return desk.lately("pairs", pairs.agreement)


def get_ready(desk: Desk) -> None:
    """Work out what looks back and read tables and templates, so that the first reader does not wait for it."""
    templates()
    for read in (knowledge.choosable_names, knowledge.general_characters, knowledge.sizes):
        read()
    for work_out in (_watch, _season, _drifts, _pairs):
        work_out(desk)


def readers_page(visit: Visit) -> Response:
    """Show how far the readers agree."""
    return visit.page("readers.html", pairs=_pairs(visit.desk), model=pairs.MODEL)


def audit_page(visit: Visit) -> Response:
    """Show the promise against what was seen."""
    return visit.page("audit.html", watch=_watch(visit.desk))


def season_page(visit: Visit) -> Response:
    """Show the season; with ?summary=1 the one page for printing."""
    return visit.page(
        "summary.html" if visit.query.get("summary") else "season.html",
        season=_season(visit.desk),
        stages=season.STAGES,
        drifts=_drifts(visit.desk),
        watch=_watch(visit.desk),
        today=store.now()[:10],
    )


def weeks_csv(visit: Visit) -> Response:
    """Send the weeks as CSV."""
    return _csv(season_files.weeks_csv(_season(visit.desk)), "weeks.csv")


def found_csv(visit: Visit) -> Response:
    """Send what was found as CSV."""
    return _csv(season_files.found_csv(_season(visit.desk)), "found.csv")


def stream_csv(visit: Visit) -> Response:
    """Send what changed in the stream as CSV."""
    return _csv(season_files.stream_csv(_drifts(visit.desk)), "stream.csv")


def _csv(text: str, name: str) -> Response:
    return Response(text, media_type="text/csv", headers={"content-disposition": f'attachment; filename="{name}"'})


ROUTES = (
    ("GET", "/", queue),
    ("GET", "/next", next_case),
    *case_pages.ROUTES,
    ("GET", "/photograph/{number:int}/{size}", photograph),
    ("GET", "/readers", readers_page),
    ("GET", "/audit", audit_page),
    ("GET", "/season", season_page),
    ("GET", "/season/weeks.csv", weeks_csv),
    ("GET", "/season/found.csv", found_csv),
    ("GET", "/season/stream.csv", stream_csv),
    ("POST", "/sign-out", sign_out),
)
