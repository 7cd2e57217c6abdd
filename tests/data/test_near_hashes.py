from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from tickvision.data import duplicates, near_hashes


def test_bands_find_what_a_comparison_of_all_pairs_finds(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    values = rng.integers(0, 2**63, 500).astype(np.uint64)
    for i in range(200):
        flips = rng.choice(64, rng.integers(1, 11), replace=False)
        values[i + 250] = values[i] ^ np.uint64(sum(1 << int(b) for b in flips))
    monkeypatch.setattr(near_hashes, "BRUTE", 0)
    found = {tuple(p) for p in near_hashes.close_hashes(values, values[100:], 8)}
    distance = np.bitwise_count(values[:, None] ^ values[None, 100:])
    assert found == set(zip(*np.nonzero(distance <= 8), strict=True))
    assert len(found) > 400 + 100


def test_a_crowd_of_equal_hashes_costs_no_more_than_its_cap(monkeypatch: pytest.MonkeyPatch) -> None:
    crowd = np.full(3000, 77, np.uint64)
    for brute in (0, near_hashes.BRUTE):
        monkeypatch.setattr(near_hashes, "BRUTE", brute)
        pairs = near_hashes.close_hashes(crowd, crowd, 8)
        assert 0 < np.bincount(pairs[:, 0], minlength=3000).max() <= near_hashes.CROWDED


def test_a_tenth_cropped_off_anywhere_is_found() -> None:
    rng = np.random.default_rng(1)

    def picture(seed: int) -> Image.Image:
        dots = np.random.default_rng(seed).integers(0, 255, (9, 9, 3), np.uint8)
        return Image.fromarray(dots).resize((320, 320), Image.Resampling.BICUBIC)

    squares = [np.asarray(picture(k).resize((160, 160), Image.Resampling.BOX)) for k in range(30)]
    for k in range(10):
        x, y = (int(v) for v in rng.integers(0, 33, 2))
        squares.append(np.asarray(picture(k).crop((x, y, x + 288, y + 288)).resize((160, 160), Image.Resampling.BOX)))
    found = duplicates.near(np.stack(squares), np.ones(40, bool))
    assert found == [(k, 30 + k) for k in range(10)]
