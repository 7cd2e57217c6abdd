"""The doors of the desk: passwords, tokens, hosts, headers."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path

import pytest
from desk_days import GOOD, decide, sign_in, token_of
from starlette.testclient import TestClient

from tickvision.errors import DataError
from tickvision.review import chain, readers, store, web

PASSWORD = "a long enough password"  # noqa: S105


@pytest.mark.parametrize("page", ["/", "/case?id=a", "/photograph/1/view", "/season/weeks.csv", "/audit"])
def test_nobody_sees_anything_without_signing_in(client: TestClient, page: str) -> None:
    answer = client.get(page)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in")


@pytest.mark.parametrize("token", ["", "0" * 40, "another reader's"])
def test_a_decision_without_its_token_is_refused(client: TestClient, desk: sqlite3.Connection, token: str) -> None:
    sign_in(client)
    assert decide(client, token).status_code == 403
    assert len(chain.of_specimen(desk, "a")) == 1


def test_a_form_from_another_page_or_of_another_kind_is_refused(client: TestClient) -> None:
    token = sign_in(client)
    data = {"form_token": token, "id": "a", "key": "k" * 32, **GOOD}
    assert client.post("/case/decide", data=data, headers={"origin": "http://elsewhere.example"}).status_code == 403
    assert client.post("/case/decide", json=data).status_code == 415
    assert client.post("/case/decide", data=data | {"remarks": "x" * 200_000}).status_code == 413
    assert client.post("/case/decide", data=data, headers={"origin": "http://127.0.0.1"}).status_code == 303


def test_a_name_that_points_at_loopback_from_outside_is_not_answered(client: TestClient) -> None:
    assert client.get("/sign-in", headers={"host": "rebound.example:8078"}).status_code == 421


def test_a_token_from_before_signing_in_is_worth_nothing_after(client: TestClient) -> None:
    before = token_of(client)
    visit = client.cookies[web.COOKIE]
    sign_in(client)
    assert client.cookies[web.COOKIE] != visit
    assert decide(client, before).status_code == 403


def test_signing_out_ends_the_session_on_the_server(client: TestClient) -> None:
    token = sign_in(client)
    held = client.cookies[web.COOKIE]
    client.post("/sign-out", data={"form_token": token})
    client.cookies.clear()
    client.cookies.set(web.COOKIE, held)
    assert client.get("/").status_code == 303


def test_the_cookie_is_kept_from_scripts_and_other_sites(client: TestClient) -> None:
    header = client.get("/sign-in").headers["set-cookie"].lower()
    assert "httponly" in header
    assert "samesite=strict" in header


def test_pages_forbid_everything_that_is_not_the_desks_own(client: TestClient) -> None:
    # OWASP Secure Headers Project and CSP level 3: deny by default, no inline, no framing
    headers = client.get("/sign-in").headers
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


def test_no_template_needs_inline_scripts_or_styles() -> None:
    templates = sorted((Path(web.__file__).parent / "templates").glob("*.html"))
    assert len(templates) > 5
    for template in templates:
        text = template.read_text(encoding="utf-8")
        assert not re.search(r"<script(?![^>]*\bsrc=)|\sstyle=|\son[a-z]+=|<style|https?://|\|\s*safe", text), template


def test_a_thousand_wrong_passwords_get_nowhere_and_cost_little(client: TestClient, desk: sqlite3.Connection) -> None:
    readers.add(desk, "Ann", PASSWORD)
    outcomes = []
    for n in range(1000):
        try:
            outcomes.append(readers.sign_in(desk, "Ann", f"guess {n}", "testclient", True))
        except readers.TooManyTriesError:
            outcomes.append("braked")
    assert outcomes[: readers.TRIES_A_NAME] == [""] * readers.TRIES_A_NAME
    assert set(outcomes[readers.TRIES_A_NAME :]) == {"braked"}
    right = client.post("/sign-in", data={"form_token": token_of(client), "name": "Ann", "password": PASSWORD})
    assert right.status_code == 429
    assert int(right.headers["retry-after"]) > 60
    desk.execute("UPDATE wrong_password SET at = '2001-01-01T00:00:00.000Z'")
    assert sign_in(client, "Ann", PASSWORD)


def test_many_names_from_one_address_are_braked_too(client: TestClient, desk: sqlite3.Connection) -> None:
    readers.add(desk, "Ann", PASSWORD)
    at = store.now()
    desk.executemany(
        "INSERT INTO wrong_password VALUES (?, ?, 'testclient')",
        [(at, f"n{n}") for n in range(readers.TRIES_AN_ADDRESS)],
    )
    form = {"form_token": token_of(client), "name": "Ann", "password": PASSWORD}
    assert client.post("/sign-in", data=form).status_code == 429


def test_passwords_are_kept_as_argon2id(desk: sqlite3.Connection) -> None:
    # RFC 9106 names argon2id; the encoded form starts with its name
    readers.add(desk, "Ann", PASSWORD)
    assert desk.execute("SELECT password_hash FROM reader").fetchone()[0].startswith("$argon2id$v=19$")
    with pytest.raises(DataError, match="10 to 200"):
        readers.add(desk, "Ben", "short")


def test_a_name_alone_signs_in_only_while_no_reader_has_a_password(
    client: TestClient, desk: sqlite3.Connection
) -> None:
    sign_in(client, "Ann")
    readers.add(desk, "Ben", PASSWORD)
    form = {"form_token": token_of(client), "name": "Ann", "password": ""}
    assert client.post("/sign-in", data=form).status_code == 401


def test_another_host_needs_readers_with_passwords(desk: sqlite3.Connection, tmp_path: Path) -> None:
    with pytest.raises(DataError, match="review users add"):
        web.serve(tmp_path / "desk", "0.0.0.0", 8078, None, None, "", print)  # noqa: S104


@pytest.mark.parametrize("back", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "x"])
def test_signing_in_sends_nobody_elsewhere(client: TestClient, back: str) -> None:
    form = {"form_token": token_of(client), "name": "Ann", "back": back}
    assert client.post("/sign-in", data=form).headers["location"] == "/"


@pytest.mark.parametrize("odd", ['x={"a": 1}', "x=b c", "x[1]=b", "flag"])
def test_an_odd_cookie_of_another_program_locks_nobody_out(client: TestClient, odd: str) -> None:
    sign_in(client)
    token = client.cookies["desk"]
    client.cookies.clear()
    assert client.get("/", headers={"cookie": f"{odd}; desk={token}"}).status_code == 200
