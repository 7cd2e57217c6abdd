"""The model card, the data sheet and the Croissant description: sections, figures, and names that must stay text."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import pandas as pd
import pytest
from made_cases import Case, certified, make

from tickvision.data import manifest
from tickvision.domain import cautions
from tickvision.domain.taxonomies import flat_taxonomy
from tickvision.evaluation import croissant
from tickvision.evaluation.card import card, documents

SECTIONS = ("Use", "Not for", "Data", "Licences", "Figures", "Promise", "Limits", "Cautions", "How it was made")


@pytest.fixture(scope="module")
def case() -> Case:
    return certified()


def test_the_card_has_its_sections_the_caution_and_the_drawn_mark(case: Case) -> None:
    text = card(case.figures, case.taxonomy, case.policy)
    assert [line[3:] for line in text.splitlines() if line.startswith("## ")] == list(SECTIONS)
    assert cautions.SHORT in text
    assert cautions.DRAWN in text


def test_the_card_states_each_class_with_its_interval(case: Case) -> None:
    text = card(case.figures, case.taxonomy, case.policy)
    for row in case.figures["heads"]["all"]["per_class"]:
        assert f"| {row['class']} | {row['right']} | {row['n']} |" in text


def test_a_model_that_was_not_evaluated_has_a_card_that_says_so(case: Case) -> None:
    text = card({}, case.taxonomy, case.policy)
    assert "was not evaluated" in text
    assert cautions.SHORT in text


def test_a_run_without_calibration_promises_nothing() -> None:
    case = make(n_calibration=0, n_test=20)
    text = card(case.figures, case.taxonomy, case.policy)
    assert "No promise can be made" in text
    assert "Nothing is promised" in text
    assert "promise holds" not in text
    assert "its promise reaches" not in text


def test_markup_in_a_name_stays_text() -> None:
    evil = "<img src=x onerror=alert(1)>"
    taxonomy = flat_taxonomy([(evil, "", ""), ("a|b", "", "")])
    case = make(taxonomy, n_test=20, n_calibration=40, sources=(evil,))
    text = card(case.figures, taxonomy, case.policy)
    assert "<img" not in text
    assert "&lt;img src=x onerror=alert(1)&gt;" in text
    assert "| a\\|b |" in text


def test_the_card_for_programs_holds_the_figures_and_passes_as_json(case: Case) -> None:
    held = json.loads(documents(case.figures, case.taxonomy, case.policy)["card.json"])
    assert held["answers"]["wrong"] == case.figures["decisions"]["wrong"]
    assert held["heads"]["all"]["per_class"] == case.figures["heads"]["all"]["per_class"]
    assert held["data"] == case.figures["data"]
    assert held["promise"]["has_promise"] is True
    assert cautions.DRAWN in held["cautions"]
    assert cautions.SHORT in held["cautions"]
    empty = json.loads(documents({}, case.taxonomy, case.policy)["card.json"])
    assert empty["test_specimens"] is None
    assert cautions.SHORT in empty["cautions"]


def test_the_data_sheet_has_the_sections_of_gebru_et_al(case: Case) -> None:
    # Gebru et al. 2021, section 3: motivation, composition, collection, preprocessing, uses, distribution, maintenance
    text = documents(case.figures, case.taxonomy, case.policy)["datasheet.md"]
    assert [line[3:] for line in text.splitlines() if line.startswith("## ")] == [
        "Motivation",
        "Composition",
        "Collection",
        "Preparing, cleaning, labelling",
        "Uses",
        "Distribution",
        "Maintenance",
    ]
    assert f"{case.figures['data']['specimens']:,} specimens in {case.figures['data']['photographs']:,} photogr" in text
    assert cautions.SHORT in text
    assert cautions.DRAWN in text
    assert "for the bench to answer" in text
    held = case.figures["coverage"]
    row = held["rows_of_names"][0]
    assert f"| {row['name']} | {' | '.join(map(str, row['counts']))} | {row['all']} |" in text
    assert "was not evaluated" in documents({}, case.taxonomy, case.policy)["datasheet.md"]


def test_mlcroissant_reads_the_description_and_gets_the_rows_of_the_manifest(case: Case, tmp_path: Path) -> None:
    import mlcroissant  # the reference implementation of the standard (MLCommons)

    frame = case.frame.assign(license_uri="https://creativecommons.org/publicdomain/zero/1.0/")
    manifest.write(frame, tmp_path / "manifest.csv")
    parts = pd.DataFrame({"photo_id": frame["photo_id"], "part": [p.split("-")[0] for p in frame["photo_id"]]})
    parts.to_csv(tmp_path / "splits.csv", index=False)
    form = croissant.describe(case.figures, frame, tmp_path / "manifest.csv", tmp_path / "splits.csv")
    path = tmp_path / "croissant.json"
    path.write_text(json.dumps(form), encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its own dependencies
        dataset = mlcroissant.Dataset(jsonld=path)
        rows = list(dataset.records("photographs"))
        told = list(dataset.records("parts"))
    assert dataset.metadata.ctx.issues.errors == set()
    assert len(rows) == len(frame)
    read = {r["photographs/photo_id"]: r["photographs/scientific_name"] for r in rows}
    assert {k.decode(): v.decode() for k, v in read.items()} == dict(
        zip(frame["photo_id"], frame["scientific_name"], strict=True)
    )
    assert {r["parts/part"].decode() for r in told} == {"val", "calibration", "test"}
    assert cautions.SHORT in form["description"]
    assert "path" not in {f["name"] for f in form["recordSet"][0]["field"]}


def test_a_changed_file_no_longer_fits_its_hash_in_the_description(case: Case, tmp_path: Path) -> None:
    for name in ("manifest.csv", "splits.csv"):
        manifest.write(case.frame, tmp_path / name)
    before = croissant.describe(case.figures, case.frame, tmp_path / "manifest.csv", tmp_path / "splits.csv")
    (tmp_path / "splits.csv").write_text("photo_id,part\n", encoding="utf-8")
    after = croissant.describe(case.figures, case.frame, tmp_path / "manifest.csv", tmp_path / "splits.csv")
    same = [b["sha256"] == a["sha256"] for b, a in zip(before["distribution"], after["distribution"], strict=True)]
    assert same == [True, False]
