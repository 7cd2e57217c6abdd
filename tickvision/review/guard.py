"""What stands before every page: the right host, a bounded body, a form that came from our own page, strict headers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, urlsplit

from tickvision.review import readers

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "desk"
MAX_BODY = 128 * 1024
MAX_FIELDS = 200
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
        "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


class _RefusedError(Exception):
    def __init__(self, status: int, reason: str) -> None:
        super().__init__(reason)
        self.status, self.reason = status, reason


class Guard:
    """ASGI middleware; puts the visitor's token and the checked form into request.state.

    hosts: names that the desk answers to; another name in a request is refused (a page elsewhere could otherwise reach
    a desk on loopback through a name of its own).
    """

    def __init__(self, app: ASGIApp, hosts: frozenset[str]) -> None:
        self.app, self.hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it with a reason."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}

        async def send_with_headers(message: Message) -> None:
            """Send a part of the answer, the head of it with the headers that every page has."""
            if message["type"] == "http.response.start":
                given = {k.lower() for k, _ in message["headers"]}
                extra = HEADERS | {"cache-control": "no-store"}
                message["headers"] = [
                    *message["headers"],
                    *((k.encode(), v.encode()) for k, v in extra.items() if k.encode() not in given),
                ]
            await send(message)

        try:
            self._check_host(headers)
            state = scope.setdefault("state", {})
            state["token"] = _cookie(headers.get("cookie", ""))
            state["form"] = (
                await _read_form(scope, headers, receive, state["token"]) if scope["method"] == "POST" else {}
            )
        except _RefusedError as refused:
            await _refuse(refused, scope, receive, send_with_headers)
            return
        await self.app(scope, receive, send_with_headers)

    def _check_host(self, headers: dict[str, str]) -> None:
        host = headers.get("host", "")
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            name = ""
        if name not in self.hosts:
            raise _RefusedError(421, "This desk does not answer to that name.")


def _cookie(header: str) -> str:
    from starlette.requests import cookie_parser

    # not http.cookies: it gives nothing where another program on this machine has set an odd cookie
    held = cookie_parser(header).get(COOKIE, "")
    return held if 20 <= len(held) <= 100 and held.isascii() else ""


async def _read_form(scope: Scope, headers: dict[str, str], receive: Receive, token: str) -> dict[str, list[str]]:
    """Return field -> values of a form that came from one of our pages. Raises _RefusedError."""
    if not headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        raise _RefusedError(415, "Forms are sent as application/x-www-form-urlencoded.")
    origin = headers.get("origin")
    if origin and origin != "null" and origin.partition("://")[2] != headers.get("host"):
        raise _RefusedError(403, "This form came from another page.")
    body = b""
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise _RefusedError(400, "The connection was lost before the form was whole.")
        body += message.get("body", b"")
        if len(body) > MAX_BODY:
            raise _RefusedError(413, f"The form is longer than {MAX_BODY:,} bytes.")
        if not message.get("more_body"):
            break
    form: dict[str, list[str]] = {}
    try:
        for name, value in parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=MAX_FIELDS):
            form.setdefault(name, []).append(value)
    except (ValueError, UnicodeDecodeError):
        raise _RefusedError(400, "The form cannot be read.") from None
    if not token or not readers.is_form_token(token, form.get("form_token", [""])[0]):
        raise _RefusedError(
            403, "This form carries no valid token. Open the page again; what you entered is kept in its draft."
        )
    return form


async def _refuse(refused: _RefusedError, scope: Scope, receive: Receive, send: Any) -> None:
    from starlette.responses import PlainTextResponse

    await PlainTextResponse(refused.reason, refused.status)(scope, receive, send)
