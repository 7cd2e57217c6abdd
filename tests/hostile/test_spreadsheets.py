"""What people open in a spreadsheet runs nothing, and what the program reads back loses nothing.

Source: OWASP, CSV injection (from memory), for the signs.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tickvision.data import credits, ingest, manifest, mapping, sources, tables
from tickvision.data.columns import MANIFEST
from tickvision.data.labels import Finding
from tickvision.deployment import outputs
from tickvision.deployment.decision import Decision, Photograph
from tickvision.domain.spreadsheet import guarded, row_writer, unguarded

RUN = ("=1+1", "+1", "-1+cmd", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\uff1d1", '=HYPERLINK("http://x.example")')
texts = st.text(st.sampled_from("='\"+-@\t\r\n,;a é\uff1d"), max_size=6)


@settings(deadline=None)  # the machine may be busy
@given(texts)
def test_a_guard_can_be_taken_off_and_leaves_nothing_that_runs(cell: str) -> None:
    assert unguarded(guarded(cell)) == cell
    assert not guarded(cell).startswith(("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d"))


@pytest.mark.parametrize("cell", ["Ixodes", "'Ixodes'", "", "a=1", " =1", "0.5"])
def test_plain_cells_stay_as_they_are(cell: str) -> None:
    assert guarded(cell) == unguarded(cell) == cell


@settings(deadline=None)  # the machine may be busy
@given(st.lists(st.lists(texts, min_size=2, max_size=2), max_size=4))
def test_rows_read_back_as_they_were_whatever_the_cells_hold(rows: list[list[str]]) -> None:
    text = io.StringIO(newline="")
    write_row = row_writer(text)
    for row in rows:
        write_row(row)
    assert list(csv.reader(io.StringIO(text.getvalue(), newline=""))) == rows


@settings(deadline=None)  # the machine may be busy
@given(st.lists(texts, min_size=1, max_size=4))
def test_a_table_reads_back_as_it_was_a_bare_carriage_return_included(cells: list[str]) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        frame = pd.DataFrame(dict.fromkeys(MANIFEST, cells))
        manifest.write(frame, Path(folder) / "m.csv")
        assert manifest.read(Path(folder) / "m.csv").to_numpy().tolist() == frame.to_numpy().tolist()
        assert list(csv.reader(io.StringIO(tables.csv_text(frame[["path"]]), newline=""))) == [["path"]] + [
            [c] if c else [""] for c in cells
        ]


def test_findings_run_nothing_and_are_read_back_as_they_were(tmp_path: Path) -> None:
    found = [Finding(cell, "missing", "error", cell, cell, 3) for cell in RUN]
    ingest.write_findings(found, tmp_path / "f.csv")
    assert ingest.read_findings(tmp_path / "f.csv") == found
    assert _runs(tmp_path / "f.csv") == []


def test_the_predictions_and_credits_run_nothing(tmp_path: Path) -> None:
    decisions = [
        Decision(cell, "referred", "", "", "", "", 0.1, "", cell, (), (), cell, (Photograph(cell, "ok"),), "m", "c")
        for cell in RUN
    ]
    with (tmp_path / "p.csv").open("w", encoding="utf-8", newline="") as handle:
        outputs.write_csv(decisions, handle)
    frame = pd.DataFrame(dict.fromkeys(credits.COLUMNS, RUN))
    (tmp_path / "c.csv").write_text(credits.texts(frame)["credits.csv"], encoding="utf-8", newline="")
    assert _runs(tmp_path / "p.csv") == _runs(tmp_path / "c.csv") == []
    with (tmp_path / "p.csv").open(encoding="utf-8", newline="") as handle:
        assert len(list(csv.reader(handle))) == 1 + len(RUN)


def test_a_guarded_label_is_imported_without_its_guard(tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_text("file,specimen_id,place\n'=a.jpg,'@s1,'the moor'\n", encoding="utf-8")
    (record,) = mapping.translated(sources.read_csv(tmp_path / "l.csv"), mapping.ColumnMapping())
    assert (record.fields["file"], record.fields["specimen_id"]) == ("=a.jpg", "@s1")
    assert record.fields["place"] == "'the moor'"


def _runs(path: Path) -> list[str]:
    with path.open(encoding="utf-8", newline="") as handle:
        cells = [cell for row in csv.reader(handle) for cell in row]
    assert len(cells) > len(RUN)
    return [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]


def test_json_lines_keep_every_sign(tmp_path: Path) -> None:
    decision = Decision("=1", "referred", "", "", "", "", 0.1, "", "", (), (), "", (), "m", "c")
    out = io.StringIO()
    outputs.write_json_lines([decision], out)
    assert json.loads(out.getvalue())["specimen_id"] == "=1"
