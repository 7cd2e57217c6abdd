"""What a notebook user gets is what the report's files hold."""

from __future__ import annotations

import json
from pathlib import Path

import matplotlib.figure
import pandas as pd
import pytest
from made_cases import certified

from tickvision.errors import DataError
from tickvision.evaluation import notebook, report


def test_tables_and_pictures_are_those_that_the_report_writes(tmp_path: Path) -> None:
    figures = certified().figures
    (tmp_path / "metrics.json").write_text(json.dumps(figures), encoding="utf-8")
    report.write_files(figures, tmp_path)
    tables = notebook.tables(tmp_path)
    assert {p.stem for p in (tmp_path / "tables").iterdir()} == set(tables)
    for name in ("slices", "per_class_taxon", "ladder"):
        read = pd.read_csv(tmp_path / "tables" / f"{name}.csv")
        assert read["specimens" if name == "slices" else read.columns[1]].tolist() == (
            tables[name]["specimens" if name == "slices" else read.columns[1]].tolist()
        )
    drawn = notebook.figures(tmp_path)
    assert {p.stem for p in (tmp_path / "figures").iterdir()} == set(drawn)
    assert all(isinstance(f, matplotlib.figure.Figure) for f in drawn.values())
    curve = drawn["risk_coverage"].axes[0].lines[0]
    assert curve.get_ydata().tolist() == [p["risk"] for p in figures["curve"]]
    assert notebook.read(tmp_path)["decisions"] == figures["decisions"]


def test_a_folder_without_figures_is_told_so(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="tickvision evaluate"):
        notebook.read(tmp_path)
