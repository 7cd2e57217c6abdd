"""Requests to the prediction server."""

from __future__ import annotations

import asyncio
import json
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from doors import image
from doors.small_package import write_package

MODULES = ("tickvision.deployment", "tickvision.images", "python_multipart", "starlette.formparsers")


def attempt(content: bytes, folder: Path) -> str:
    """A request to the prediction server: the first line is the Content-Type, the rest the body."""
    from tickvision.deployment.decision import NAMED, REFERRED, TO_GENUS, UNUSABLE
    from tickvision.images import decode

    decode.MAX_PIXELS = image.MAX_PIXELS
    head, _, body = content.partition(b"\n")
    status, answer = _bench().ask(head, body)
    if status not in (200, 400, 413, 415, 422):
        raise AssertionError(f"answered {status}: {answer[:200]!r}")
    form = json.loads(answer)
    if status == 200:
        if not form["caution"] or not form["photographs"] or not all(p["status"] for p in form["photographs"]):
            raise AssertionError(f"an answer without caution or status: {answer[:200]!r}")
        if form["state"] not in (NAMED, TO_GENUS, REFERRED, UNUSABLE):
            raise AssertionError(f"an answer without a state: {answer[:200]!r}")
        return str(form["state"])
    if not form["detail"]:
        raise AssertionError("a refusal without a word")
    return str(status)


class _Bench:
    """The server's application, asked in this process without a socket."""

    def __init__(self) -> None:
        from tickvision.deployment import load
        from tickvision.deployment.server import Limits, build

        self._folder = tempfile.TemporaryDirectory()
        self._app = build(load(write_package(Path(self._folder.name)), 1), Limits(body_bytes=1_000_000))
        self._loop = asyncio.new_event_loop()

    def ask(self, content_type: bytes, body: bytes) -> tuple[int, bytes]:
        cut = len(body) // 2
        coming = [
            {"type": "http.request", "body": body[:cut], "more_body": True},
            {"type": "http.request", "body": body[cut:], "more_body": False},
        ]
        sent: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            return coming.pop(0) if coming else {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST", "scheme": "http",
            "path": "/predict", "raw_path": b"/predict", "query_string": b"", "root_path": "",
            "headers": [(b"content-type", content_type)], "client": ("127.0.0.1", 1), "server": ("bench", 80),
        }  # fmt: skip
        self._loop.run_until_complete(self._app(scope, receive, send))
        return sent[0]["status"], b"".join(m.get("body", b"") for m in sent[1:])


_bench = cache(_Bench)


def seeds() -> list[bytes]:
    """One and two photographs with fields, a bad one, a wrong field, and another content type."""
    photo = image.seeds()[0]

    def body(*fields: tuple[bytes, bytes]) -> bytes:
        made = b"".join(
            b"--b\r\nContent-Disposition: form-data; " + head + b"\r\n\r\n" + c + b"\r\n" for head, c in fields
        )
        return b"multipart/form-data; boundary=b\n" + made + b"--b--\r\n"

    file = b'name="photographs"; filename="a.jpg"\r\nContent-Type: image/jpeg'
    return [
        body((file, photo)),
        body((file, photo), (file, b"x"), (b'name="specimen_id"', b"s1"), (b'name="removed_at"', b"2026-05-03T18:30")),
        body((b'name="photographs"', b"text"), (b"name=\"photographs\"; filename*=UTF-8''%e2%99%80.jpg", photo)),
        b"application/json\n{}",
    ]
