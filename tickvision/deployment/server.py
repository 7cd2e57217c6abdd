"""Answer over HTTP: the same engine and the same answers as the command. Loopback by default; nothing is stored."""

from __future__ import annotations

import asyncio
import time
from collections import Counter, deque
from collections.abc import AsyncIterator, Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tickvision.deployment.api_description import describe
from tickvision.deployment.predict import Predictor, load
from tickvision.deployment.specimens import parse_time

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

MAX_BODY_BYTES = 40 * 1024 * 1024
MAX_PHOTOGRAPHS = 12
MAX_ID = 200
QUEUE = 16  # with the limit of a body, what uploads may take in memory
STOP_AFTER_S = 30


@dataclass
class Limits:
    """body_bytes: of one request. queue: requests that may wait; one more is answered 429. per_minute: 0 = no limit."""

    body_bytes: int = MAX_BODY_BYTES
    queue: int = QUEUE
    per_minute: int = 0


@dataclass
class _State:
    predictor: Predictor
    limits: Limits
    decoders: ThreadPoolExecutor
    waiting: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    recent: dict[str, deque[float]] = field(default_factory=dict)
    network: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))


class _RefusedError(Exception):
    def __init__(self, status: int, detail: str, retry_after_s: int = 0) -> None:
        super().__init__(detail)
        self.status, self.detail, self.retry_after_s = status, detail, retry_after_s


def build(predictor: Predictor, limits: Limits | None = None) -> Starlette:
    """Return the ASGI application."""
    from starlette.applications import Starlette
    from starlette.routing import Route

    state = _State(predictor, limits or Limits(), ThreadPoolExecutor(predictor.cores))
    description = describe(predictor.package.model_id, state.limits.body_bytes)

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        for pool in (state.decoders, state.network):
            pool.shutdown(wait=True)  # what was accepted is answered

    async def predict(request: Request) -> Response:
        return await _guarded(state, request)

    async def health(_: Request) -> Response:
        return _json({"status": "ok", "model": predictor.package.model_id})

    async def openapi(_: Request) -> Response:
        return _json(description)

    async def metrics(_: Request) -> Response:
        from starlette.responses import PlainTextResponse

        return PlainTextResponse(_metrics(state), media_type="text/plain; version=0.0.4")

    return Starlette(
        routes=[
            Route("/predict", predict, methods=["POST"]),
            Route("/health", health),
            Route("/metrics", metrics),
            Route("/openapi.json", openapi),
        ],
        lifespan=lifespan,
    )


async def _guarded(state: _State, request: Request) -> Response:
    """Answer, or refuse with a status and a reason; count both."""
    try:
        _limit_rate(state, request.client.host if request.client else "")
        if state.waiting >= state.limits.queue:
            raise _RefusedError(429, "the queue is full; try again in a second", 1)
        state.waiting += 1
        try:
            response = await _predict(state, request)
        finally:
            state.waiting -= 1
    except _RefusedError as refused:
        headers = {"retry-after": str(refused.retry_after_s)} if refused.retry_after_s else {}
        response = _json({"detail": refused.detail}, refused.status, headers)
    state.counts[str(response.status_code)] += 1
    return response


def _limit_rate(state: _State, client: str) -> None:
    if not state.limits.per_minute:
        return
    now = time.monotonic()
    times = state.recent.setdefault(client, deque())
    while times and now - times[0] > 60:
        times.popleft()
    if len(times) >= state.limits.per_minute:
        raise _RefusedError(429, f"at most {state.limits.per_minute} requests a minute", int(61 - (now - times[0])))
    times.append(now)
    if len(state.recent) > 10_000:  # clients that have been quiet for a minute are forgotten
        state.recent = {c: t for c, t in state.recent.items() if t and now - t[-1] < 60}


async def _predict(state: _State, request: Request) -> Response:
    specimen_id, removed_at, files = await _read_form(request, state.limits.body_bytes)
    start = time.perf_counter()
    loop = asyncio.get_running_loop()
    looked = await loop.run_in_executor(state.decoders, state.predictor.look_at_bytes, files)
    decision = await loop.run_in_executor(state.network, state.predictor.decide_on, specimen_id, looked, removed_at)
    state.seconds += time.perf_counter() - start
    state.counts[decision.state] += 1
    return _json(decision.to_dict())


async def _read_form(request: Request, limit: int) -> tuple[str, str, list[tuple[str, bytes]]]:
    """Return (specimen_id, removed_at, [(name, bytes)]) of a multipart body. Raises _RefusedError."""
    from starlette.datastructures import UploadFile
    from starlette.exceptions import HTTPException

    if not request.headers.get("content-type", "").startswith("multipart/form-data"):
        raise _RefusedError(415, "send multipart/form-data with one or more files named 'photographs'")
    _bound_body(request, limit)
    try:
        form = await request.form(max_files=MAX_PHOTOGRAPHS, max_fields=8)
    except HTTPException as error:
        raise _RefusedError(400, f"not a readable multipart body: {error.detail}") from None
    except (KeyError, ValueError) as error:
        raise _RefusedError(400, f"not a readable multipart body ({type(error).__name__})") from None
    async with _closing(form):
        files = [
            (item.filename or f"photograph {number}", await item.read())
            for number, item in enumerate(form.getlist("photographs"), 1)
            if isinstance(item, UploadFile)
        ]
        if not files:
            raise _RefusedError(422, "no file is named 'photographs'")
        specimen_id = form.get("specimen_id") or files[0][0]
        removed_at = form.get("removed_at") or ""
    if not isinstance(specimen_id, str) or not isinstance(removed_at, str):
        raise _RefusedError(422, "specimen_id and removed_at are text")
    try:
        removed_at = parse_time(removed_at).isoformat(timespec="minutes") if removed_at else ""
    except ValueError as error:
        raise _RefusedError(422, f"removed_at: {error}") from None
    return specimen_id[:MAX_ID], removed_at, files


@asynccontextmanager
async def _closing(form: Any) -> AsyncIterator[None]:
    try:
        yield
    finally:
        await form.close()


def _bound_body(request: Request, limit: int) -> None:
    """Refuse a body that says it is too long, and stop reading one that turns out to be."""
    said = request.headers.get("content-length", "")
    too_long = _RefusedError(413, f"the body is longer than {limit:,} bytes")
    if said.isdigit() and int(said) > limit:
        raise too_long
    receive: Callable[[], Awaitable[Any]] = request.receive
    taken = 0

    async def bounded() -> Any:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > limit:
            raise too_long
        return message

    request._receive = bounded


def _json(content: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    from starlette.responses import JSONResponse

    return JSONResponse(content, status, headers)


def _metrics(state: _State) -> str:
    lines = ["# TYPE tickvision_answers_total counter"]
    lines += [f'tickvision_answers_total{{outcome="{k}"}} {n}' for k, n in sorted(state.counts.items())]
    lines += ["# TYPE tickvision_seconds_total counter", f"tickvision_seconds_total {state.seconds:.6f}"]
    lines += ["# TYPE tickvision_waiting gauge", f"tickvision_waiting {state.waiting}", ""]
    return "\n".join(lines)


def serve(package: Path, host: str, port: int, threads: int = 0, limits: Limits | None = None) -> None:
    """Serve a package until interrupted; then answer what was accepted, and stop."""
    import uvicorn

    app = build(load(package, threads), limits)
    uvicorn.run(
        app, host=host, port=port, log_level="info", timeout_graceful_shutdown=STOP_AFTER_S, limit_concurrency=512
    )
