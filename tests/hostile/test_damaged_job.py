"""Damaged photographs among sound ones, through a whole job and predict; `scripts/faults/damaged_gallery` does 300."""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from damaged import fates, gallery, is_read_elsewhere, is_same
from made import JOB, write_shapes
from PIL import Image

from tickvision import config, prediction, runner
from tickvision.progress import Progress

STAGES = ("import", "check", "split", "train", "calibrate", "evaluate")  # the package is another, of the same size
NUMBER = 64  # every form with every kind of damage


@pytest.mark.slow
def test_every_damaged_photograph_of_a_job_has_a_status_and_none_is_silently_another(
    tmp_path: Path, package: Path
) -> None:
    labels = write_shapes(tmp_path / "job", 100)
    with labels.open(encoding="utf-8", newline="") as handle:
        files = [row["file"] for row in csv.DictReader(handle)][-NUMBER:]
    pictures = [Image.open(labels.parent / f).convert("RGB") for f in files]
    damaged = dict(zip(files, gallery(NUMBER, pictures=pictures), strict=True))
    for file, one in damaged.items():
        (labels.parent / file).write_bytes(one.content)
    (tmp_path / "job/job.toml").write_text(JOB.replace("epochs = 2", "epochs = 1"), "utf-8")
    job = config.load(tmp_path / "job/job.toml")
    runner.run(job, Progress(quiet=True), STAGES)
    day, photographs = tmp_path / "day.jsonl", (str(labels.parent / "photographs"),)
    prediction.predict_to(prediction.Request(package, photographs, form="jsonl", output=day, quiet=True))
    met, faults = fates(Path(job.output), day, damaged)
    assert not faults
    assert Counter(met.values())["refused"] > NUMBER / 3
    assert set(met.values()) == {"refused", "same", "unknowable"}


def test_the_judge_knows_a_spoilt_corner_and_a_warning() -> None:
    square = np.full((64, 64, 3), 100, np.uint8)
    spoilt = square.copy()
    spoilt[:8, :8] += 5
    assert not is_same(square, spoilt)
    spoilt[:8, :8] -= 2
    assert is_same(square, spoilt)
    held = next(one for one in gallery(8, size=(160, 120)) if one.what.startswith("JPEG"))
    assert is_read_elsewhere(held.whole)
    middle = len(held.whole) // 2
    assert not is_read_elsewhere(held.whole[:middle] + held.whole[middle + 300 :])
