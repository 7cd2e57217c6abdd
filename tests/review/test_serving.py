"""What `review serve` says when it starts, and the names that it answers to."""

from __future__ import annotations

import socket
import sqlite3
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from starlette.testclient import TestClient

from tickvision.review import readers, web


@pytest.fixture
def started(desk: sqlite3.Connection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    """Return a function that starts the desk up to the point where it would listen: (lines said, app, settings)."""
    readers.add(desk, "Ann", "a long enough password")
    # a machine of this name and address: the real ones may be those of loopback. RFC 5737: 192.0.2.0/24 is nobody's
    monkeypatch.setattr(socket, "gethostname", lambda: "Bench-PC")
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_: [(0, 0, 0, "", ("192.0.2.7", 0))])

    def serve(host: str, certificate: Path | None = None, name: str = "") -> tuple[list[str], Any, dict[str, Any]]:
        held: list[Any] = []
        monkeypatch.setattr(uvicorn, "run", lambda app, **settings: held.extend((app, settings)))
        said: list[str] = []
        web.serve(tmp_path / "desk", host, 8078, certificate, certificate, name, said.append)
        return said, held[0], held[1]

    return serve


def answers(app: Any, host: str) -> bool:
    client = TestClient(app, base_url="http://127.0.0.1", follow_redirects=False)
    return client.get("/sign-in", headers={"host": host}).status_code == 200


def test_on_loopback_nothing_but_the_address_is_said(started) -> None:  # type: ignore[no-untyped-def]
    said, app, settings = started("127.0.0.1")
    assert said == ["The desk is at http://127.0.0.1:8078/  (stop with Ctrl-C)"]
    assert answers(app, "localhost:8078")
    assert not answers(app, "bench-pc")
    assert settings["proxy_headers"] is False


def test_an_address_of_six_parts_is_shown_in_brackets(started) -> None:  # type: ignore[no-untyped-def]
    # RFC 3986, section 3.2.2: an IPv6 address in a URL stands in square brackets
    assert started("::1")[0] == ["The desk is at http://[::1]:8078/  (stop with Ctrl-C)"]


def test_without_tls_on_a_network_the_danger_is_said(started) -> None:  # type: ignore[no-untyped-def]
    said, app, _ = started("0.0.0.0")  # noqa: S104
    assert said[0] == web.TLS_ADVICE
    assert "in clear" in said[0]
    assert answers(app, "bench-pc:8078")
    assert answers(app, "192.0.2.7:8078")
    assert not answers(app, "elsewhere.example")


def test_a_machine_whose_own_addresses_are_not_known_still_serves(started, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    def unknown(*_: object) -> list[object]:
        raise socket.gaierror("no such name")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    _, app, _ = started("0.0.0.0")  # noqa: S104
    assert answers(app, "bench-pc")
    assert not answers(app, "192.0.2.7")


def test_a_certificate_or_a_public_name_needs_no_warning(started, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    said, _, settings = started("0.0.0.0", tmp_path / "c.pem")  # noqa: S104
    assert said == ["The desk is at https://0.0.0.0:8078/  (stop with Ctrl-C)"]
    assert settings["ssl_certfile"] == str(tmp_path / "c.pem")
    said, app, settings = started("127.0.0.1", name="desk.bench.example")
    assert len(said) == 1
    assert settings["proxy_headers"] is True
    assert answers(app, "desk.bench.example")
