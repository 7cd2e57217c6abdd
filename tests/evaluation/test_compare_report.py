"""compare: two or three runs paired with the first, and the page that shows it."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_cases import Case, certified, make
from test_report import EVIL, Reader

from tickvision import comparison
from tickvision.comparison import STATISTICS, compare_runs, write_report
from tickvision.data import manifest
from tickvision.errors import DataError
from tickvision.evaluation.report_format import find, show
from tickvision.evaluation.specimens import Specimens


def write_run(folder: Path, case: Case, test: Specimens) -> Path:
    """Write what compare reads of a run: scores, classes, calibration, manifest and metrics."""
    (folder / "train").mkdir(parents=True)
    arrays = {"photo_id": test.first_photo, "specimen_id": test.ids, "part": np.full(len(test), "test")}
    arrays |= {"taxon_logits": test.taxon, "state_logits": test.state, "embedding": test.embedding}
    arrays |= {"quality": test.quality, "taxon_mask": test.taxon_mask, "state_mask": test.state_mask}
    np.savez(folder / "train/scores.npz", **arrays)
    classes = {"taxonomy": case.taxonomy.to_json()}
    (folder / "train/classes.json").write_text(json.dumps(classes), encoding="utf-8")
    (folder / "calibration.json").write_text(json.dumps(case.policy.to_json()), encoding="utf-8")
    (folder / "metrics.json").write_text(json.dumps(case.figures), encoding="utf-8")
    manifest.write(case.frame, folder / "manifest.csv")
    return folder


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Return three runs on the same specimens: as made, spoilt by noise, and a single answer turned wrong."""
    folder = tmp_path_factory.mktemp("runs")
    case = certified()
    noise = np.random.default_rng(5).normal(0, 5, case.test.taxon.shape)
    one = case.test.taxon.copy()
    sure = int(np.argmax(case.judged.confidence * (case.judged.right & (case.judged.truth >= 0))))
    one[sure] = -one[sure]
    tests = (
        case.test,
        dataclasses.replace(case.test, taxon=case.test.taxon + noise),
        dataclasses.replace(case.test, taxon=one),
    )
    return [write_run(folder / EVIL.replace("/", "") / name, case, t) for name, t in zip("abc", tests, strict=True)]


@pytest.fixture(scope="module")
def compared(runs: list[Path]) -> tuple[dict[str, Any], list[str]]:
    """Return what compare says of the three runs, made once."""
    return compare_runs(runs)


def test_a_spoilt_run_is_worse_and_one_turned_answer_is_not_called_so(
    compared: tuple[dict[str, Any], list[str]],
) -> None:
    result, lines = compared
    spoilt, turned = result["comparisons"]
    assert result["looks"] == 2 * len(STATISTICS)
    verdicts = {row["statistic"]: row["verdict"] for row in spoilt["differences"]}
    assert verdicts["share_right"] == verdicts["macro_recall"] == verdicts["nll"] == "worse"
    assert all(row["interval"][0] <= row["difference"] <= row["interval"][1] for row in spoilt["differences"])
    assert {row["verdict"] for row in turned["differences"]} == {"unclear"}
    assert turned["right_to_wrong_count"] == 1
    assert turned["wrong_to_right"] == []
    assert any("became wrong" in line for line in lines)


def test_side_by_side_counts_are_those_of_each_run_alone(
    runs: list[Path], compared: tuple[dict[str, Any], list[str]]
) -> None:
    result, _ = compared
    told = json.loads((runs[0] / "metrics.json").read_text(encoding="utf-8"))
    first = result["runs"][0]
    assert (first["named"], first["wrong"]) == (told["decisions"]["answered"], told["decisions"]["wrong"])
    assert (first["right"], first["n"]) == (told["heads"]["all"]["right"], told["heads"]["all"]["n"])
    pair = result["comparisons"][0]
    counted = sum(pair[k] for k in ("named_in_both", "newly_named", "no_longer_named", "named_in_neither"))
    assert counted == result["specimens"]


def test_every_number_of_the_page_is_in_its_json_and_names_stay_text(
    runs: list[Path], compared: tuple[dict[str, Any], list[str]], tmp_path: Path
) -> None:
    result, _ = compared
    page, numbers, changed = write_report(result, runs, tmp_path / "compare.html")
    held = json.loads(numbers.read_text(encoding="utf-8"))
    text = page.read_text(encoding="utf-8")
    shown = Reader(text)
    assert len(shown.figures) > 60
    for key, how, said in shown.figures:
        assert find(held, key) is not None or said == "no data", key
        assert said == show(find(held, key), how), key
    assert not [a for tag, a in shown.tags if a.get("src") == "x" or "onerror" in a]
    assert not [a for _, a in shown.tags if (a.get("src") or a.get("href") or "#")[0] not in "#d"]
    rows = changed.read_text(encoding="utf-8").splitlines()
    pairs = held["comparisons"]
    assert len(rows) - 1 == sum(p["right_to_wrong_count"] + p["wrong_to_right_count"] for p in pairs)
    assert not any(isinstance(v, float) and math.isnan(v) for r in held["runs"] for v in r.values())


def test_the_same_runs_give_the_same_page(runs: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(comparison, "REPS", 50)
    pages = [write_report(compare_runs(runs)[0], runs, tmp_path / side / "c.html") for side in "ab"]
    assert [p.read_bytes() for p in pages[0]] == [p.read_bytes() for p in pages[1]]


def test_runs_of_other_taxa_or_other_specimens_are_refused(runs: list[Path], tmp_path: Path) -> None:
    from tickvision.domain.taxonomies import flat_taxonomy

    other = make(flat_taxonomy([("shoe", "", ""), ("coat", "", "")]), n_test=20, n_calibration=0)
    with pytest.raises(DataError, match="different taxa"):
        compare_runs([runs[0], write_run(tmp_path / "other", other, other.test)])
    with pytest.raises(DataError, match="no finished run"):
        compare_runs([runs[0], tmp_path / "nothing"])


def test_runs_that_share_few_specimens_or_no_full_label_are_refused_by_their_number(tmp_path: Path) -> None:
    case = certified()
    few = case.test.take(np.arange(3))
    with pytest.raises(DataError, match="share 3 test specimens, and at least 5 are needed"):
        compare_runs([write_run(tmp_path / name, case, t) for name, t in (("all", case.test), ("few", few))])
    masks = {name: np.ones_like(getattr(case.test, name)) for name in ("taxon_mask", "state_mask")}
    blank = dataclasses.replace(case.test, **masks)
    with pytest.raises(DataError, match=r"none of the [\d,]+ test specimens .* settles name, stage and sex"):
        compare_runs([write_run(tmp_path / name, case, blank) for name in ("one", "two")])


def test_a_run_that_promises_less_is_not_called_better_for_naming_more(tmp_path: Path) -> None:
    case = certified()
    lax = dataclasses.replace(case, policy=dataclasses.replace(case.policy, min_confidence=0.0))
    runs = [write_run(tmp_path / name, c, case.test) for name, c in (("strict", case), ("lax", lax))]
    pair = compare_runs(runs)[0]["comparisons"][0]
    named = next(row for row in pair["differences"] if row["statistic"] == "coverage")
    assert named["difference"] > 0
    assert named["verdict"] == "other promise"
    assert not pair["same_promise"]
