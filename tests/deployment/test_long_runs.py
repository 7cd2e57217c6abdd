from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tickvision.deployment import load
from tickvision.deployment.decision import Decision
from tickvision.deployment.explain import Explainer, activation, leading_taxa
from tickvision.deployment.package import HEADS, INDEX
from tickvision.errors import PackageError


def command(*words: object) -> list[str]:
    return [sys.executable, "-m", "tickvision.cli", "predict", *map(str, words)]


def run(*words: object, code: int = 0) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(command(*words, "--quiet"), capture_output=True, text=True)
    assert done.returncode == code, done.stderr
    return done


def answers(text: str) -> list[tuple[object, ...]]:
    rows = [json.loads(line) for line in text.splitlines()]
    return [(r["specimen_id"], r["state"], r["scientific_name"], r["life_stage"], r["sex"]) for r in rows]


def test_killed_in_the_middle_and_gone_on_with_gives_the_whole(
    package: Path, photographs: Path, tmp_path: Path
) -> None:
    many = tmp_path / "many"
    for copy in range(6):
        shutil.copytree(photographs, many / str(copy))
    (many / "0" / "bad.jpg").write_bytes(b"no picture")
    out = tmp_path / "day.jsonl"
    words = (package, many, "--format", "jsonl", "--output", out)
    process = subprocess.Popen(command(*words, "--threads", 1), stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 60
    while (not out.exists() or out.stat().st_size < 50_000) and time.monotonic() < deadline:
        time.sleep(0.005)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    before = out.read_bytes()
    assert 0 < before.count(b"\n") < 1081
    out.write_bytes(before + b'{"specimen_id": "torn')
    assert "is there already" in run(*words, code=1).stderr
    run(*words, "--resume", code=3)
    assert out.read_bytes().startswith(before[: before.rindex(b"\n") + 1])
    whole = run(package, many, "--format", "jsonl", code=3).stdout
    assert answers(out.read_text(encoding="utf-8")) == answers(whole)
    assert len(whole.splitlines()) == 1081


def test_a_file_of_another_model_is_not_gone_on_with(package: Path, photographs: Path, tmp_path: Path) -> None:
    out = tmp_path / "day.jsonl"
    words = (package, photographs, "--format", "jsonl", "--output", out)
    run(*words)
    out.write_text(out.read_text(encoding="utf-8").replace('"model": "shapes', '"model": "other'), encoding="utf-8")
    assert "made by the model 'other" in run(*words, "--resume", code=1).stderr
    out.write_text("[]\n", encoding="utf-8")
    assert "line 1: no decision" in run(*words, "--resume", code=1).stderr


def test_two_shards_merged_are_one_run(package: Path, photographs: Path, tmp_path: Path) -> None:
    parts = [tmp_path / "1.jsonl", tmp_path / "2.jsonl"]
    for number, part in enumerate(parts, 1):
        run(package, photographs, "--shard", f"{number}/2", "--format", "jsonl", "--output", part)
    merged = run(package, *parts, "--merge", "--format", "jsonl").stdout
    whole = run(package, photographs, "--format", "jsonl").stdout
    assert answers(merged) == answers(whole)
    confidences = [[json.loads(line)["confidence"] for line in text.splitlines()] for text in (merged, whole)]
    np.testing.assert_allclose(*confidences, atol=2e-4)
    assert "is also in" in run(package, parts[0], parts[0], "--merge", code=1).stderr
    assert run(package, *parts, "--merge", "--format", "csv").stdout.count("\n") == 181


def test_a_reader_that_leaves_ends_the_run_without_a_word(package: Path, photographs: Path) -> None:
    line = shlex.join(command(package, photographs, "--format", "jsonl", "--quiet")) + " | head -1"
    done = subprocess.run(["bash", "-c", f"set -o pipefail; {line}"], capture_output=True, text=True)
    assert done.returncode == 0
    assert len(done.stdout.splitlines()) == 1
    assert done.stderr == ""


def test_a_package_in_a_zip_says_the_same(package: Path, photographs: Path, tmp_path: Path) -> None:
    flat = shutil.make_archive(str(tmp_path / "flat"), "zip", package)
    nested = shutil.make_archive(str(tmp_path / "nested"), "zip", package.parent, package.name)
    some = sorted(photographs.iterdir())[:5]
    expected = [d.to_dict() for d in load(package).predict(some)]
    for made in (flat, nested):
        assert [d.to_dict() for d in load(made).predict(some)] == expected
    Path(flat).write_bytes(Path(flat).read_bytes()[:5000])
    with pytest.raises(PackageError, match=r"readable \.zip"):
        load(flat)


def test_names_on_stdin_are_predicted(package: Path, photographs: Path) -> None:
    some = sorted(map(str, photographs.iterdir()))[:3]
    done = subprocess.run(
        command(package, "-", "--format", "jsonl", "--quiet"), input="\n".join(some), capture_output=True, text=True
    )
    assert [json.loads(line)["specimen_id"] for line in done.stdout.splitlines()] == some


@pytest.mark.parametrize("form", ["dwc", "dwca", "html"])
def test_a_form_that_fails_leaves_no_half_file(package: Path, photographs: Path, tmp_path: Path, form: str) -> None:
    out = tmp_path / "out" / "day"
    assert "cannot be written" in run(package, photographs, "--format", form, "--output", out, code=1).stderr
    out.parent.mkdir()
    run(package, photographs, "--format", form, "--output", out)
    assert [p.name for p in out.parent.iterdir()] == ["day"]


def test_a_picture_explains_where_the_name_comes_from(package: Path, photographs: Path, tmp_path: Path) -> None:
    photo = sorted(photographs.iterdir())[0]
    run(package, photo, "--explain", tmp_path / "why", "--format", "csv")
    (drawn,) = (tmp_path / "why").iterdir()
    with Image.open(drawn) as picture:
        assert picture.size == (64, 64)


def test_the_map_sums_to_the_difference_of_logits(package: Path, photographs: Path) -> None:
    predictor = load(package)
    explainer = Explainer(predictor)
    one = predictor.predict([sorted(photographs.iterdir())[0]])[0]
    taxa = leading_taxa(one, predictor.package.taxonomy)
    square = np.random.default_rng(1).integers(0, 255, (64, 64, 3), np.uint8)
    features, logits = predictor.engine.feature_map(square), predictor.engine.logits(square[None])[0][0]
    others = [i for i in range(len(logits)) if i not in taxa]
    with np.load(package / HEADS) as heads:
        bias = heads["taxon_bias"]
    total = activation(features, explainer._weights, taxa).mean() + bias[taxa].mean() - bias[others].mean()
    assert total == pytest.approx(logits[taxa].mean() - logits[others].mean(), abs=1e-2)


def test_an_older_package_predicts_but_says_why_it_cannot_explain(package: Path, tmp_path: Path) -> None:
    older = Path(shutil.copytree(package, tmp_path / "older"))
    index = json.loads((older / INDEX).read_text(encoding="utf-8"))
    del index["files"][HEADS]
    (older / HEADS).unlink()
    (older / INDEX).write_text(json.dumps(index), encoding="utf-8")
    with pytest.raises(PackageError, match="Make the package anew"):
        Explainer(load(older))


def test_a_decision_on_bytes_is_the_one_on_the_file(package: Path, photographs: Path) -> None:
    photo = sorted(photographs.iterdir())[7]
    predictor = load(package)
    from_file: Decision = predictor.predict([photo])[0]
    assert predictor.predict_bytes(str(photo), [(str(photo), photo.read_bytes())]) == from_file
