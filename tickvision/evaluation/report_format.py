"""How a figure becomes text, and where it stands in metrics.json: one place, so that a test can walk the whole page."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from markupsafe import Markup

NO_DATA = "no data"
TEMPLATES = Path(__file__).parent / "templates"


@lru_cache(maxsize=1)
def templates() -> Any:
    """Return the jinja2 environment of the report and the card; every text of the user is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def show(value: Any, how: str) -> str:
    """Return a figure as the report writes it; "no data" for None.

    how: "count" 1,234; "share" 43 % (one decimal outside 10..90 % unless it is 0); "decimal" 0.432; "signed" +0.043;
    "points" +4.3, of 100; "hundred" 43, of 100; "p" 0.012 or < 0.001; "text" as it is.
    """
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return NO_DATA
    if how == "text":
        return str(value)
    if how == "count":
        return f"{value:,.0f}"
    if how == "share":
        return _percent(float(value))
    if how == "decimal":
        return f"{value:.3f}"
    if how == "signed":
        return f"{value:+.3f}"
    if how == "points":
        return f"{100 * value:+.1f}"
    if how == "hundred":
        return f"{100 * value:.0f}"
    if how == "p":
        return "< 0.001" if value < 0.001 else f"{value:.3f}"
    raise ValueError(f"format '{how}' is not known (count, share, decimal, signed, points, hundred, p, text).")


def _percent(value: float) -> str:
    if value in (0.0, 1.0):
        return f"{value:.0%}".replace("%", "\u00a0%")
    decimals = 0 if 0.0995 <= value < 0.9 else 1
    text = f"{100 * value:.{decimals}f}"
    # a share that is not 0 or 1 must not read as if it were
    text = {"0.0": "< 0.1", "100.0": "> 99.9"}.get(text, text).removesuffix(".0")
    return f"{text}\u00a0%"


def find(figures: Any, pointer: str) -> Any:
    """Return what lies at a JSON pointer (RFC 6901) of the figures, None where nothing does."""
    here = figures
    for part in pointer.split("/")[1:]:
        key = part.replace("~1", "/").replace("~0", "~")
        if isinstance(here, Mapping):
            here = here.get(key)
        elif isinstance(here, Sequence) and not isinstance(here, str) and key.isdigit() and int(key) < len(here):
            here = here[int(key)]
        else:
            return None
    return here


@dataclass(frozen=True)
class Page:
    """Writes figures into HTML, each with the JSON pointer that it came from."""

    figures: Mapping[str, Any]

    def value(self, pointer: str) -> Any:
        """Return the figure at a pointer, None if there is none."""
        return find(self.figures, pointer)

    def n(self, pointer: str, how: str = "count") -> Markup:
        """Return one figure as HTML."""
        text = show(self.value(pointer), how)
        return Markup('<data data-key="{}" data-format="{}" value="{}">{}</data>').format(
            pointer, how, "" if text == NO_DATA else self.value(pointer), text
        )

    def share(self, pointer: str) -> Markup:
        """Return a share as HTML."""
        return self.n(pointer, "share")

    def text(self, pointer: str) -> Markup:
        """Return a text of the figures as HTML."""
        return self.n(pointer, "text")

    def span(self, pointer: str, how: str = "share") -> Markup:
        """Return an interval as HTML: "37 % to 55 %", or "no interval"."""
        ends = self.value(pointer)
        if not ends or any(end is None for end in ends):
            return Markup('<span class="none">no interval</span>')
        return Markup("{} to {}").format(self.n(pointer + "/0", how), self.n(pointer + "/1", how))
