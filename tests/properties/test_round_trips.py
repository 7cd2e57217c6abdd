"""What one stage writes the next reads: every file format, with any text that a label or a file name may hold."""

from __future__ import annotations

import csv
import io
import json
import shutil
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tickvision.data import manifest, splits
from tickvision.data.columns import MANIFEST
from tickvision.deployment import darwin_core, outputs, package, records
from tickvision.deployment.decision import Candidate, Decision, Photograph
from tickvision.domain import names, spreadsheet
from tickvision.domain.taxonomies import tick_taxonomy
from tickvision.domain.taxonomy import Taxonomy
from tickvision.evaluation import policy as policies
from tickvision.evaluation import specimens
from tickvision.evaluation.abstention import certify
from tickvision.evaluation.novelty import Vim
from tickvision.evaluation.policy import Policy, Rung
from tickvision.evaluation.probabilities import HeadMap, JointMap
from tickvision.evaluation.promises import QualityLimit
from tickvision.evaluation.shortlist import Shortlist, fit_shortlist
from tickvision.images.look import MEASURES
from tickvision.images.prepare import Prepare
from tickvision.training import scores

# no half of a surrogate pair, which UTF-8 cannot hold, and no NUL, which no file name holds
text = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)
awkward = st.sampled_from(
    ["=1+1", "a,b", 'say "x"', "line\nline", "cr\rcr", "NA", "null", "1e3", "007", " x ", "♀é", "-"]
)
cell = text | awkward
finite = st.floats(allow_nan=False, allow_infinity=False, width=32)
share = st.floats(0, 1)
THREE = tick_taxonomy(["Ixodes scapularis", "Ixodes cookei", "Dermacentor variabilis"])
ANSWERS = len(THREE.rung_answers("species_stage_sex")[0])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("files")


@settings(max_examples=40, deadline=None)
@given(st.lists(st.fixed_dictionaries(dict.fromkeys((*MANIFEST, "x_own"), cell)), min_size=1, max_size=4))
def test_a_manifest_comes_back_as_it_was(folder: Path, rows: list[dict[str, str]]) -> None:
    frame = pd.DataFrame(rows)
    manifest.write(frame, folder / "manifest.csv")
    pd.testing.assert_frame_equal(manifest.read(folder / "manifest.csv"), frame)
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as handle:  # the standard library reads the same
        assert list(csv.DictReader(handle)) == rows


@settings(max_examples=40, deadline=None)
@given(st.dictionaries(cell, st.tuples(cell, st.sampled_from(splits.PARTS)), min_size=1, max_size=6))
def test_a_split_comes_back_as_it_was(folder: Path, told: dict[str, tuple[str, str]]) -> None:
    frame = pd.DataFrame({"photo_id": list(told), "specimen_id": [s for s, _ in told.values()]})
    parts = np.array([p for _, p in told.values()])
    splits.write(frame, np.arange(len(told)), np.array(["x"] * len(told)), parts, folder / "splits.csv")
    assert splits.read(folder / "splits.csv") == {photo: part for photo, (_, part) in told.items()}
    assert (splits.own(frame, folder / "splits.csv") == parts).all()


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 8), st.integers(1, 4), st.integers(1, 3), st.integers(0, 1000))
def test_scores_come_back_as_means_of_specimens(folder: Path, n: int, taxa: int, owners: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    owner = rng.integers(0, owners, n)
    quality = rng.random((n, len(MEASURES))).astype(np.float32)
    taxon, state = rng.normal(size=(n, taxa)), rng.normal(size=(n, taxa, 4))
    part = rng.choice(["val", "test"], owners)[owner]
    scores.save(
        folder / "scores.npz",
        photo_id=np.array([f"p{i}" for i in range(n)]),
        specimen_id=np.array([f"é{o}" for o in owner]),
        part=part,
        taxon_logits=taxon,
        state_logits=state,
        embedding=rng.normal(size=(n, 3)).astype(np.float16),
        quality=quality,
        taxon_mask=np.ones((n, taxa), bool),
        state_mask=np.ones((n, 4), bool),
    )
    held = [specimens.load(folder / "scores.npz", p) for p in ("val", "test")]
    assert sum(int(h.photos.sum()) for h in held) == n
    for h in held:
        for i, name in enumerate(h.ids):
            mine = owner == int(name[1:])
            assert np.allclose(h.taxon[i], taxon[mine].mean(0))
            assert np.allclose(h.state[i], state[mine].mean(0))
            assert h.photos[i] == mine.sum()
            assert h.first_photo[i] == f"p{np.flatnonzero(mine)[0]}"


@st.composite
def made_policies(draw: st.DrawFn) -> Policy:
    """Policies with and without each of their optional parts."""
    rng = np.random.default_rng(draw(st.integers(0, 1000)))
    right = rng.random(120) < draw(st.sampled_from([0.5, 1.0]))
    certificate = certify(rng.random(120), right, 0.05, 0.05)
    joint = JointMap(tuple(rng.random(3)), float(rng.normal()), tuple(rng.normal(size=3)))
    vim = Vim(rng.normal(size=5).astype("<f2").astype(float), np.eye(5)[:, :2], 1.5)
    error = draw(st.just(float("nan")) | share)
    return Policy(
        HeadMap(float(rng.random() + 0.5), tuple(rng.normal(size=3))),
        HeadMap(1.0, None),
        (
            Rung("species_stage_sex", draw(st.none() | st.just(joint)), draw(st.none() | st.just(certificate))),
            Rung("genus", None, certificate),
        ),
        draw(st.none() | st.just(fit_shortlist(rng.dirichlet(np.ones(ANSWERS), 30), rng.integers(0, ANSWERS, 30)))),
        draw(st.none() | finite),
        (QualityLimit("sharpness", "low", draw(st.none() | finite), 3, error, 0.1, 0.2),),
        draw(st.none() | share),
        0.05,
        0.05,
        120,
        draw(st.none() | st.just(vim)),
        draw(st.just(()) | st.just((0.2, 0.3, 0.5))),
        draw(cell),
    )


@settings(max_examples=40, deadline=None)
@given(made_policies())
def test_a_policy_comes_back_and_decides_the_same(folder: Path, policy: Policy) -> None:
    # allow_nan=False: RFC 8259 has no NaN and no Infinity
    path = folder / "calibration.json"
    path.write_text(json.dumps(policy.to_json(), allow_nan=False), encoding="utf-8")
    again = policies.load(path)
    assert again.to_json() == policy.to_json()
    rng = np.random.default_rng(0)
    told = rng.normal(size=(6, 3)), rng.normal(size=(6, 3, 4)), THREE, rng.random((6, 4)), rng.normal(size=(6, 5))
    assert again.decide(*told) == policy.decide(*told)


@settings(max_examples=15, deadline=None)
@given(st.lists(st.sampled_from(sorted(names.species())), min_size=1, max_size=5, unique=True), made_policies(), cell)
def test_a_package_comes_back_as_it_was(folder: Path, taxa: list[str], policy: Policy, word: str) -> None:
    taxonomy = tick_taxonomy(taxa, "not a tick")
    model = folder / "some.onnx"
    model.write_bytes(b"not looked into on reading")
    answers = len(taxonomy.rung_answers("species_stage_sex")[0])
    fitting = replace(
        policy,
        taxon_map=HeadMap(1.2, None),
        shortlist=None
        if policy.shortlist is None
        else Shortlist(0.1, (0.5,) * answers, (True,) * answers, (9,) * answers),
    )
    prepare = Prepare(96, "crop", (0.4, 0.5, 0.6), (0.2, 0.2, 0.2))
    shutil.rmtree(folder / "package", ignore_errors=True)
    held = frozenset(["ab" * 32])
    made = package.Package(folder / "package", word, taxonomy, prepare, fitting, word, word, True, held, {"kept": 0.5})
    made = package.write(made, model, "tickvision 0", {"largest_difference": 0.0}, {"c.csv": word.encode()})
    again = package.read(folder / "package")
    assert replace(again, policy=policy) == replace(made, policy=policy)
    assert again.policy.to_json() == fitting.to_json()
    assert Taxonomy.from_json(json.loads(json.dumps(taxonomy.to_json()))) == taxonomy


decisions = st.builds(
    Decision,
    *[cell] * 6,
    share,
    cell,
    cell,
    st.lists(st.builds(Candidate, cell, cell, cell, cell, share), max_size=3).map(tuple),
    st.lists(cell, max_size=2).map(tuple),
    cell,
    st.lists(
        st.builds(Photograph, cell, cell, cell, st.booleans(), st.none() | st.tuples(share, share, share, share)),
        max_size=2,
    ).map(tuple),
    st.just("m 1"),
    cell.filter(str.strip),  # the caution, without which no decision is read
    st.lists(cell, max_size=2).map(tuple),
    st.just("") | st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)).map(datetime.isoformat),
    cell,
)


@settings(max_examples=60, deadline=None)
@given(st.lists(decisions, max_size=3))
def test_decisions_come_back_from_json_lines(folder: Path, told: list[Decision]) -> None:
    path = folder / "decisions.jsonl"
    with path.open("w", encoding="utf-8", newline="") as handle:
        outputs.write_json_lines(told, handle)
    assert list(records.read(path, "m 1")) == told
    assert records.go_on(path, "m 1").specimens == {d.specimen_id for d in told}


@settings(max_examples=60, deadline=None)
@given(st.lists(decisions, min_size=1, max_size=3))
def test_tables_hold_a_row_a_decision_and_no_formula(folder: Path, told: list[Decision]) -> None:
    handle = io.StringIO(newline="")
    outputs.write_csv(told, handle)
    rows = list(csv.reader(io.StringIO(handle.getvalue(), newline="")))
    assert rows[0] == list(outputs.CSV_COLUMNS)
    assert len(rows) == len(told) + 1
    for decision, row in zip(told, rows[1:], strict=True):
        assert [c[1:] if c.startswith("'") and not o.startswith("'") else c
                for c, o in zip(row, outputs.cells(decision), strict=True)] == outputs.cells(decision)  # fmt: skip
        # OWASP, CSV injection: cells that begin with one of these run in a spreadsheet
        assert not any(c.startswith(("=", "+", "-", "@", "\t", "\r")) for c in row)


def one_line(value: str) -> str:
    return " ".join(value.splitlines())


@settings(max_examples=30, deadline=None)
@given(st.lists(decisions, min_size=1, max_size=3, unique_by=lambda d: one_line(d.specimen_id)))
def test_darwin_core_holds_a_record_a_decision_as_its_readers_see_it(folder: Path, told: list[Decision]) -> None:
    handle = io.StringIO(newline="")
    darwin_core.write_csv(told, handle)
    rows = list(csv.DictReader(io.StringIO(handle.getvalue(), newline="")))
    assert (
        len(handle.getvalue().rstrip("\n").split("\n")) == len(told) + 1
    )  # a line a record, as GBIF's readers take it
    for decision, row in zip(told, rows, strict=True):
        assert spreadsheet.unguarded(row["occurrenceID"]) == one_line(decision.specimen_id)
        assert spreadsheet.unguarded(row["scientificName"]) == one_line(decision.scientific_name)
        assert not any(c.startswith(("=", "+", "-", "@")) for c in row.values())
        assert (row["identifiedBy"], row["identificationVerificationStatus"]) == ("", "unverified")
        extra = json.loads(row["dynamicProperties"])
        assert extra["confidence"] == decision.confidence
        assert one_line(decision.caution) in row["identificationRemarks"]
