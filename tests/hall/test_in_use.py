"""Readers against each other, audits against the promise, and a season's shares, through the command line."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score
from typer.testing import CliRunner

from tickvision.cli import app
from tickvision.errors import DataError
from tickvision.in_use import agree, monitor

NAMES = ("Ixodes scapularis", "Ixodes cookei", "Dermacentor variabilis")


def _readings(path: Path, n: int = 80) -> dict[str, list[str]]:
    rng = np.random.default_rng(0)
    truth = rng.integers(0, 3, n)
    read = {r: [NAMES[t if rng.random() < 0.9 else rng.integers(3)] for t in truth] for r in ("A", "B", "model")}
    read["model"] = [name if i % 4 else "" for i, name in enumerate(read["model"])]
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle)
        writer.writerow(["specimen_id", "reader", "scientific_name"])
        writer.writerows([f"S{i:03d}", r, names[i]] for r, names in read.items() for i in range(n))
    return read


def test_agreement_equals_scikit_learn_and_leaves_out_what_one_did_not_name(tmp_path: Path) -> None:
    read = _readings(tmp_path / "r.csv")
    result, lines = agree(tmp_path / "r.csv", "scientific_name")
    pairs = {tuple(p["readers"]): p for p in result["pairs"]}  # type: ignore[attr-defined]
    assert pairs["A", "B"]["kappa"]["value"] == pytest.approx(cohen_kappa_score(read["A"], read["B"]), abs=1e-9)
    both = [(a, m) for a, m in zip(read["A"], read["model"], strict=True) if m]
    assert pairs["A", "model"]["n"] == len(both) == 60
    assert pairs["A", "model"]["raw"]["value"] == pytest.approx(np.mean([a == m for a, m in both]))
    assert "95.2 to 97.8" in lines[-1]  # J Med Entomol 57(6):1955-1963


def test_a_reader_who_reads_twice_and_a_missing_column_are_named(tmp_path: Path) -> None:
    table = tmp_path / "r.csv"
    table.write_text("specimen_id,reader,sex\nS1,A,male\nS1,A,female\nS1,B,male\n", encoding="utf-8")
    with pytest.raises(DataError, match="line 3: 'A' reads specimen 'S1' a second time"):
        agree(table, "sex")
    with pytest.raises(DataError, match="no column life_stage"):
        agree(table, "life_stage")
    table.write_text("specimen_id,reader,sex\nS1,A,male\n", encoding="utf-8")
    with pytest.raises(DataError, match="two or more"):
        agree(table, "sex")


def test_two_readers_who_say_one_thing_only_have_no_kappa(tmp_path: Path) -> None:
    table = tmp_path / "r.csv"
    table.write_text("specimen_id,reader,sex\n" + "".join(f"S{i},{r},male\n" for i in range(9) for r in "AB"), "utf-8")
    result, lines = agree(table, "sex")
    assert result["pairs"][0]["kappa"]["value"] is None  # type: ignore[index]
    assert any("kappa: no data" in line for line in lines)


@pytest.mark.parametrize(("shares", "alarm"), [((0.0,), False), ((0.04, 0.4), True)])
def test_the_monitor_alarms_when_errors_pile_up(tmp_path: Path, shares: tuple[float, ...], alarm: bool) -> None:
    rng = np.random.default_rng(1)
    wrong = [rng.random() < s for s in shares for _ in range(60)]
    audits = tmp_path / "a.csv"
    audits.write_text(
        "specimen_id,wrong\n" + "".join(f"S{i},{'yes' if w else 'no'}\n" for i, w in enumerate(wrong)), encoding="utf-8"
    )
    said = CliRunner().invoke(app, ["monitor", str(audits), "--json"])
    assert json.loads(said.stdout)["n"] == len(wrong)
    result, lines = monitor(audits, 0.05, 0.05)
    assert (result["raised_at"] is not None) == alarm
    assert any("ALARM" in line for line in lines) == alarm


def test_an_audit_twice_or_neither_yes_nor_no_is_refused(tmp_path: Path) -> None:
    audits = tmp_path / "a.csv"
    audits.write_text("specimen_id,wrong\nS1,no\nS1,no\n", encoding="utf-8")
    with pytest.raises(DataError, match="line 3: specimen 'S1' is audited a second time"):
        monitor(audits, 0.05, 0.05)
    audits.write_text("specimen_id,wrong\nS1,perhaps\n", encoding="utf-8")
    with pytest.raises(DataError, match="line 2: wrong = 'perhaps'; expected yes or no"):
        monitor(audits, 0.05, 0.05)
