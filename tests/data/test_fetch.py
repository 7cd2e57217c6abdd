"""Photographs from the web, here from a server on this machine only. Status codes after RFC 9110 and RFC 6585."""

from __future__ import annotations

import csv
import hashlib
import socket
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from made import jpeg, scene

from tickvision.data import archive, fetch, ingest, sources
from tickvision.errors import DataError

LIMITS = fetch.Limits(wait_s=0, max_bytes=100_000, own_network=True, tries=3, backoff_s=0.01, timeout_s=5)


PHOTO = jpeg(scene())


class Server(BaseHTTPRequestHandler):
    """Answers by path: plain pictures, a busy server, a redirect, and what must be refused."""

    asked: list[str]
    agents: list[str]

    def do_GET(self) -> None:
        type(self).asked.append(self.path)
        type(self).agents.append(self.headers["User-Agent"])
        name = self.path.rsplit("/", 1)[-1]
        if name == "busy.jpg" and self.asked.count(self.path) < 3:
            self._send(503, b"", "text/plain", [("Retry-After", "0")])
        elif name == "moved.jpg":
            self._send(302, b"", "text/plain", [("Location", "/a.jpg")])
        elif name in ("loop.jpg", "out.jpg"):
            place = "/loop.jpg" if name == "loop.jpg" else "file:///etc/hostname"
            self._send(302, b"", "text/plain", [("Location", place)])
        elif name == "page.jpg":
            self._send(200, b"<html>", "text/html")
        elif name == "lie.jpg":
            self._send(200, b"MZ no picture", "image/jpeg")
        elif name == "big.jpg":
            self._send(200, PHOTO + bytes(200_000), "image/jpeg")
        elif name == "endless.jpg":
            self._send(200, PHOTO + bytes(200_000), "image/jpeg", length=False)
        elif name == "cut.jpg":
            self._send(200, PHOTO, "image/jpeg", [("Content-Length", "90000")], length=False)
        elif name == "gone.jpg":
            self._send(404, b"", "text/plain")
        else:
            self._send(200, PHOTO, "image/jpeg")

    def _send(
        self, status: int, body: bytes, kind: str, more: list[tuple[str, str]] = [], length: bool = True  # noqa: B006
    ) -> None:  # fmt: skip
        self.send_response(status)
        self.send_header("Content-Type", kind)
        for key, value in more:
            self.send_header(key, value)
        if length:
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *args: object) -> None:
        pass


@pytest.fixture
def server() -> Iterator[str]:
    Server.asked, Server.agents = [], []
    with ThreadingHTTPServer(("127.0.0.1", 0), Server) as running:
        threading.Thread(target=running.serve_forever, args=(0.01,), daemon=True).start()
        yield f"http://127.0.0.1:{running.server_port}"
        running.shutdown()


def bring(folder: Path, *urls: str, limits: fetch.Limits = LIMITS) -> dict[str, int]:
    return dict(fetch.bring(urls, folder, limits, lambda *_: None))


def test_photographs_are_brought_once_with_their_hash(tmp_path: Path, server: str) -> None:
    assert bring(tmp_path, f"{server}/a.jpg", f"{server}/b.jpg", f"{server}/a.jpg") == {"before": 0, "ok": 2}
    row = fetch.read_index(tmp_path)[f"{server}/a.jpg"]
    content = (tmp_path / row.file).read_bytes()
    assert content == PHOTO
    assert (row.sha256, row.bytes) == (hashlib.sha256(content).hexdigest(), len(content))
    assert bring(tmp_path, f"{server}/a.jpg", f"{server}/c.jpg") == {"before": 1, "ok": 1}
    assert Server.asked == ["/a.jpg", "/b.jpg", "/c.jpg"]
    assert all(agent.startswith("tickvision/") for agent in Server.agents)


def test_a_busy_server_is_asked_again_and_a_redirect_followed(tmp_path: Path, server: str) -> None:
    assert bring(tmp_path, f"{server}/busy.jpg", f"{server}/moved.jpg")["ok"] == 2
    assert Server.asked == ["/busy.jpg"] * 3 + ["/moved.jpg", "/a.jpg"]


@pytest.mark.parametrize(
    ("name", "reason"),
    [("page.jpg", "sends 'text/html', not a picture"), ("lie.jpg", "no picture of a kind"), ("big.jpg", "at most 100,"),
     ("endless.jpg", "more than 100,000 bytes"), ("gone.jpg", "answered 404"), ("loop.jpg", "more than 5 redirects"),
     ("out.jpg", "no web address"), ("cut.jpg", "IncompleteRead")],
)  # fmt: skip
def test_what_is_no_photograph_is_a_row_with_its_reason(tmp_path: Path, server: str, name: str, reason: str) -> None:
    assert bring(tmp_path, f"{server}/{name}", f"{server}/zz.jpg") == {"before": 0, "failed": 1, "ok": 1}
    assert reason in fetch.read_index(tmp_path)[f"{server}/{name}"].reason
    assert len(list(tmp_path.glob("*.jpg"))) == 1


def test_what_is_no_address_fails_alone(tmp_path: Path, server: str) -> None:
    assert bring(tmp_path, "http://[", f"{server}/a.jpg") == {"before": 0, "failed": 1, "ok": 1}
    assert "Invalid IPv6 URL" in fetch.read_index(tmp_path)["http://["].reason


def test_a_server_that_does_not_answer_fails_after_its_tries(tmp_path: Path) -> None:
    with socket.socket() as held:  # bound, so that nobody else takes the port, and never listening
        held.bind(("127.0.0.1", 0))
        closed = f"http://127.0.0.1:{held.getsockname()[1]}/a.jpg"
        assert bring(tmp_path, closed)["failed"] == 1
    assert "Max retries" in fetch.read_index(tmp_path)[closed].reason


@pytest.mark.parametrize("address", ["127.0.0.1", "10.1.2.3", "169.254.169.254", "[::1]", "localhost"])
def test_addresses_of_the_own_network_are_refused_unless_allowed(tmp_path: Path, address: str) -> None:
    assert bring(tmp_path, f"http://{address}/a.jpg", limits=fetch.Limits(wait_s=0))["failed"] == 1
    assert "not a public address" in fetch.read_index(tmp_path)[f"http://{address}/a.jpg"].reason


def test_hosts_are_asked_one_after_the_other_with_pauses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    monkeypatch.setattr(fetch.time, "sleep", lambda s: said.append(f"wait {s:g}"))
    monkeypatch.setattr(
        fetch, "_fetch", lambda web, url, folder, limits: said.append(url) or fetch.Fetched(url, "failed", "test")
    )
    bring(tmp_path, "http://b.example/1", "http://a.example/2", "http://b.example/0", limits=fetch.Limits(wait_s=2))
    assert said == ["http://a.example/2", "wait 2", "http://b.example/0", "wait 2", "http://b.example/1"]


def test_a_stopped_run_goes_on_and_failures_are_tried_again(tmp_path: Path, server: str) -> None:
    bring(tmp_path, f"{server}/a.jpg", f"{server}/gone.jpg")
    with (tmp_path / fetch.INDEX).open("a", encoding="utf-8") as handle:
        handle.write(f"{server}/half.jpg,ok,,x.jpg")  # killed while it wrote
    assert f"{server}/half.jpg" not in fetch.read_index(tmp_path)
    next(tmp_path.glob("*.jpg")).unlink()
    Server.asked.clear()
    assert bring(tmp_path, f"{server}/a.jpg", f"{server}/gone.jpg") == {"before": 0, "ok": 1, "failed": 1}
    assert sorted(Server.asked) == ["/a.jpg", "/gone.jpg"]


def test_an_index_that_names_files_elsewhere_is_not_followed(tmp_path: Path) -> None:
    with (tmp_path / fetch.INDEX).open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle)
        writer.writerow(["url", "status", "reason", "file", "sha256", "bytes", "fetched_at"])
        writer.writerow(["http://a.example/1", "ok", "", "../secret.jpg", "", "3", "now"])
    assert fetch.read_index(tmp_path) == {}
    (tmp_path / fetch.INDEX).write_bytes(b"url,status\n\xff\xfe\n")
    with pytest.raises(DataError, match="Delete it"):
        fetch.read_index(tmp_path)


def test_records_point_at_what_was_brought_or_say_how_to_bring_it(tmp_path: Path, server: str) -> None:
    table = tmp_path / "labels.csv"
    lines = [f"{server}/{n},s{i},Ixodes" for i, n in enumerate(("a.jpg", "gone.jpg", "later.jpg"))]
    table.write_text("file,specimen_id,scientific_name\n" + "\n".join(lines) + "\n", "utf-8")
    bring(tmp_path / "web", *(line.split(",")[0] for line in lines[:2]))
    placed = list(fetch.placed(sources.read_csv(table), tmp_path / "web"))
    frame, findings = ingest.ingest(placed, tmp_path, "ticks")
    assert list(frame["status"]) == ["ok", "missing", "missing"]
    assert frame["photo_id"][0] == f"{server}/a.jpg"
    assert Path(frame["path"][0]).read_bytes() == PHOTO
    assert "answered 404" in frame["reason"][1]
    assert "import --fetch brings it" in frame["reason"][2]
    assert [f.finding for f in findings if f.severity == "error"] == ["missing", "missing"]


def test_media_of_an_archive_are_found_where_they_were_brought(tmp_path: Path, server: str) -> None:
    terms = "http://rs.tdwg.org/dwc/terms/"
    (tmp_path / "meta.xml").write_text(
        f'<archive xmlns="{terms.replace("terms", "text")}"><core rowType="{terms}Occurrence">'
        f'<files><location>o.csv</location></files><id index="0"/><field index="1" term="{terms}associatedMedia"/>'
        "</core></archive>"
    )
    (tmp_path / "o.csv").write_text(f"o1,{server}/one%20tick.jpg | {server}/two.jpg\n")
    records, _ = archive.read_archive(tmp_path, tmp_path / "work", tmp_path, {})
    assert [r.fields["fault"] != "" for r in records] == [True, True]
    bring(tmp_path / "web", *(r.fields["file"] for r in records))
    placed = list(fetch.placed(records, tmp_path / "web"))
    assert all(Path(r.fields["file"]).is_file() and "fault" not in r.fields for r in placed)
    assert [r.fields["photo_id"] for r in placed] == [r.fields["photo_id"] for r in records]
