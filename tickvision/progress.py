"""Progress of long work on stderr: a bar on a terminal, a line every 30 seconds otherwise, nothing with --quiet."""

from __future__ import annotations

import sys
import time

LINE_EVERY_S = 30


class Progress:
    """Says lines and counts. Call tick(what, done, total, failures) as often as you like."""

    def __init__(self, quiet: bool = False) -> None:
        self.quiet = quiet
        self._bar = sys.stderr.isatty()
        self._what = ""
        self._start = self._last = 0.0

    def say(self, line: str) -> None:
        """Print one line to stderr."""
        if not self.quiet:
            self._clear()
            print(line, file=sys.stderr, flush=True)

    def tick(self, what: str, done: int, total: int, failures: int = 0, note: str = "") -> None:
        """Show done of total with rate, time left, failures so far, and a note behind them."""
        now = time.monotonic()
        if what != self._what:
            self._what, self._start, self._last = what, now, now
        if self.quiet:
            return
        finished = done >= total
        if not finished and now - self._last < (0.2 if self._bar else LINE_EVERY_S):
            return
        self._last = now
        rate = done / max(now - self._start, 1e-6)
        left = (total - done) / rate if rate else 0
        line = f"{what}: {done:,}/{total:,}, {rate:,.0f}/s, {left:,.0f} s left"
        line += f", {failures:,} failed" if failures else ""
        line += f"; {note}" if note else ""
        if self._bar and not finished:
            print(f"\r\x1b[2K{line}", end="", file=sys.stderr, flush=True)
        else:
            self._clear()
            print(
                f"{what}: {done:,}/{total:,} in {now - self._start:,.0f} s"
                + (f", {failures:,} failed" if failures else "")
                if finished
                else line,
                file=sys.stderr,
                flush=True,
            )

    def _clear(self) -> None:
        if self._bar:
            print("\r\x1b[2K", end="", file=sys.stderr)
