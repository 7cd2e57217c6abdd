from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from made import free_port

pytest.importorskip("starlette")
pytest.importorskip("httpx")

from tickvision.deployment import load
from tickvision.deployment.server import Limits, build


@pytest.fixture
def photo(finished: Path) -> Path:
    return sorted((finished.parent / "photographs").iterdir())[3]


def client(package: Path, limits: Limits | None = None) -> Any:
    import httpx

    app = build(load(package), limits)
    return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://bench")


def ask(package: Path, limits: Limits | None = None, times: int = 1, **request: Any) -> list[Any]:
    import asyncio

    async def go() -> list[Any]:
        async with client(package, limits) as bench:
            return list(await asyncio.gather(*(bench.post("/predict", **request) for _ in range(times))))

    return asyncio.run(go())


def test_the_server_says_what_the_command_says(package: Path, photo: Path) -> None:
    (got,) = ask(package, files={"photographs": (str(photo), photo.read_bytes())})
    assert got.status_code == 200
    expected = json.loads(json.dumps(load(package).predict([photo])[0].to_dict()))
    assert got.json() == expected
    assert got.json()["caution"]


def test_removal_time_and_a_bad_photograph_are_answered(package: Path) -> None:
    form = {"specimen_id": "t1", "removed_at": "2026-05-03T18:30"}
    (got,) = ask(package, files={"photographs": ("a.jpg", b"no picture")}, data=form)
    assert (got.status_code, got.json()["state"]) == (200, "unusable")
    assert got.json()["preventive_care_until"] == "2026-05-06T18:30"


@pytest.mark.parametrize(
    ("request_", "status"),
    [
        ({"content": b"x"}, 415),
        ({"content": b"x", "headers": {"content-type": "multipart/form-data"}}, 400),
        ({"content": b"x", "headers": {"content-type": "multipart/form-data; boundary=a"}}, 400),
        ({"files": {"other": ("a.jpg", b"x")}}, 422),
        ({"files": {"photographs": ("a.jpg", b"x")}, "data": {"removed_at": "soon"}}, 422),
        ({"files": {"photographs": ("a.jpg", b"x" * 5000)}}, 413),
        ({"files": [("photographs", (f"{i}.jpg", b"x")) for i in range(13)]}, 400),
    ],
)
def test_what_cannot_be_answered_is_refused_with_a_reason(package: Path, request_: dict[str, Any], status: int) -> None:
    (got,) = ask(package, Limits(body_bytes=4000), **request_)
    assert got.status_code == status, got.text
    assert got.json()["detail"]


def test_a_full_queue_is_429_and_nothing_accepted_is_lost(package: Path, photo: Path) -> None:
    got = ask(package, Limits(queue=2), times=12, files={"photographs": ("a.jpg", photo.read_bytes())})
    codes = sorted(g.status_code for g in got)
    assert set(codes) == {200, 429}
    assert codes.count(200) >= 2
    assert all(g.headers["retry-after"] == "1" for g in got if g.status_code == 429)


def test_too_many_requests_in_a_minute_are_429(package: Path) -> None:
    got = ask(package, Limits(per_minute=3), times=5, files={"photographs": ("a.jpg", b"x")})
    assert sorted(g.status_code for g in got) == [200, 200, 200, 429, 429]


def test_a_running_server_shows_health_metrics_and_its_description_and_stops_gracefully(
    package: Path, photo: Path
) -> None:
    import httpx

    port = free_port()
    words = [sys.executable, "-m", "tickvision.cli", "predict", str(package), "--serve", "--port", str(port)]
    words += ["--rate", "9"]
    process = subprocess.Popen(words, stderr=subprocess.PIPE, stdout=subprocess.PIPE)
    base = f"http://127.0.0.1:{port}"
    try:
        for _ in range(300):
            try:
                assert b"ok" in urllib.request.urlopen(f"{base}/health").read()  # noqa: S310
                break
            except OSError:
                time.sleep(0.1)
        with httpx.Client(base_url=base, timeout=30) as bench, ThreadPoolExecutor(4) as pool:
            described = bench.get("/openapi.json").json()["paths"]
            assert set(described) == {"/predict", "/health", "/metrics", "/openapi.json"}
            files = {"photographs": ("a.jpg", photo.read_bytes())}
            pending = [pool.submit(bench.post, "/predict", files=files) for _ in range(8)]
            answered = [p.result().status_code for p in pending]
            assert 'outcome="200"} 8' in bench.get("/metrics").text
            last = [bench.post("/predict", files=files) for _ in range(2)]
    finally:
        process.send_signal(signal.SIGTERM)  # as a service manager stops it
        _, log = process.communicate(timeout=60)
    assert answered == [200] * 8
    assert [r.status_code for r in last] == [200, 429]
    assert int(last[1].headers["retry-after"]) > 0
    assert b"Application shutdown complete" in log
    assert b"Traceback" not in log


@pytest.mark.slow
def test_made_up_requests_find_no_server_error(package: Path) -> None:
    schemathesis = pytest.importorskip("schemathesis")
    app = build(load(package))
    schema = schemathesis.openapi.from_asgi("/openapi.json", app)

    from hypothesis import HealthCheck, settings

    operations = [result.ok() for result in schema.get_all_operations()]
    assert "POST /predict" in [o.label for o in operations]
    for operation in operations:

        @settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck), database=None)
        @schemathesis_case(operation)
        def probe(case: Any) -> None:
            assert case.call().status_code < 500

        probe()


def schemathesis_case(operation: Any) -> Any:
    from hypothesis import given

    return given(case=operation.as_strategy())
