"""Doors to the network and to secrets: addresses that change, forms from elsewhere, what is logged and stored."""

from __future__ import annotations

import logging
import re
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytest.importorskip("starlette")
pytest.importorskip("argon2")

from starlette.testclient import TestClient

from tickvision.data import fetch
from tickvision.errors import DataError
from tickvision.review import readers, store, web

PASSWORD = "Larkmoor-heath-7-times"  # noqa: S105


@pytest.fixture
def listener() -> Iterator[tuple[int, Callable[[], list[bytes]]]]:
    """A port of this machine, and a function that returns what was said to it once whoever called has gone."""
    heard: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(5)

        def listen() -> None:
            try:
                connection, _ = server.accept()
                connection.settimeout(5)
                with connection:
                    heard.append(connection.recv(1000))
            except OSError:
                pass

        thread = threading.Thread(target=listen)
        thread.start()

        def all_heard() -> list[bytes]:
            thread.join()
            return heard

        yield server.getsockname()[1], all_heard
        thread.join()


@pytest.mark.parametrize("scheme", ["http", "https"])
def test_a_name_that_means_another_address_when_it_is_fetched_is_hung_up_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, listener: tuple[int, Callable[[], list[bytes]]], scheme: str
) -> None:
    """DNS rebinding: the check of the name passes, and then the name means this machine."""
    port, heard = listener
    monkeypatch.setattr(fetch, "_check_address", lambda url, own: None)
    counts = fetch.bring([f"{scheme}://127.0.0.1:{port}/a.jpg"], tmp_path, fetch.Limits(0, tries=0), lambda *_: None)
    assert counts["failed"] == 1
    assert "not a public address" in (tmp_path / fetch.INDEX).read_text(encoding="utf-8")
    assert heard() == [b""]  # it called, and hung up without a word


def test_a_redirect_into_the_own_network_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The place that a redirect names is checked as the first one was."""
    asked: list[str] = []

    class Answer:
        length_remaining = 0

        def get_redirect_location(self) -> str:
            return "http://169.254.169.254/latest/secrets"

        def drain_conn(self) -> None: ...

        def release_conn(self) -> None: ...

    class Web:
        def request(self, method: str, url: str, **_: object) -> Answer:
            asked.append(url)
            return Answer()

    monkeypatch.setattr(fetch.socket, "getaddrinfo", lambda host, port, **_: [(0, 0, 0, "", (_resolved(host), port))])
    with pytest.raises(DataError, match=r"169\.254\.169\.254, not a public address"):
        fetch._fetch(Web(), "http://photographs.example/a.jpg", tmp_path, fetch.Limits())  # type: ignore[arg-type]
    assert asked == ["http://photographs.example/a.jpg"]


def _resolved(host: str) -> str:
    return "9.9.9.9" if host.endswith(".example") else host


@pytest.fixture
def client(tmp_path: Path) -> TestClient:
    connection = store.open_store(tmp_path / "desk", create=True)
    readers.add(connection, "Ann", PASSWORD)
    return TestClient(web.build(web.Desk(tmp_path / "desk")), base_url="http://127.0.0.1", follow_redirects=False)


def form_token(client: TestClient, page: str) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', client.get(page).text)
    assert found
    return found[1]


@pytest.mark.parametrize("origin", ["http://[", "http://127.0.0.1@evil.example", "file://", "http://127.0.0.1:1", "x"])
def test_a_form_with_a_strange_origin_is_refused_not_stumbled_over(client: TestClient, origin: str) -> None:
    data = {"form_token": form_token(client, "/sign-in"), "name": "Ann", "password": PASSWORD}
    assert client.post("/sign-in", data=data, headers={"origin": origin}).status_code == 403
    assert client.post("/sign-in", data=data, headers={"origin": "http://127.0.0.1"}).status_code == 303


def test_neither_password_nor_session_is_logged_printed_or_stored(
    client: TestClient, tmp_path: Path, caplog: pytest.LogCaptureFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(logging.DEBUG)
    data = {"form_token": form_token(client, "/sign-in"), "name": "Ann", "password": PASSWORD + "!"}
    assert client.post("/sign-in", data=data).status_code != 303
    assert client.post("/sign-in", data=data | {"password": PASSWORD}).status_code == 303
    session = client.cookies["desk"]
    page = client.get("/").text
    assert len(session) > 20
    said = caplog.text + "".join(capsys.readouterr()) + page
    kept = b"".join(p.read_bytes() for p in (tmp_path / "desk").rglob("*") if p.is_file())
    for secret in (PASSWORD, session):
        assert secret not in said
        assert secret.encode() not in kept
    assert b"$argon2id$" in kept
