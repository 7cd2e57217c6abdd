"""Debian's Chromium, driven by Playwright: what the browser tests share. Nothing is downloaded."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
QUIET = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update")
needs_chromium = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on this machine (Debian: apt-get install chromium)"
)


@dataclass
class Visit:
    """One page in its own browser context, with all that it asked for and complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


@contextmanager
def chromium() -> Iterator[Any]:
    """Give a headless Chromium of this machine."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def visit(browser: Any, url: str, width: int = 1280, height: int = 900, **context: Any) -> Iterator[Visit]:
    """Open a page in a fresh context; requests other than data: and the page itself, and console errors, are kept."""
    held = browser.new_context(viewport={"width": width, "height": height}, **context)
    try:
        seen = Visit(held.new_page())
        seen.page.on("request", lambda r: seen.requests.append(r.url) if not r.url.startswith("data:") else None)
        seen.page.on("pageerror", lambda error: seen.complaints.append(str(error)))
        seen.page.on("console", lambda m: seen.complaints.append(m.text) if m.type in ("error", "warning") else None)
        seen.page.goto(url)
        yield seen
    finally:
        held.close()


def axe_violations(page: Any) -> list[str]:
    """Return what axe-core 4 (Deque, from the package axe-playwright-python) finds wrong, one line a rule."""
    from axe_playwright_python.sync_playwright import Axe

    # nodes that pass need no selectors, which take most of the time on a long page
    found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    return [f"{v['id']}: {v['help']} e.g. {v['nodes'][0]['html'][:200]}" for v in found]
