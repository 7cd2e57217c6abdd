"""Paths that lead out, texts that want to be more than text, a full disk, and two who want one case."""

from __future__ import annotations

import json
import re
import sqlite3
from pathlib import Path

import pytest
from desk_days import PLAIN, decide, decision, sign_in
from starlette.testclient import TestClient

from tickvision.deployment.decision import Photograph
from tickvision.review import chain, intake, store, web


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
