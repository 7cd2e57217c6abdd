"""The report's tables and pictures of a finished run, for a notebook: pandas DataFrames and matplotlib Figures."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tickvision.errors import DataError

if TYPE_CHECKING:
    import pandas as pd


def read(run: str | Path) -> dict[str, Any]:
    """Return the figures of a finished run: what its metrics.json holds. Raises DataError if there is none."""
    path = Path(run) / "metrics.json"
    try:
        figures: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise DataError(f"{path}: no figures. Make them with: tickvision evaluate CONFIG") from None
    return figures


def tables(run: str | Path) -> dict[str, pd.DataFrame]:
    """Return name -> table; the same as tables/*.csv of the run. Intervals are two columns, _low and _high."""
    from tickvision.evaluation import report_files

    return report_files.tables(read(run))


def figures(run: str | Path) -> dict[str, Any]:
    """Return name -> matplotlib Figure; the same as figures/* of the run."""
    from tickvision.evaluation.figures import draw

    return draw(read(run))
