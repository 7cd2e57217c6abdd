"""Tables on disk, as text: written whole or not at all, and read back as they were.

pandas leaves a bare carriage return unquoted, and reads it as the end of a row; a table that holds one is quoted whole.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd

from tickvision.whole_files import whole


def csv_text(frame: pd.DataFrame) -> str:
    """Return the frame as CSV."""
    text = str(frame.to_csv(index=False, lineterminator="\n"))
    return str(frame.to_csv(index=False, lineterminator="\n", quoting=csv.QUOTE_ALL)) if "\r" in text else text


def write(frame: pd.DataFrame, path: Path) -> None:
    """Write the frame as CSV through a temporary file, so that a full disk leaves the old one."""
    with whole(path) as temporary:
        frame.to_csv(temporary, index=False, encoding="utf-8", lineterminator="\n")
        if _holds_return(temporary):
            frame.to_csv(temporary, index=False, encoding="utf-8", lineterminator="\n", quoting=csv.QUOTE_ALL)


def _holds_return(path: Path) -> bool:
    with path.open("rb") as handle:
        return any(b"\r" in block for block in iter(lambda: handle.read(2**20), b""))
