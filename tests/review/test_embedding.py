"""What a package makes of specimens, for picking and for the watch on drift."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest
from doors.small_package import write_package
from PIL import Image

from tickvision.deployment.specimens import Specimen
from tickvision.errors import DataError
from tickvision.review.embedding import embed


def halves(path: Path) -> str:
    """A picture whose left half is red and whose right half is blue."""
    pixels = np.zeros((64, 64, 3), np.uint8)
    pixels[:, :32], pixels[:, 32:] = (255, 0, 0), (0, 0, 255)
    Image.fromarray(pixels).save(path)
    return str(path)


def test_the_part_that_was_drawn_around_is_looked_at_in_archives_too(tmp_path: Path) -> None:
    """The smallest network's embedding is the mean colour, so it shows what was looked at."""
    package, path = write_package(tmp_path), halves(tmp_path / "a.png")
    with zipfile.ZipFile(tmp_path / "day.zip", "w") as packed:
        packed.write(path, "a.png")
    specimens = [
        Specimen("left", (path,), ((0.0, 0.0, 0.5, 1.0),)),
        Specimen("right", (path,), ((0.5, 0.0, 0.5, 1.0),)),
        Specimen("gone", (str(tmp_path / "b.png"),)),
        Specimen("packed", (str(tmp_path / "b.png"), str(tmp_path / "day.zip/a.png"))),
    ]
    ticks: list[tuple[int, int]] = []
    found = embed(package, specimens, lambda done, total: ticks.append((done, total)))
    assert found.ids == ["left", "right", "packed"]
    assert found.first_path[2].endswith("day.zip/a.png")
    left, right, both = found.embedding
    assert left[0] > left[2] + 0.1
    assert right[2] > right[0] + 0.1
    assert both[0] == pytest.approx(both[2], abs=0.05)
    assert found.probs.sum(1) == pytest.approx(np.ones(3))
    assert ticks[-1] == (4, 4)


def test_specimens_without_a_readable_photograph_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="none of these specimens"):
        embed(write_package(tmp_path), [Specimen("gone", ("b.png",))], lambda *_: None)
