"""Credits: who made each photograph, under which licence, and what was done to it (Creative Commons: TASL)."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd

from tickvision.data.tables import csv_text
from tickvision.domain.licences import Licence, needs_credit
from tickvision.domain.spreadsheet import guarded
from tickvision.whole_files import write_text

COLUMNS = ("photo_id", "creator", "rights_holder", "source", "license_uri", "spdx", "change")
CHANGE = "turned upright, cut to the region if there is one, resized and augmented for training"


def table(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a row a photograph with the columns COLUMNS."""
    return frame.assign(change=CHANGE)[list(COLUMNS)]


def markdown(frame: pd.DataFrame) -> str:
    """Return CREDITS.md: creators by licence with their counts; those whose licence asks for credit come first."""
    lines = ["# Credits", "", f"{len(frame):,} photographs. Changes made: {CHANGE}.", ""]
    kinds = {Licence(s, u) for s, u in zip(frame["spdx"].map(str), frame["license_uri"].map(str), strict=True)}
    for licence in sorted(kinds, key=lambda k: (not needs_credit(k), k.spdx, k.uri)):
        spdx, uri = licence.spdx, licence.uri
        rows = frame[(frame["spdx"] == spdx) & (frame["license_uri"] == uri)]
        asks = "asks for credit" if needs_credit(licence) else "asks for no credit; given all the same"
        lines += [f"## {spdx} ({asks})", "", *([_address(uri), ""] if uri else [])]
        by = rows["creator"].where(rows["creator"] != "", rows["rights_holder"])
        counted = by.where(by != "", "creator not given").value_counts().sort_index()
        lines += [f"- {_plain(str(who))}: {n:,} photographs" for who, n in counted.items()] + [""]
    return "\n".join(lines)


def _address(uri: str) -> str:
    """Return the licence's address as a link; what was written instead of one, as text."""
    return f"<{uri}>" if re.fullmatch(r"https?://[^\s<>]+", uri) else _plain(uri)


def _plain(text: str) -> str:
    """Return the text on one line with the marks of Markdown escaped."""
    return "".join(f"\\{c}" if c in "\\`*_[]<>#" else c for c in " ".join(text.split()))


def texts(frame: pd.DataFrame) -> dict[str, str]:
    """Return file name -> text of credits.csv and CREDITS.md, for the work folder and for the package."""
    return {"credits.csv": csv_text(table(frame).astype(str).map(guarded)), "CREDITS.md": markdown(frame)}


def write(frame: pd.DataFrame, folder: Path) -> None:
    """Write credits.csv and CREDITS.md of the usable photographs into folder."""
    for name, text in texts(frame).items():
        write_text(folder / name, text)
