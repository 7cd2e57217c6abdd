"""The desk as a web application: who is asking, which store, which page; and how it is served."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urlencode

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from tickvision import __version__
from tickvision.domain import cautions
from tickvision.errors import DataError, TickvisionError
from tickvision.review import readers, settings, store
from tickvision.review.guard import COOKIE, Guard

if TYPE_CHECKING:
    from starlette.requests import Request

LOOPBACK = frozenset(["127.0.0.1", "localhost", "::1"])
SLOWER = 20
T = TypeVar("T")
STATIC = {"desk.css": "text/css", "desk.js": "text/javascript", "desk.svg": "image/svg+xml"}


@dataclass(frozen=True)
class _Kept:
    newest: int
    at: float
    took_s: float
    value: Any


@dataclass
class Desk:
    """A store and how it is served. One connection a thread."""

    folder: Path
    is_loopback: bool = True
    is_secure: bool = False
    _local: threading.local = field(default_factory=threading.local)
    _kept: dict[str, _Kept] = field(default_factory=dict)
    _working: dict[str, threading.Lock] = field(default_factory=dict)

    def lately(self, name: str, make: Callable[[sqlite3.Connection], T], grows_with: str = "") -> T:
        """Return what `make` finds in the whole store, worked out anew when the chain has grown, but not more often
        than takes a twentieth of the time: looking back must not slow down those who read.

        grows_with: the kind of link that it depends on, "" if on all.
        """
        query = "SELECT id FROM identification WHERE :kind IN ('', kind) ORDER BY id DESC LIMIT 1"
        newest = (self.connection().execute(query, {"kind": grows_with}).fetchone() or (0,))[0]
        held = self._kept.get(name)
        is_due = held is None or (held.newest != newest and time.monotonic() - held.at > SLOWER * held.took_s)
        working = self._working.setdefault(name, threading.Lock())
        if is_due and working.acquire(blocking=held is None):  # while one works it out, others see what was held
            try:
                held = self._kept.get(name)
                if held is None or held.newest != newest:  # else another has just done it
                    start = time.monotonic()
                    value = make(self.connection())
                    held = self._kept[name] = _Kept(newest, start, time.monotonic() - start, value)
            finally:
                working.release()
        return held.value  # type: ignore[union-attr,no-any-return]

    def connection(self) -> sqlite3.Connection:
        """Return this thread's connection to the store."""
        if not hasattr(self._local, "connection"):
            self._local.connection = store.open_store(self.folder)
        return self._local.connection  # type: ignore[no-any-return]

    def needs_password(self) -> bool:
        """True unless this is loopback and no reader has a password."""
        return not self.is_loopback or bool(readers.known(self.connection()))


@dataclass(frozen=True)
class Visit:
    """One request of a reader: who, through which connection, with which form (first values)."""

    desk: Desk
    connection: sqlite3.Connection
    settings: settings.DeskSettings
    reader: str
    token: str
    form: dict[str, list[str]]
    query: dict[str, str]
    path: dict[str, Any]
    address: str

    def field(self, name: str) -> str:
        """Return the first value of a field, "" if it is not there."""
        return self.form.get(name, [""])[0]

    def page(self, template: str, status: int = 200, **values: Any) -> Response:
        """Return a page. What every page needs is there already."""
        html = (
            templates()
            .get_template(template)
            .render(
                reader=self.reader,
                form_token=readers.form_token(self.token),
                desk=self.settings,
                caution=cautions.SHORT,
                drawn=cautions.DRAWN if self.settings.drawn else "",
                version=__version__,
                **values,
            )
        )
        return HTMLResponse(html, status)


Handler = Callable[[Visit], Response]


def link(path: str, **query: str) -> str:
    """Return a path with its query, escaped."""
    return f"{path}?{urlencode(query)}" if query else path


def go(path: str, **query: str) -> Response:
    """Return an answer that sends the browser on, so that a reload sends no form again."""
    return RedirectResponse(link(path, **query), 303)


@cache
def templates() -> Environment:
    """Return the desk's templates, all of them compiled."""
    made = Environment(
        loader=PackageLoader("tickvision.review"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    made.globals["link"] = link
    made.filters["percent"] = lambda v: f"{100 * v:.1f} %"
    made.filters["when"] = lambda t: t[:16].replace("T", " ") + (" UTC" if t else "")
    for name in made.list_templates():
        made.get_template(name)
    return made


def build(desk: Desk, hosts: frozenset[str] = LOOPBACK) -> Starlette:
    """Return the ASGI application of a desk. hosts: names that it answers to."""
    from tickvision.review import pages

    routes = [
        Route("/sign-in", _open(desk, pages.sign_in_page)),
        Route("/sign-in", _open(desk, pages.sign_in), methods=["POST"]),
        Route("/static/{name}", _static),
        *(Route(path, _signed_in(desk, handler), methods=[method]) for method, path, handler in pages.ROUTES),
    ]
    return Starlette(routes=routes, middleware=[Middleware(Guard, hosts=hosts)])


def _visit(desk: Desk, request: Request) -> Visit:
    connection = desk.connection()
    token = request.state.token
    return Visit(
        desk,
        connection,
        settings.load(connection),
        readers.of_token(connection, token) if token else "",
        token,
        request.state.form,
        dict(request.query_params),
        dict(request.path_params),
        request.client.host if request.client else "",
    )


def _open(desk: Desk, handler: Handler) -> Callable[[Request], Response]:
    def answer(request: Request) -> Response:
        """Answer whoever asks."""
        return _guarded(lambda: handler(_visit(desk, request)))

    return answer


def _signed_in(desk: Desk, handler: Handler) -> Callable[[Request], Response]:
    def for_readers(visit: Visit, request: Request) -> Response:
        """Answer a reader; send others to sign in, and back here afterwards."""
        if visit.reader:
            return handler(visit)
        back = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return go("/sign-in", back=back if request.method == "GET" else "/")

    def answer(request: Request) -> Response:
        """Answer whoever has signed in."""
        return _guarded(lambda: for_readers(_visit(desk, request), request))

    return answer


def _guarded(handler: Callable[[], Response]) -> Response:
    """Answer; a full disk or a busy store is said, not hidden, and nothing is half kept."""
    try:
        return handler()
    except sqlite3.OperationalError as error:
        return PlainTextResponse(
            f"Not saved: the store answers '{error}'. Go back with the browser: what you entered is kept there. "
            "Make room on the disk and send it again.",
            507 if "full" in str(error) else 503,
        )
    except TickvisionError as error:
        return PlainTextResponse(str(error), 409)


def _static(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in STATIC:
        return PlainTextResponse("no such file", 404)
    content = resources.files("tickvision.review").joinpath("static", name).read_bytes()
    return Response(content, media_type=STATIC[name], headers={"cache-control": "no-cache"})


def set_token(response: Response, token: str, is_secure: bool) -> Response:
    """Give the browser its token: not readable by scripts, not sent along from other sites."""
    response.set_cookie(COOKIE, token, httponly=True, samesite="strict", secure=is_secure, path="/")
    return response


TLS_ADVICE = (
    "Passwords and photographs would cross the network in clear. Either give --certificate and --key, or keep the desk "
    "on loopback and put a web server with TLS before it that passes requests on to this port; then start with "
    "--public-name NAME, the name that readers type."
)


def serve(
    folder: Path,
    host: str,
    port: int,
    certificate: Path | None,
    key: Path | None,
    public_name: str,
    say: Callable[[str], None],
) -> None:
    """Serve a desk until interrupted. Raises DataError where others can reach it and no reader has a password."""
    import uvicorn

    from tickvision.review import pages

    is_loopback = host in LOOPBACK and not public_name
    desk = Desk(folder, is_loopback, is_secure=bool(certificate or public_name))
    if desk.needs_password() and not readers.known(desk.connection()):
        raise DataError(
            f"--host {host}: a desk that others can reach needs readers with passwords. Add one first: "
            f"tickvision review users add NAME --desk {folder}"
        )
    if not is_loopback and not certificate and not public_name:
        say(TLS_ADVICE)
    names = {host, public_name} - {"", "0.0.0.0", "::"}  # noqa: S104 (compared, not bound)
    hosts = LOOPBACK | names | (_own_names() if not is_loopback else frozenset())
    say(f"The desk is at http{'s' if certificate else ''}://{_shown(host)}:{port}/  (stop with Ctrl-C)")
    threading.Thread(target=pages.get_ready, args=(desk,), daemon=True).start()
    uvicorn.run(
        build(desk, hosts),
        host=host,
        port=port,
        log_level="warning",
        ssl_certfile=str(certificate) if certificate else None,
        ssl_keyfile=str(key) if key else None,
        server_header=False,
        timeout_keep_alive=60,
        proxy_headers=bool(public_name),
    )


def _own_names() -> frozenset[str]:
    import socket

    name = socket.gethostname()
    try:
        addresses = {str(a[4][0]) for a in socket.getaddrinfo(name, None)}
    except OSError:
        addresses = set()
    return frozenset({name.lower(), *addresses})


def _shown(host: str) -> str:
    try:
        return f"[{host}]" if ip_address(host).version == 6 else host
    except ValueError:
        return host
