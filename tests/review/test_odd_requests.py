"""Requests that no page of the desk makes by itself: each is answered in words, none with a fault of the program."""

from __future__ import annotations

import csv
import io
import sqlite3
from pathlib import Path

import pytest
from desk_days import GOOD, PLAIN, decide, decision, read, sign_in, token_of
from starlette.testclient import TestClient

from tickvision.deployment.decision import Photograph
from tickvision.errors import DataError
from tickvision.review import chain, decisions, intake, readers, store, web

FORM = {"content-type": "application/x-www-form-urlencoded"}


@pytest.mark.parametrize("host", ["[::1", "", "127.0.0.1.evil.example"])
def test_a_host_name_that_is_none_is_not_answered(client: TestClient, host: str) -> None:
    assert client.get("/sign-in", headers={"host": host}).status_code == 421


def test_a_cookie_that_cannot_be_read_is_no_session(client: TestClient) -> None:
    answer = client.get("/", headers={"cookie": f"a/b=1; {web.COOKIE}={'x' * 40}"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?back=%2F")


@pytest.mark.parametrize("body", [b"id=\xff", b"&".join(b"f=1" for _ in range(2000))])
def test_a_form_that_cannot_be_read_is_refused(client: TestClient, body: bytes) -> None:
    sign_in(client)
    answer = client.post("/case/decide", content=body, headers=FORM)
    assert (answer.status_code, answer.text) == (400, "The form cannot be read.")


def test_a_form_without_its_number_keeps_nothing(client: TestClient, desk: sqlite3.Connection) -> None:
    token = sign_in(client)
    answer = decide(client, token, key="short")
    assert (answer.status_code, answer.text) == (400, "This form has lost its number. Open the case again.")
    assert len(chain.of_specimen(desk, "a")) == 1


def test_a_file_that_the_desk_does_not_send_is_not_there(client: TestClient) -> None:
    assert client.get("/static/desk.sqlite").status_code == 404
    assert client.get("/static/..%2fschema.sql").status_code == 404


@pytest.mark.parametrize("name", ["", " \t ", "a|b", "n" * 200])
def test_a_name_that_no_reader_can_bear_does_not_sign_in(client: TestClient, name: str) -> None:
    form = {"form_token": token_of(client), "name": name, "password": "", "back": "/"}
    answer = client.post("/sign-in", data=form)
    assert answer.status_code != 303
    assert client.get("/").status_code == 303


def test_a_draft_is_kept_and_the_case_goes_back_to_the_queue(client: TestClient, desk: sqlite3.Connection) -> None:
    form = {"form_token": sign_in(client), "id": "a", **GOOD, "remarks": "legs missing"}
    assert client.post("/case/draft", data=form | {"then": "stay"}).text == "kept"
    assert client.post("/case/draft", data=form).headers["location"] == "/case?id=a"
    assert client.post("/case/give-back", data=form).headers["location"] == "/"
    assert "legs missing" in client.get("/case?id=a").text
    assert len(chain.of_specimen(desk, "a")) == 1  # a draft is no decision


def test_the_season_is_sent_as_three_tables(client: TestClient, desk: sqlite3.Connection) -> None:
    sign_in(client)
    read(desk, "a", "Ann")
    read(desk, "a", "Ben")  # the first of a name wants a second reader
    sent = {n: client.get(f"/season/{n}.csv") for n in ("weeks", "found", "stream")}
    for name, answer in sent.items():
        assert answer.headers["content-type"] == "text/csv; charset=utf-8"
        assert answer.headers["content-disposition"] == f'attachment; filename="{name}.csv"'
    weeks = list(csv.DictReader(io.StringIO(sent["weeks"].text)))
    assert [(w["specimens"], w["concluded"]) for w in weeks[-1:]] == [("3", "1")]  # the season's row
    found = list(csv.DictReader(io.StringIO(sent["found"].text)))
    assert found[0]["scientific_name"] == "Dermacentor variabilis"
    assert found[0]["adult_female"] == "2"  # a by its readers, c by the model


@pytest.mark.parametrize("length", ["0", "-3", "100", "nan", "three", "3 mm"])
def test_a_length_that_no_tick_has_is_asked_for_again(length: str) -> None:
    checked = decisions.check(GOOD | {"length_mm": length}, (), {}, False)
    assert "is no length in millimetres, such as 3.2." in checked.faults["length_mm"]


def test_a_length_with_a_comma_is_read() -> None:
    assert not decisions.check(GOOD | {"length_mm": "3,2"}, (), {}, False).faults


def test_a_qualifier_that_is_none_is_answered_with_the_list() -> None:
    # open nomenclature: cf., aff. and ? (Sigovini et al. 2016)
    faults = decisions.check(GOOD | {"qualifier": "probably"}, (), {}, False).faults
    assert faults["qualifier"].startswith("Choose one of: ")


@pytest.mark.parametrize("name", ["a.zip/b.jpg", "s3://bucket/a.jpg", "https://elsewhere.example/a.jpg"])
def test_a_photograph_elsewhere_is_a_row_with_what_to_do(desk: sqlite3.Connection, folder: Path, name: str) -> None:
    intake.take_in(desk, [decision("d", photographs=(Photograph(name, "ok"),))], PLAIN, folder)
    row = desk.execute("SELECT status, reason FROM photograph WHERE specimen_id = 'd'").fetchone()
    assert row["status"] == intake.ELSEWHERE
    assert "unpack it into the photographs' folder" in row["reason"]


def test_what_predict_could_not_read_stays_unread_at_the_desk(desk: sqlite3.Connection, folder: Path) -> None:
    broken = Photograph("a.jpg", "truncated", "half of it is missing")
    intake.take_in(desk, [decision("d", photographs=(broken, Photograph("b.jpg", "ok")))], PLAIN, folder)
    rows = desk.execute("SELECT status, reason FROM photograph WHERE specimen_id = 'd' ORDER BY position").fetchall()
    assert [tuple(r) for r in rows] == [("truncated", "half of it is missing"), ("ok", "")]


def test_the_store_of_another_version_is_not_touched(desk: sqlite3.Connection, tmp_path: Path) -> None:
    desk.execute("PRAGMA user_version = 99")
    desk.close()
    with pytest.raises(DataError, match=r"desk\.sqlite: a store of schema 99, this tickvision reads \d"):
        store.open_store(tmp_path / "desk")


def test_a_reader_who_is_none_cannot_be_taken_away(desk: sqlite3.Connection) -> None:
    with pytest.raises(DataError, match=r"'Bob' is no reader of this desk\. Known: none"):
        readers.remove(desk, "Bob")
    readers.add(desk, "Ann", "a long enough password")
    with pytest.raises(DataError, match="Known: Ann"):
        readers.remove(desk, "Bob")


def test_a_session_in_use_goes_on_and_an_idle_one_runs_out(client: TestClient, desk: sqlite3.Connection) -> None:
    sign_in(client)
    desk.execute("UPDATE session SET seen_at = ?", (readers._ago(minutes=11),))
    assert client.get("/").status_code == 200
    (seen,) = desk.execute("SELECT seen_at FROM session").fetchone()
    assert seen > readers._ago(minutes=1)
    desk.execute("UPDATE session SET seen_at = ?", (readers._ago(hours=readers.SESSION_HOURS + 1),))
    assert client.get("/").status_code == 303


@pytest.mark.parametrize(("found", "told"), [("2026-05-03", 0), ("2026-05-04", 1), ("2026-05", 0), ("in May", 0)])
def test_a_tick_taken_off_before_it_was_found_is_pointed_out(
    client: TestClient, desk: sqlite3.Connection, folder: Path, found: str, told: int
) -> None:
    """The order of the dates of one find: common practice, no source."""
    one = decision("d", removed_at="2026-05-03T18:30")
    intake.take_in(desk, [one], PLAIN, folder, {"d": {"event_date": found}})
    sign_in(client)
    page = client.get("/case?id=d").text
    line = "R17: removal date 2026-05-03 lies before found date 2026-05-04. Ask the sender"
    assert (page.count("<dt>event date</dt>"), page.count(line)) == (1, told)
