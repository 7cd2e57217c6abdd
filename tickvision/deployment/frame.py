"""Decisions as a pandas DataFrame, for notebooks. pandas is no part of the base install: pip install pandas."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from tickvision.deployment.decision import Decision
from tickvision.deployment.outputs import CSV_COLUMNS, cells

if TYPE_CHECKING:
    import pandas as pd


def to_frame(decisions: Iterable[Decision]) -> pd.DataFrame:
    """Return one row a decision with the columns of the CSV output: confidence as a number, the rest as text.

    Raises ModuleNotFoundError if pandas is not installed.
    """
    import pandas as pd

    frame = pd.DataFrame([cells(d) for d in decisions], columns=list(CSV_COLUMNS))
    return frame.assign(confidence=frame["confidence"].astype(float))
