"""scripts/gallery: small pictures for the README, each with the band that says what it shows."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from browsing import needs_chromium
from PIL import Image

from tickvision import config

SCRIPT = Path(__file__).parents[2] / "scripts/gallery"


@needs_chromium
@pytest.mark.slow
def test_the_pictures_of_a_finished_job_are_small_and_marked(finished: Path, tmp_path: Path) -> None:
    subprocess.run([sys.executable, SCRIPT, config.load(finished).output, tmp_path / "pictures"], check=True)
    made = sorted((tmp_path / "pictures").iterdir())
    assert [p.stem for p in made] == ["confusion", "predictions", "report", "risk_coverage", "specimens"]
    assert all(p.stat().st_size <= 120_000 for p in made)
    for path in made:
        with Image.open(path) as picture:
            left_below = picture.convert("RGB").getpixel((2, picture.height - 3))
        assert max(abs(a - b) for a, b in zip(left_below, (243, 227, 179), strict=True)) < 12, path.name


def test_a_folder_without_a_report_is_refused_with_the_usage(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, SCRIPT, tmp_path, tmp_path], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "usage: scripts/gallery RUN_FOLDER" in done.stderr
