"""The doors of the desk: passwords, tokens, hosts, paths, and texts that want to be more than text."""

from __future__ import annotations

import json
import re
import sqlite3
from pathlib import Path

import pytest
from desk_days import GOOD, PLAIN, decision
from starlette.testclient import TestClient

from tickvision.deployment.decision import Photograph
from tickvision.errors import DataError
from tickvision.review import chain, intake, readers, store, web

PASSWORD = "a long enough password"  # noqa: S105


@pytest.fixture
def client(desk: sqlite3.Connection, tmp_path: Path) -> TestClient:
    """A browser at the desk, not signed in."""
    return TestClient(web.build(web.Desk(tmp_path / "desk")), base_url="http://127.0.0.1", follow_redirects=False)


def token_of(client: TestClient, page: str = "/sign-in") -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', client.get(page).text)
    assert found
    return found[1]


def sign_in(client: TestClient, name: str = "Ann", password: str = "") -> str:
    form = {"form_token": token_of(client), "name": name, "password": password, "back": "/"}
    assert client.post("/sign-in", data=form).status_code == 303
    return token_of(client, "/")


def decide(client: TestClient, token: str, specimen: str = "a", key: str = "k" * 32, **form: str):
    return client.post("/case/decide", data={"form_token": token, "id": specimen, "key": key, **GOOD, **form})


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
    for template in (Path(web.__file__).parent / "templates").glob("*.html"):
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


@pytest.mark.parametrize("name", ["../secret.jpg", "/etc/hostname", "link.jpg", "a.jpg\0.png", "..", "x/../../y.jpg"])
def test_a_path_outside_the_photographs_is_never_read(
    client: TestClient, desk: sqlite3.Connection, folder: Path, name: str
) -> None:
    (folder.parent / "secret.jpg").write_bytes((folder / "a.jpg").read_bytes())
    (folder / "link.jpg").symlink_to(folder.parent / "secret.jpg")
    bad = decision("bad", photographs=(Photograph(name, "ok"),))
    assert intake.take_in(desk, [bad], PLAIN, folder).not_shown == 1
    number = desk.execute("SELECT id FROM photograph WHERE specimen_id = 'bad'").fetchone()[0]
    sign_in(client)
    assert client.get(f"/photograph/{number}/view").status_code == 404


def test_a_link_laid_after_the_import_leads_nowhere(client: TestClient, folder: Path) -> None:
    sign_in(client)
    outside = folder.parent / "outside.jpg"
    (folder / "a.jpg").rename(outside)
    (folder / "a.jpg").symlink_to(outside)
    assert client.get("/photograph/1/view").status_code == 404


def test_a_photograph_that_is_gone_is_said_and_the_case_still_opens(client: TestClient, folder: Path) -> None:
    sign_in(client)
    (folder / "a.jpg").unlink()
    answer = client.get("/photograph/1/view")
    assert (answer.status_code, "no longer" in answer.text) == (404, True)
    assert client.get("/case?id=a").status_code == 200


def test_what_is_sent_is_pixels_without_the_files_notes(client: TestClient, folder: Path) -> None:
    from PIL import Image

    exif = Image.Exif()
    exif[0x010E] = "taken at the reader's home"
    Image.new("RGB", (64, 48)).save(folder / "a.jpg", exif=exif)
    assert b"reader's home" in (folder / "a.jpg").read_bytes()
    sign_in(client)
    sent = client.get("/photograph/1/view")
    assert sent.headers["content-type"] == "image/jpeg"
    assert b"reader's home" not in sent.content


HOSTILE = '"><script>alert(1)</script>{{ 7*7 }}\u202e'


def test_hostile_names_and_texts_stay_texts(client: TestClient, desk: sqlite3.Connection, folder: Path) -> None:
    bad = decision(HOSTILE, reason=HOSTILE, photographs=(Photograph(f"{HOSTILE}.jpg", "ok"),), model=HOSTILE)
    intake.take_in(desk, [bad], PLAIN, folder, {HOSTILE: {"place": HOSTILE, "remarks": HOSTILE}})
    token = sign_in(client, "<b>Ann</b>")
    data = {"form_token": token, "id": HOSTILE}
    client.post("/case/look", data=data | {"remarks": HOSTILE, "character": HOSTILE})
    pages = [client.get(p).text for p in ("/", web.link("/case", id=HOSTILE), web.link("/", text=HOSTILE))]
    pages.append(decide(client, token, HOSTILE, taxon=HOSTILE, remarks=HOSTILE).text)
    decide(client, token, HOSTILE, taxon="Dermacentor", remarks=HOSTILE)
    pages += [client.get(p).text for p in (web.link("/case", id=HOSTILE), "/readers", "/season", "/audit")]
    for page in pages:
        assert "<script>alert" not in page
        assert "<b>Ann" not in page
    assert "{{ 7*7 }}" in pages[1]


@pytest.mark.parametrize("back", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "x"])
def test_signing_in_sends_nobody_elsewhere(client: TestClient, back: str) -> None:
    form = {"form_token": token_of(client), "name": "Ann", "back": back}
    assert client.post("/sign-in", data=form).headers["location"] == "/"


@pytest.mark.parametrize("view", ["' OR 1=1 --", "done", "nowhere"])
def test_filters_are_words_not_code(client: TestClient, view: str) -> None:
    sign_in(client)
    assert client.get(web.link("/", view=view, clock="'; DROP TABLE specimen; --", text="%_'!")).status_code == 200


@pytest.mark.parametrize(
    "form",
    [
        {"specimen_id": "half a pair \ud800"},
        {"specimen_id": "nothing\0more"},
        {"specimen_id": ""},
        {"photographs": [{"path": "\udce9.jpg", "status": "ok"}]},
        {"reason": HOSTILE, "model": "\ud800", "refer_to": HOSTILE * 500},
    ],
)
def test_a_strange_prediction_becomes_a_case_that_opens(
    client: TestClient, desk: sqlite3.Connection, folder: Path, form: dict[str, object]
) -> None:
    lines = folder / "p.jsonl"
    lines.write_text(json.dumps(decision("strange").to_dict() | form) + "\n", encoding="utf-8")
    (taken,) = intake.read_predictions(lines)
    intake.take_in(desk, [taken], PLAIN, folder, {taken.specimen_id: {"received_at": "0001-01-01", "host": HOSTILE}})
    sign_in(client)
    number = desk.execute("SELECT max(id) FROM photograph").fetchone()[0]
    for page in ("/", web.link("/case", id=taken.specimen_id), "/season", "/audit", "/readers"):
        assert client.get(page).status_code == 200, page
    assert client.get(f"/photograph/{number}/view").status_code == 404


@pytest.mark.parametrize("said", ["yesterday", "9999-12-31T23:59"])
def test_a_time_of_removal_that_is_none_starts_no_clock(
    client: TestClient, desk: sqlite3.Connection, folder: Path, said: str
) -> None:
    intake.take_in(desk, [decision("d")], PLAIN, folder, {"d": {"removed_at": said, "received_at": "soon"}})
    sign_in(client)
    page = client.get("/case?id=d")
    assert page.status_code == 200
    assert "no removal time" in page.text
    assert said.replace("T", " ") in page.text


@pytest.mark.parametrize(
    "path",
    [
        "/photograph/99999999999999999999999/view", "/photograph/1/whole", "/case?id=%00", "/case?id=%ff%fe",
        "/static/../store.py", "/static/%2e%2e%2fstore.py", "/case?id=" + "x" * 5000,
    ],
)  # fmt: skip
def test_an_address_that_leads_nowhere_is_said_to(client: TestClient, path: str) -> None:
    sign_in(client)
    assert client.get(path).status_code == 404


def test_a_full_disk_is_said_and_nothing_is_kept_by_halves(
    client: TestClient, desk: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    # https://sqlite.org/pragma.html#pragma_max_page_count: past it a write fails as on a full disk (SQLITE_FULL)
    opened, most = store.open_store, desk.execute("PRAGMA page_count").fetchone()[0] + 8

    def on_a_small_disk(folder: Path) -> sqlite3.Connection:
        connection = opened(folder)
        connection.execute(f"PRAGMA max_page_count = {most}")
        return connection

    monkeypatch.setattr(store, "open_store", on_a_small_disk)
    token = sign_in(client)
    for n in range(60):
        full = decide(client, token, key=f"decide-{n:020d}", remarks="x" * 2000)
        if full.status_code != 303:
            break
        client.post("/case/withdraw", data={"form_token": token, "id": "a", "key": f"back-{n:020d}"})
    assert (full.status_code, "Not saved" in full.text, "full" in full.text) == (507, True, True)
    assert desk.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    status = desk.execute("SELECT status FROM specimen WHERE specimen_id = 'a'").fetchone()[0]
    assert status == chain.conclude(chain.of_specimen(desk, "a"), False).status


def test_a_double_click_and_the_back_button_change_nothing(client: TestClient, desk: sqlite3.Connection) -> None:
    token = sign_in(client)
    answers = [decide(client, token) for _ in range(3)]
    assert {a.status_code for a in answers} == {303}
    assert len(chain.of_specimen(desk, "a")) == 2
    late = decide(client, token, key="n" * 32)
    assert late.status_code == 409
    assert len(chain.of_specimen(desk, "a")) == 2


def test_two_browsers_on_one_case(client: TestClient, desk: sqlite3.Connection, tmp_path: Path) -> None:
    other = TestClient(web.build(web.Desk(tmp_path / "desk")), base_url="http://127.0.0.1", follow_redirects=False)
    sign_in(client, "Ann")
    token = sign_in(other, "Ben")
    client.get("/case?id=a")
    page = other.get("/case?id=a").text
    assert "Ann has this case open" in page
    assert 'id="decision"' not in page
    assert decide(other, token).status_code == 409
    assert other.get("/next").headers["location"].startswith("/case?id=b")


def test_the_first_page_of_a_case_gives_neither_the_model_nor_the_first_reader_away(
    client: TestClient, desk: sqlite3.Connection, tmp_path: Path
) -> None:
    desk.execute("UPDATE specimen SET second_drawn = 1")
    token = sign_in(client, "Ann")
    page = client.get("/case?id=a").text
    checklist_free = re.sub(
        r"<datalist.*?</datalist>|<details.*?</details>|data-sizes=\"[^\"]*\"", "", page, flags=re.S
    )
    assert "variabilis" not in checklist_free
    decide(client, token)
    other = TestClient(web.build(web.Desk(tmp_path / "desk")), base_url="http://127.0.0.1", follow_redirects=False)
    sign_in(other, "Ben")
    second = other.get("/case?id=a").text
    assert "Ann" not in second
    assert "variabilis" not in re.sub(
        r"<datalist.*?</datalist>|<details.*?</details>|data-sizes=\"[^\"]*\"", "", second, flags=re.S
    )


def test_an_audited_answer_looks_like_a_referred_case(
    client: TestClient, desk: sqlite3.Connection, folder: Path
) -> None:
    desk.execute("UPDATE specimen SET is_queued = 1 WHERE specimen_id = 'c'")
    sign_in(client)
    shapes = []
    for specimen in ("a", "c"):
        page = client.get(f"/case?id={specimen}").text
        page = re.sub(r"[0-9a-f]{32,}", "", page)  # tokens and keys
        page = re.sub(r"/photograph/\d+|data-photograph=\"\d+\"", "", page)
        shapes.append(re.sub(rf"(?<![a-z=])(?<!<kbd>)(?<!<dt>){specimen}(?= -|<|\"| to this bench)", "", page))
    assert shapes[0] == shapes[1]
