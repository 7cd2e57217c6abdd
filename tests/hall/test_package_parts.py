from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tickvision import package_parts
from tickvision.deployment.neighbours import Neighbours
from tickvision.deployment.package import read
from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import DataError
from tickvision.evaluation.policy import Policy
from tickvision.images.prepare import Prepare
from tickvision.package_parts import Scored, smaller
from tickvision.prediction import describe

Parts = tuple[Path, Prepare, Policy, Taxonomy, Scored, Scored]


@pytest.fixture
def parts(finished: Path) -> Parts:
    run = finished.parent / "run"
    package = read(run / "package")
    looks = np.load(run / "pictures/looks.npz", allow_pickle=False)
    squares = np.load(run / "pictures/pictures.npy", mmap_mode="r")
    taught, val = (
        package_parts.scored(run / "train/scores.npz", p, pd.Series(looks["photo_id"]), squares)
        for p in ("train", "val")
    )
    return run / "train/model.onnx", package.prepare, package.policy, package.taxonomy, taught, val


def test_a_photograph_that_left_the_manifest_after_the_training_is_named(finished: Path) -> None:
    scores = finished.parent / "run/train/scores.npz"
    with pytest.raises(DataError, match=r"\d photographs of the training are not in the manifest .*tickvision train"):
        package_parts.scored(scores, "val", pd.Series(["another"]), np.zeros((1, 8, 8, 3), np.uint8))


def test_half_precision_is_kept_when_it_answers_alike(parts: Parts) -> None:
    path, measured, lines = smaller("fp16", *parts)
    assert measured["kept"] == 1.0
    assert measured["same_decisions"] >= package_parts.KEPT_FROM
    assert 0.45 < path.stat().st_size / parts[0].stat().st_size < 0.6
    assert "certified on the network in full precision" in lines[0]


def test_a_smaller_network_that_answers_otherwise_is_not_kept(parts: Parts, monkeypatch: pytest.MonkeyPatch) -> None:
    import onnx
    from onnx import numpy_helper

    def spoilt(model: Path, path: Path) -> None:
        network = onnx.load(model)
        for weight in network.graph.initializer:
            values = numpy_helper.to_array(weight)
            if values.ndim == 4:
                weight.CopyFrom(numpy_helper.from_array(np.ascontiguousarray(values[..., ::-1, ::-1]), weight.name))
        onnx.save(network, path)

    monkeypatch.setattr("tickvision.training.onnx_variants.write_fp16", spoilt)
    path, measured, lines = smaller("fp16", *parts)
    assert path == parts[0]
    assert measured["kept"] == 0.0
    assert "Not kept" in lines[0]


def test_only_what_may_be_shared_is_shown_and_names_share_evenly(parts: Parts, finished: Path) -> None:
    frame = pd.read_csv(finished.parent / "run/manifest.csv", dtype=str, keep_default_na=False)
    taught = parts[4]
    frame["creator"] = "maker of " + frame["photo_id"]
    forbidden = list(taught.photo_id[::3])
    frame.loc[frame["photo_id"].isin(forbidden), "spdx"] = "CC-BY-ND-4.0"
    content, lines = package_parts.neighbours(frame, taught, 12)
    found = Neighbours(content).nearest(taught.embedding[0], 100)
    assert len(found) == 12
    assert not {n.photo_id for n in found} & set(forbidden)
    assert all(n.credit == f"maker of {n.photo_id}" for n in found)
    assert len({(n.scientific_name, n.life_stage, n.sex) for n in found}) >= 9
    assert f"{len(forbidden)} may not be shared" in lines[0]
    everything = Neighbours(package_parts.neighbours(frame, taught, 10_000)[0])
    first = next(i for i, name in enumerate(taught.photo_id) if name not in forbidden)
    assert everything.nearest(taught.embedding[first])[0].photo_id == taught.photo_id[first]


def test_the_package_says_what_was_measured(finished: Path, tmp_path: Path) -> None:
    index = json.loads((finished.parent / "run/package/package.json").read_text(encoding="utf-8"))
    assert index["smaller"] == {}
    assert describe(finished.parent / "run/package")[0]["network"] == "in full precision"
    index["smaller"] = {"kept": 1.0, "specimens": 40.0, "same_decisions": 0.995}
    older = Path(shutil.copytree(finished.parent / "run/package", tmp_path / "package"))
    (older / "package.json").write_text(json.dumps(index), encoding="utf-8")
    assert "99.5%" in str(describe(older)[0]["network"])
