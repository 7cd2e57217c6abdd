"""`shares`: what it writes is what `decide.expected` reads, whatever the taxa are called."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tickvision import deployment, in_use
from tickvision.domain.taxonomies import flat_taxonomy
from tickvision.errors import CalibrationError, DataError
from tickvision.evaluation import expected
from tickvision.evaluation.policy import Policy, Rung
from tickvision.evaluation.probabilities import HeadMap

NAMES = ("a", 'b, called "c"', "not a tick, or none")
TAXONOMY = flat_taxonomy([(n, "", "") for n in NAMES])
POLICY = Policy(
    HeadMap(1.0), HeadMap(1.0), (Rung("species", None, None),), None, None, (), None, 0.05, 0.05, 0,
    taxon_shares=(0.4, 0.4, 0.2),
)  # fmt: skip


@pytest.fixture
def model(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):  # type: ignore[no-untyped-def]
    """Return a function that puts a model in the place of a package: n specimens, every tenth of the second name."""
    (tmp_path / "list.csv").write_text("file,specimen_id\na.jpg,a\n", encoding="utf-8")

    def put(n: int, policy: Policy = POLICY) -> Path:
        logits = np.full((n, 3), -9.0)
        logits[np.arange(n), np.where(np.arange(n) % 10 == 0, 1, 0)] = 9.0
        package = SimpleNamespace(policy=policy, taxonomy=TAXONOMY)
        stub = SimpleNamespace(package=package, taxon_logits=lambda _: logits)
        monkeypatch.setattr(deployment, "load", lambda _: stub)
        return tmp_path / "list.csv"

    return put


def test_the_table_of_shares_is_read_as_what_is_expected(model, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    result, _ = in_use.shares(tmp_path / "p", [], model(300), "file", tmp_path / "out.csv")
    assert result["specimens"] == 300
    counts = expected.read(tmp_path / "out.csv", TAXONOMY).counts
    assert counts == pytest.approx([270, 30, 0], abs=0.5)


def test_too_few_specimens_or_a_model_without_shares_write_nothing(model, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(CalibrationError, match="199 unlabelled specimens; expected at least 200"):
        in_use.shares(tmp_path / "p", [], model(199), "file", tmp_path / "out.csv")
    with pytest.raises(DataError, match=r"keeps no shares of its calibration specimens\. Calibrate and package it"):
        in_use.shares(tmp_path / "p", [], model(300, replace(POLICY, taxon_shares=())), "file", tmp_path / "out.csv")
    assert not (tmp_path / "out.csv").exists()
