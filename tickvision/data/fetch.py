"""Photographs that a source names by URL, brought politely when asked: one at a time, host after host, with pauses.

What came is kept under a name made from its URL, with its hash, in fetched.csv; a stopped run goes on where it was.
"""

from __future__ import annotations

import csv
import hashlib
import ipaddress
import socket
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import urllib3
from PIL import Image

from tickvision import __version__
from tickvision.data.mapping import Record
from tickvision.data.sources import is_there
from tickvision.errors import DataError

INDEX = "fetched.csv"
KINDS = {"JPEG": ".jpg", "PNG": ".png", "WEBP": ".webp", "TIFF": ".tif", "BMP": ".bmp"}
TYPES = ("image/", "application/octet-stream", "binary/octet-stream")
REDIRECTS = 5
BUSY = (429, 500, 502, 503, 504)  # worth another try (RFC 9110, 15.6; RFC 6585, 4)
LONGEST_WAIT_S = 120.0
Progress = Callable[[int, int, int], None]  # done, total, failures so far


@dataclass(frozen=True)
class Limits:
    """wait_s: pause between two requests. tries: after the first, with pauses backoff_s, 2, 4 ... times as long.

    own_network: also fetch from addresses that are not public (this machine, the local network).
    """

    wait_s: float = 1.0
    max_bytes: int = 50 * 10**6
    own_network: bool = False
    tries: int = 4
    backoff_s: float = 1.0
    timeout_s: float = 30.0
    longest_s: float = 600.0


@dataclass(frozen=True)
class Fetched:
    """One line of fetched.csv. status: ok or failed; file: name below the folder."""

    url: str
    status: str
    reason: str = ""
    file: str = ""
    sha256: str = ""
    bytes: int = 0
    fetched_at: str = ""


def is_url(text: str) -> bool:
    """True for what names a place on the web."""
    return text.lower().startswith(("http://", "https://"))


def _host(url: str) -> str:
    """Return the host, "" where there is none to be read."""
    try:
        return urlsplit(url).hostname or ""
    except ValueError:
        return ""


def bring(urls: Iterable[str], folder: Path, limits: Limits, progress: Progress) -> Counter[str]:
    """Fetch what is not there yet into folder; return how many are "ok", "failed" and were there "before".

    A URL that fails is a line with its reason in fetched.csv, and is tried again next time.
    """
    folder.mkdir(parents=True, exist_ok=True)
    held = read_index(folder)
    wanted = sorted(dict.fromkeys(u for u in urls if is_url(u)), key=lambda u: (_host(u), u))
    missing = [u for u in wanted if not _is_there(held.get(u), folder)]
    counts = Counter(before=len(wanted) - len(missing))
    web = _pool(limits)
    for number, url in enumerate(missing):
        if number:
            time.sleep(limits.wait_s)
        try:
            row = _fetch(web, url, folder, limits)
        except (DataError, urllib3.exceptions.HTTPError, OSError, ValueError) as error:
            row = Fetched(url, "failed", " ".join(str(error).split())[:300])
        _note(row, folder)
        counts[row.status] += 1
        progress(number + 1, len(missing), counts["failed"])
    return counts


def _pool(limits: Limits) -> urllib3.PoolManager:
    retry = urllib3.Retry(
        total=limits.tries,
        redirect=0,
        status_forcelist=BUSY,
        allowed_methods={"GET"},
        backoff_factor=limits.backoff_s,
        backoff_max=LONGEST_WAIT_S,
        retry_after_max=int(LONGEST_WAIT_S),
        raise_on_status=False,
    )
    agent = {"User-Agent": f"tickvision/{__version__}", "Accept": "image/*", "Accept-Encoding": "identity"}
    web = urllib3.PoolManager(num_pools=1, headers=agent, timeout=limits.timeout_s, retries=retry)
    if not limits.own_network:
        web.pool_classes_by_scheme = {"http": _PublicPool, "https": _PublicTlsPool}
    return web


def _fetch(web: urllib3.PoolManager, url: str, folder: Path, limits: Limits) -> Fetched:
    place = url
    for _ in range(REDIRECTS + 1):
        _check_address(place, limits.own_network)
        answer = web.request("GET", place, preload_content=False, redirect=False)
        try:
            onward = answer.get_redirect_location()
            if not onward:
                return _save(answer, url, folder, limits)
        finally:
            answer.drain_conn() if (answer.length_remaining or 0) < 100_000 else answer.close()
            answer.release_conn()
        place = urljoin(place, onward)
    raise DataError(f"more than {REDIRECTS} redirects")


def _check_address(url: str, own_network: bool) -> None:
    """Refuse what is no web address, or one of this machine or its network: an archive must not reach in there."""
    parts = urlsplit(url)
    if not is_url(url) or not parts.hostname:
        raise DataError(f"'{url[:200]}' is no web address")
    if own_network:
        return
    for *_, address in socket.getaddrinfo(parts.hostname, parts.port or 443, type=socket.SOCK_STREAM):
        _check_public(parts.hostname, str(address[0]))


def _check_public(host: str, address: str) -> None:
    if not ipaddress.ip_address(address.split("%")[0]).is_global:
        raise DataError(f"{host} is {address}, not a public address; see data.fetch_own_network")


class _PublicConnection(urllib3.connection.HTTPConnection):
    """Hangs up, before a word is said, on an address that is not public: a name may mean another one by now."""

    def _new_conn(self) -> socket.socket:
        sock = super()._new_conn()
        try:
            _check_public(self.host, str(sock.getpeername()[0]))
        except (DataError, OSError):
            sock.close()
            raise
        return sock


class _PublicTlsConnection(_PublicConnection, urllib3.connection.HTTPSConnection):
    pass


class _PublicPool(urllib3.HTTPConnectionPool):
    ConnectionCls = _PublicConnection


class _PublicTlsPool(urllib3.HTTPSConnectionPool):
    ConnectionCls = _PublicTlsConnection


def _save(answer: urllib3.BaseHTTPResponse, url: str, folder: Path, limits: Limits) -> Fetched:
    if answer.status != 200:
        raise DataError(f"the server answered {answer.status} {answer.reason or ''}".strip())
    kind = answer.headers.get("Content-Type", "").lower()
    if kind and not kind.startswith(TYPES):
        raise DataError(f"the server sends '{kind[:80]}', not a picture")
    if int(answer.headers.get("Content-Length") or 0) > limits.max_bytes:
        raise DataError(f"{int(answer.headers['Content-Length']):,} bytes; at most {limits.max_bytes:,} are fetched")
    part = folder / "coming.part"
    digest, size, end = hashlib.sha256(), 0, time.monotonic() + limits.longest_s
    with part.open("wb") as sink:
        for block in answer.stream(65536, decode_content=False):
            size += len(block)
            if size > limits.max_bytes:
                raise DataError(f"more than {limits.max_bytes:,} bytes")
            if time.monotonic() > end:
                raise DataError(f"took longer than {limits.longest_s:g} s")
            digest.update(block)
            sink.write(block)
    name = hashlib.sha256(url.encode()).hexdigest()[:32] + _suffix(part)
    part.replace(folder / name)
    return Fetched(url, "ok", "", name, digest.hexdigest(), size, datetime.now(UTC).isoformat(timespec="seconds"))


def _suffix(path: Path) -> str:
    """Return the suffix of the picture's true kind, told from its head."""
    try:
        with Image.open(path) as picture:
            return KINDS[str(picture.format)]
    except Exception:  # Pillow raises OSError, SyntaxError, struct.error, ValueError and more on broken files
        raise DataError(f"what came is no picture of a kind that is read ({', '.join(KINDS)})") from None


def _is_there(row: Fetched | None, folder: Path) -> bool:
    if row is None or row.status != "ok":
        return False
    file = folder / row.file
    return file.is_file() and file.stat().st_size == row.bytes


def _note(row: Fetched, folder: Path) -> None:
    """Add a line to the index at once, so that a stopped run knows what it has."""
    index = folder / INDEX
    is_new = not index.is_file()
    with index.open("a", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, [f.name for f in fields(Fetched)])
        if is_new:
            writer.writeheader()
        writer.writerow(asdict(row))


def read_index(folder: Path) -> dict[str, Fetched]:
    """Return URL -> what is known of it; the last line of a URL counts, a half-written one does not."""
    found: dict[str, Fetched] = {}
    try:
        with (folder / INDEX).open(encoding="utf-8", newline="") as handle:
            for row in csv.DictReader(handle):
                size = row.get("bytes") or ""
                if size.isdecimal() and row.get("fetched_at") is not None and _is_name(row["file"]):
                    found[row["url"]] = Fetched(**{**row, "bytes": int(size)})  # type: ignore[arg-type]
    except FileNotFoundError:
        pass
    except (csv.Error, UnicodeDecodeError, TypeError) as error:
        raise DataError(f"{folder / INDEX}: not readable ({error}). Delete it to fetch everything again.") from None
    return found


def _is_name(file: str) -> bool:
    return "/" not in file and "\\" not in file and not file.startswith(".")


def placed(records: Iterable[Record], folder: Path) -> Iterator[Record]:
    """Yield the records with URLs replaced by the files that were fetched; others keep their URL and say why."""
    held = read_index(folder)
    for record in records:
        url = record.fields.get("file", "")
        row = held.get(url)
        if not is_url(url):
            yield record
        elif row is not None and _is_there(row, folder):
            told = {k: v for k, v in record.fields.items() if k != "fault"}
            named = {"photo_id": told.get("photo_id") or url, "file": str((folder / row.file).resolve())}
            yield replace(record, fields=told | named, others=record.others | {"fetched_from": url})
        elif row is not None and row.status == "failed":
            yield replace(record, fields=record.fields | {"fault": f"'{url}' could not be fetched: {row.reason}"})
        elif record.fields.get("fault") or is_there(Path(record.fields.get("file", ""))):
            yield record  # an archive's photograph that lies beside it keeps its place
        else:
            yield replace(record, fields=record.fields | {"fault": f"'{url}' is on the web; import --fetch brings it"})
