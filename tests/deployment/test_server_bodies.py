"""Bodies that say nothing of their length, or put a file where text belongs; and clients that come back later."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from test_server import Limits, ask

from tickvision.deployment import server

HEAD = b'--b\r\nContent-Disposition: form-data; name="photographs"; filename="a.jpg"\r\n\r\n'


def test_a_body_without_a_length_is_cut_at_the_limit(package: Path) -> None:
    taken = 0

    async def endless() -> AsyncIterator[bytes]:
        nonlocal taken
        yield HEAD
        while taken < 2_000_000:
            taken += 1000
            yield b"x" * 1000

    headers = {"content-type": "multipart/form-data; boundary=b"}
    (got,) = ask(package, Limits(body_bytes=4000), content=endless(), headers=headers)
    assert (got.status_code, got.json()["detail"]) == (413, "the body is longer than 4,000 bytes")
    assert taken < 10_000  # it was not read to its end


@pytest.mark.parametrize("name", ["specimen_id", "removed_at"])
def test_a_file_in_the_place_of_a_text_is_refused(package: Path, name: str) -> None:
    (got,) = ask(package, files=[("photographs", ("a.jpg", b"x")), (name, ("b.txt", b"t1"))])
    assert (got.status_code, got.json()["detail"]) == (422, "specimen_id and removed_at are text")


def test_who_was_too_quick_is_served_again_after_a_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 1000.0
    monkeypatch.setattr(server.time, "monotonic", lambda: now)
    state = server._State(None, Limits(per_minute=2), None)  # type: ignore[arg-type]
    server._limit_rate(state, "a")
    server._limit_rate(state, "a")
    with pytest.raises(server._RefusedError, match="at most 2 requests a minute"):
        server._limit_rate(state, "a")
    server._limit_rate(state, "b")
    now = 1061.0
    server._limit_rate(state, "a")
    assert list(state.recent["a"]) == [1061.0]


def test_clients_that_went_quiet_are_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 1000.0
    monkeypatch.setattr(server.time, "monotonic", lambda: now)
    state = server._State(None, Limits(per_minute=2), None)  # type: ignore[arg-type]
    for number in range(10_000):
        server._limit_rate(state, str(number))
    now = 1100.0
    server._limit_rate(state, "newest")
    assert list(state.recent) == ["newest"]
