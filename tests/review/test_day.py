"""A whole day at the desk in a real browser: two readers, by keyboard, from import to export. DESK_SHOTS=folder keeps
screenshots of every page at both widths."""

from __future__ import annotations

import csv
import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import uvicorn
from browsing import Visit, axe_violations, chromium, needs_chromium, visit
from desk_days import decision, named, write_lines
from made import free_port
from PIL import Image, ImageDraw

from tickvision import review_commands
from tickvision.deployment.decision import Photograph
from tickvision.progress import Progress
from tickvision.review import chain, readers, settings, store, web

PASSWORD = "a long enough password"  # noqa: S105
SHOTS = os.environ.get("DESK_SHOTS", "")
SPECIMENS = 200
WIDE, NARROW = 1280, 390


def draw_photographs(folder: Path) -> None:
    """Four pictures of a blob with legs beside a scale of 5 mm (300 pixels)."""
    folder.mkdir()
    for number in range(4):
        picture = Image.new("RGB", (900, 700), (232, 228, 214))
        pen = ImageDraw.Draw(picture)
        for leg in range(8):
            y = 260 + 40 * (leg % 4)
            pen.line((450, 330, 300 if leg < 4 else 600, y), fill=(80, 50, 30), width=10)
        pen.ellipse((360, 220, 540, 460), fill=(110 + 20 * number, 70, 50))
        pen.line((100, 620, 400, 620), fill=(0, 0, 0), width=4)
        picture.save(folder / f"{number}.jpg")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A desk to which 200 predictions were imported: 150 referred, 50 named, audits and second readings drawn."""
    top = tmp_path_factory.mktemp("day")
    draw_photographs(top / "photographs")
    predictions = []
    for n in range(SPECIMENS):
        photographs = tuple(Photograph(f"{(n + k) % 4}.jpg", "ok") for k in range(1 + n % 3))
        made = named if n % 4 == 0 else decision
        removed = time.strftime("%Y-%m-%dT%H:%M", time.localtime(time.time() - 3600 * (n % 90))) if n % 2 else ""
        predictions.append(made(f"day/S{n:03d}", photographs=photographs, removed_at=removed))
    lines = write_lines(top / "predictions.jsonl", predictions)
    facts = top / "facts.csv"
    with facts.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow(("specimen_id", "submission_id", "place", "host", "attached", "event_date"))
        for n in range(SPECIMENS):
            writer.writerow((f"day/S{n:03d}", f"L{n // 2:03d}", "Pellow Fen", "dog", "attached", "2026-11-20"))
    connection = store.open_store(top / "desk", create=True)
    settings.save(connection, settings.DeskSettings(bench="Larkmoor bench (invented)", second_share=0.3, drawn=True))
    review_commands.import_predictions(
        [lines], top / "desk", top / "photographs", facts, None, None, None, Progress(quiet=True)
    )
    for name in ("Ann", "Ben"):
        readers.add(connection, name, PASSWORD)
    connection.close()
    return top


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    """The desk, served on loopback."""
    port = free_port()
    server = uvicorn.Server(uvicorn.Config(web.build(web.Desk(folder / "desk")), port=port, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(10)


def shoot(page: Any, name: str) -> None:
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/{name}-{page.viewport_size['width']}.png", full_page=True)


LAID_OUT_ALIKE = ("case-after-saving", "case-concluded", "case-needs-a-photograph", "summary", "readers")


def inspect(seen: Visit, name: str) -> None:
    """Axe finds nothing, nothing sticks out. All pages at both widths only with DESK_SHOTS: axe takes a second."""
    if not SHOTS and name in LAID_OUT_ALIKE:
        return
    for width in (WIDE, NARROW) if SHOTS else (NARROW,):
        seen.page.set_viewport_size({"width": width, "height": 900})
        assert axe_violations(seen.page) == [], f"{name} at {width} px"
        wide = seen.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, f"{name} is {wide} px wide at {width} px"
        shoot(seen.page, name)
    seen.page.set_viewport_size({"width": WIDE, "height": 900})


def sign_in(page: Any, name: str) -> None:
    page.keyboard.type(name)
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('Queue')")


def decide_by_keyboard(page: Any, name: str, sex: str = "female") -> str:
    """Decide the open case without a mouse; return its id."""
    page.wait_for_load_state("load")  # the keys are the script's
    specimen = page.inner_text("h1")
    page.keyboard.press("1")
    page.keyboard.press("n")
    page.keyboard.type(name)
    for field, value in (("life_stage", "adult"), ("sex", sex), ("confidence", "sure")):
        page.focus(f"#{field}")
        page.keyboard.type(value)
    page.keyboard.press("Control+Enter")
    page.wait_for_selector(f".said a:text-is('{specimen}')")
    return str(specimen)


def measure_by_keyboard(page: Any) -> None:
    """Set four points with the cross: a scale of 5 mm, then a body of twice that."""
    page.keyboard.press("m")
    page.fill("#known", "5")
    page.focus("#viewer")
    for moves in (0, 5, 0, 10):
        for _ in range(moves):
            page.keyboard.press("Shift+ArrowRight")
        page.keyboard.press("Enter")
    page.keyboard.press("Escape")


def read_ten_cases(ann: Visit) -> None:
    """Open the first case from the queue, measure, use every tool, and decide ten cases, all by keyboard."""
    page = ann.page
    page.keyboard.press("Tab")
    page.focus("a.button")
    page.keyboard.press("Enter")
    page.wait_for_selector("#decision")
    inspect(ann, "case")
    measure_by_keyboard(page)
    assert page.input_value("#length_mm") == "10.00"
    page.fill("#taxon", "Dermacentor variabilis")
    page.select_option("#life_stage", "adult")
    page.select_option("#sex", "female")
    page.wait_for_selector("#size:has-text('wide bounds')")
    for key in "rbB+-j0":
        page.keyboard.press("Escape")
        page.keyboard.press(key)
    decided = [decide_by_keyboard(page, "Dermacentor variabilis") for _ in range(10)]
    assert len(set(decided)) == 10
    inspect(ann, "case-after-saving")


def go_back(ann: Visit) -> None:
    """The browser's back button shows the case as it is now: decided, with nothing to send again."""
    ann.page.go_back()
    ann.page.wait_for_selector("h1.id")
    assert ann.page.query_selector("#decision") is None
    assert "Take my decision back" in ann.page.inner_text("main")
    ann.page.go_forward()
    ann.page.wait_for_selector("#decision")


def send_a_faulty_form(ann: Visit) -> None:
    """What is wrong is said, and nothing is kept."""
    ann.page.wait_for_load_state("load")
    ann.page.keyboard.press("1")
    ann.page.keyboard.press("Control+Enter")
    ann.page.wait_for_selector("#faults")
    inspect(ann, "case-with-faults")


def lose_the_connection(ann: Visit, address: str) -> list[str]:
    """The draft stays in the browser and comes back; return what the browser complained of meanwhile."""
    page = ann.page
    page.context.set_offline(True)
    page.fill("#remarks", "palps short, from above")
    page.wait_for_selector("#kept:has-text('No connection')", timeout=8000)
    page.context.set_offline(False)
    complaints = [c for c in ann.complaints if "ERR_INTERNET_DISCONNECTED" in c]
    page.goto(f"{address}/next")
    assert page.input_value("#remarks") == "palps short, from above"
    return complaints


def look_and_ask_for_a_photograph(ann: Visit) -> None:
    """Ask for the model's shortlist, then for another photograph with the text that is ready."""
    ann.page.click("#look")
    ann.page.wait_for_selector("text=What the model considered")
    inspect(ann, "case-shortlist")
    ann.page.keyboard.press("3")
    ann.page.wait_for_selector("#text-need_photograph")
    inspect(ann, "case-needs-a-photograph")
    ann.page.keyboard.press("Control+Enter")
    ann.page.wait_for_selector(".said")


def read_second(ben: Visit, address: str, connection: sqlite3.Connection) -> str:
    """Ben reads three of Ann's cases, unaware of her, and differs once; return the case on which they differ."""
    again = [r[0] for r in connection.execute("SELECT specimen_id FROM specimen WHERE status = 'to_read_again'")]
    assert len(again) >= 2
    for number, specimen in enumerate(again[:3]):
        ben.page.goto(address + web.link("/case", id=specimen))
        assert "Ann" not in ben.page.inner_text("main")
        decide_by_keyboard(ben.page, "Dermacentor andersoni" if number == 0 else "Dermacentor variabilis")
    return str(again[0])


def settle(ann: Visit, address: str, specimen: str, connection: sqlite3.Connection) -> None:
    """Ann settles what they differ on, takes that back and decides anew."""
    page, case = ann.page, address + web.link("/case", id=specimen)
    page.goto(case)
    assert "Two readings differ" in page.inner_text("main")
    inspect(ann, "case-to-settle")
    decide_by_keyboard(page, "Dermacentor variabilis")
    settled = chain.conclude(chain.of_specimen(connection, specimen), False)
    assert (settled.status, settled.by) == (chain.CONCLUDED, ("Ann",))
    page.goto(case)
    inspect(ann, "case-concluded")
    page.click("text=Take my decision back")
    page.wait_for_selector("#decision")
    decide_by_keyboard(page, "Dermacentor")


def read_audits(ben: Visit, address: str, connection: sqlite3.Connection) -> None:
    """Read audits like any other case; the model was right in all but one."""
    audits = connection.execute(
        "SELECT specimen_id FROM specimen WHERE machine_state = 'named' AND is_queued AND status = 'to_read'"
    ).fetchall()
    assert audits
    for number, row in enumerate(audits[:3]):
        ben.page.goto(address + web.link("/case", id=row[0]))
        decide_by_keyboard(ben.page, "Dermacentor variabilis", "male" if number == 0 else "female")


def look_back(ann: Visit, address: str) -> None:
    """Open every page that looks back."""
    for name in ("readers", "audit", "season", "season?summary=1"):
        ann.page.goto(f"{address}/{name}")
        inspect(ann, name.split("?")[-1].split("=")[0])
    assert "audited answers" in ann.page.inner_text("main")


def export_all(folder: Path) -> dict[str, dict[str, str]]:
    """Export and return the occurrences by their id."""
    result, _ = review_commands.export(folder / "desk", folder / "labels.csv", folder / "dwc.csv", "not a tick")
    assert result["labels"]["specimens"] == result["darwin_core"]["occurrences"] >= 3  # type: ignore[index]
    with (folder / "dwc.csv").open(encoding="utf-8") as handle:
        return {r["occurrenceID"]: r for r in csv.DictReader(handle)}


@needs_chromium
@pytest.mark.slow
def test_a_whole_day_at_the_desk(folder: Path, address: str) -> None:
    connection = store.open_store(folder / "desk")
    with chromium() as browser, visit(browser, address) as ann, visit(browser, address) as ben:
        inspect(ann, "sign-in")
        sign_in(ann.page, "Ann")
        inspect(ann, "queue")
        read_ten_cases(ann)
        go_back(ann)
        send_a_faulty_form(ann)
        complaints_offline = lose_the_connection(ann, address)
        look_and_ask_for_a_photograph(ann)
        sign_in(ben.page, "Ben")
        disputed = read_second(ben, address, connection)
        settle(ann, address, disputed, connection)
        read_audits(ben, address, connection)
        look_back(ann, address)
        for seen in (ann, ben):
            assert {urlsplit(r).netloc for r in seen.requests} == {urlsplit(address).netloc}
            # the 422 of the faulty form and the lost connection are said by the browser itself
            rest = [c for c in seen.complaints if c not in complaints_offline and "status of 422" not in c]
            assert rest == []
    rows = export_all(folder)
    assert all("suggested by a model: " in r["previousIdentifications"] for r in rows.values())
    assert rows[disputed]["previousIdentifications"].count("withdrawn") == 1
