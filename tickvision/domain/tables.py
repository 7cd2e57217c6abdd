"""The tables of the trade, read once from the CSV files beside this module. Every row names its source."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path


@cache
def rows(table: str) -> tuple[dict[str, str], ...]:
    """Return the rows of taxa, characters, lookalikes, sizes, caps or licences, as text, in file order."""
    file = Path(__file__).with_name("tables") / f"{table}.csv"
    return tuple(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))
