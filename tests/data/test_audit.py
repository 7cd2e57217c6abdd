from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made import scene
from PIL import Image

from tickvision.data import audit, duplicates, near_hashes, pictures, shortcuts
from tickvision.data.manifest import label_masks
from tickvision.data.memory import Memory
from tickvision.domain.taxonomies import tick_taxonomy
from tickvision.errors import ImageError
from tickvision.images.prepare import Prepare


def test_close_hashes_are_those_that_a_comparison_of_all_pairs_finds() -> None:
    rng = np.random.default_rng(0)
    hashes = rng.integers(0, 2**63, 300).astype(np.uint64)
    for i in range(40):  # plant hashes that differ in 1 to 5 bits, which always agree in one of six bands
        flips = rng.choice(64, rng.integers(1, 6), replace=False)
        hashes[i + 200] = hashes[i] ^ np.uint64(sum(1 << int(b) for b in flips))
    found = {tuple(pair) for pair in near_hashes.close_hashes(hashes, hashes, 5)}
    distance = np.bitwise_count(hashes[:, None] ^ hashes[None, :])
    assert found == set(zip(*np.nonzero(distance <= 5), strict=True))
    assert len(found) >= 300 + 80


def specimen_like(seed: int) -> Image.Image:
    rng = np.random.default_rng(seed)
    return Image.fromarray(rng.integers(0, 255, (7, 7, 3), np.uint8)).resize((160, 160), Image.Resampling.BICUBIC)


def test_a_picture_saved_again_resized_turned_or_brightened_is_found_and_no_other() -> None:
    first = specimen_like(0)
    buffer = io.BytesIO()
    first.save(buffer, "JPEG", quality=45)
    copies = [
        Image.open(buffer).convert("RGB"), first.resize((90, 90)).resize((160, 160)),
        first.transpose(Image.Transpose.ROTATE_90), first.point(lambda v: int(min(255, v * 1.12))),
    ]  # fmt: skip
    squares = np.stack([np.asarray(p) for p in (first, *copies, *(specimen_like(k) for k in range(1, 20)))])
    pairs = duplicates.near(squares, np.ones(len(squares), bool))
    assert {(0, k) for k in range(1, 5)} <= set(pairs)
    assert all(a < 5 and b < 5 for a, b in pairs)


def test_features_bring_pairs_that_hashes_miss_and_pixels_decide(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(duplicates, "close_hashes", lambda *_: np.zeros((0, 2), np.intp))
    first = specimen_like(0)
    turned = first.transpose(Image.Transpose.ROTATE_270)
    squares = np.stack([np.asarray(p) for p in (first, turned, *(specimen_like(k) for k in range(1, 10)))])
    usable = np.ones(len(squares), bool)
    assert duplicates.near(squares, usable) == []
    features = np.random.default_rng(0).normal(0, 1, (len(squares), 60)).astype(np.float32)
    features[[1, 3]] = features[[0, 2]] + 0.1  # one true pair, and two pictures that only look alike to the network
    features[5] = np.nan
    assert duplicates.near(squares, usable, features) == [(0, 1)]


def test_plain_backgrounds_are_not_one_picture() -> None:
    rng = np.random.default_rng(0)
    plain = np.clip(rng.normal(180, 3, (40, 96, 96, 3)), 0, 255).astype(np.uint8)
    assert duplicates.near(plain, np.ones(40, bool)) == []


@pytest.mark.parametrize(
    ("one", "two", "kind", "severity"),
    [(("Ixodes", "adult", ""), ("Ixodes scapularis", "adult", "male"), "near_duplicate", "warning"),
     (("Ixodes", "adult", ""), ("Dermacentor variabilis", "adult", ""), "near_duplicate_conflict", "error"),
     (("Ixodes scapularis", "adult", "male"), ("Ixodes", "adult", "female"), "near_duplicate_conflict", "error"),
     (("", "nymph", ""), ("Ixodes", "larva", ""), "near_duplicate_conflict", "error"),
     (("", "", ""), ("Ixodes", "larva", ""), "near_duplicate", "warning")],
)  # fmt: skip
def test_only_labels_that_exclude_each_other_are_a_conflict_of_duplicates(
    one: tuple[str, ...], two: tuple[str, ...], kind: str, severity: str
) -> None:
    frame = pd.DataFrame([one, two], columns=["scientific_name", "life_stage", "sex"])
    frame["photo_id"], frame["specimen_id"] = ["a", "b"], ["1", "2"]
    masks, _ = label_masks(frame, tick_taxonomy(["Dermacentor variabilis", "Ixodes scapularis"], ""))
    (found,) = audit._pair_findings(frame, masks, [(0, 1)], "near_duplicate")
    assert (found.finding, found.severity) == (kind, severity)
    assert "another scientific_name" not in found.message or "Dermacentor variabilis" in two


def test_duplicates_are_looked_for_again_when_pictures_are_cut_otherwise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scene((96, 48)).save(tmp_path / "a.png")
    asked: list[int] = []
    monkeypatch.setattr(duplicates, "near", lambda *_: asked.append(1) or [])
    for fit in ("pad", "pad", "stretch"):
        seen = pictures.build(frame_of([tmp_path / "a.png"]), tmp_path / fit, Prepare(32, fit), 1, lambda *_: None)
        remembered = Memory(tmp_path / "memory.json")
        audit._near(frame_of([tmp_path / "a.png"]), seen, None, remembered)
        remembered.write()
    assert len(asked) == 2


def test_unreadable_photographs_are_no_duplicates_of_each_other() -> None:
    assert duplicates.exact(np.array(["a", "", "", "a"])) == [(0, 3)]
    assert duplicates.near(np.zeros((3, 64, 64, 3), np.uint8), np.array([True, False, False])) == []


def test_the_probe_finds_a_background_that_gives_the_label_away_and_no_other() -> None:
    rng = np.random.default_rng(0)
    target, group = rng.integers(0, 3, 400), np.arange(400)
    plain = rng.normal(0, 1, (400, 18)).astype(np.float32)
    telling = plain.copy()
    telling[:, 0] += 6 * target
    assert shortcuts.probe(telling, target, group)["accuracy"] > 0.95
    blind = shortcuts.probe(plain, target, group)
    assert blind["accuracy"] < blind["majority"] + 0.1
    assert shortcuts.probe(plain[:20], target[:20], group[:20]) == {"n": 20, "classes": 3}


def frame_of(paths: list[Path]) -> pd.DataFrame:
    return pd.DataFrame(
        {"photo_id": [p.name for p in paths], "path": [str(p) for p in paths], "region": [""] * len(paths)}
    )


def test_bad_photographs_are_rows_with_a_status_and_good_ones_are_untouched(
    tmp_path: Path, awkward: dict[str, Path]
) -> None:
    ticks: list[tuple[int, int, int]] = []
    paths = [*awkward.values(), tmp_path / "gone.jpg"]
    built = pictures.build(frame_of(paths), tmp_path / "cache", Prepare(64), 2, lambda *t: ticks.append(t))
    status = dict(zip(built.looks["photo_id"], built.looks["status"], strict=True))
    assert {n: s for n, s in status.items() if s != "ok"} == {
        "truncated.jpg": "truncated", "empty.jpg": "empty", "text.jpg": "unreadable", "huge_header.png": "too_large",
        "gone.jpg": "missing",
    }  # fmt: skip
    assert ticks[-1] == (len(paths), len(paths), 5)
    assert (built.squares[~built.readable] == 0).all()


def test_only_new_and_changed_files_are_decoded_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = [tmp_path / f"p{i}.png" for i in range(4)]
    for i, path in enumerate(paths):
        scene(seed=i).save(path)
    pictures.build(frame_of(paths[:3]), tmp_path / "cache", Prepare(64), 1, lambda *t: None)
    looked: list[str] = []
    real = pictures.look_at
    monkeypatch.setattr(pictures, "look_at", lambda p, r, prepare: looked.append(p.name) or real(p, r, prepare))
    scene((80, 60), seed=9).save(paths[1])
    built = pictures.build(frame_of(paths), tmp_path / "cache", Prepare(64), 1, lambda *t: None)
    assert sorted(looked) == ["p1.png", "p3.png"]
    fresh = pictures.build(frame_of(paths), tmp_path / "other", Prepare(64), 1, lambda *t: None)
    np.testing.assert_array_equal(built.squares, fresh.squares)
    pd.testing.assert_frame_equal(built.looks, fresh.looks)


def test_a_region_is_four_numbers_or_an_image_error() -> None:
    assert pictures.parse_region("0.1 0.2 0.3 0.4") == (0.1, 0.2, 0.3, 0.4)
    assert pictures.parse_region(" ") is None
    with pytest.raises(ImageError, match="four numbers"):
        pictures.parse_region("left half")
