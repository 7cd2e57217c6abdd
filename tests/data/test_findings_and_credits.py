from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from PIL import Image

from tickvision.data import contact_sheet, credits, mislabels
from tickvision.data.labels import Finding


def test_swapped_labels_are_the_most_doubtful_and_unknown_ones_are_left_out() -> None:
    rng = np.random.default_rng(0)
    truth = np.repeat(np.array(["a", "b", "c"]), 100)
    features = rng.normal(0, 1, (300, 40)).astype(np.float32)
    for k, name in enumerate("abc"):
        features[truth == name, k] += 4
    said = truth.copy()
    said[[5, 120, 250]] = ["b", "c", "a"]
    said[7] = ""
    features[9] = np.nan
    doubt, other = mislabels.doubts(features, said, np.arange(300) // 2)
    assert set(np.argsort(-np.nan_to_num(doubt, nan=-99))[:3]) == {5, 120, 250}
    assert list(other[[5, 120, 250]]) == ["a", "b", "c"]
    assert np.isnan(doubt[[7, 9]]).all()


def test_features_are_matched_by_content(tmp_path: Path) -> None:
    np.savez(tmp_path / "f.npz", sha256=np.array(["x", "", "y"]), embedding=np.eye(3, dtype=np.float16))
    found = mislabels.read_features((tmp_path / "none.npz", tmp_path / "f.npz"), np.array(["y", "z", ""]))
    assert found is not None
    assert list(found[0]) == [0, 0, 1]
    assert np.isnan(found[1:]).all()
    assert mislabels.read_features((tmp_path / "none.npz",), np.array(["y"])) is None
    np.savez(tmp_path / "old.npz", sha256=np.array(["w"]), embedding=np.ones((1, 2), np.float16))  # other photographs
    both = mislabels.read_features((tmp_path / "old.npz", tmp_path / "f.npz"), np.array(["y"]))
    assert both is not None
    assert both.tolist() == [[0, 0, 1]]
    assert mislabels.read_features((tmp_path / "old.npz",), np.array(["y"])) is None


def test_the_contact_sheet_takes_kinds_in_turn_and_leaves_notes_out(tmp_path: Path) -> None:
    found = [Finding(f"p{i}", "tiny", "warning", "") for i in range(9)]
    found += [Finding("p9", "truncated", "error", ""), Finding("p8", "near_duplicate", "note", "")]
    place = {f"p{i}": i for i in range(10)}
    assert [f.finding for f in contact_sheet._chosen(found, 3)] == ["truncated", "tiny", "tiny"]
    squares = np.zeros((10, 32, 32, 3), np.uint8)
    assert contact_sheet.write(found, place, squares, tmp_path / "worst.jpg") == 10
    with Image.open(tmp_path / "worst.jpg") as sheet:
        assert (sheet.format, sheet.size) == ("JPEG", (6 * 160, 2 * 188))
    contact_sheet.write(found, place, squares, tmp_path / "headed.jpg", head="drawn")
    with Image.open(tmp_path / "headed.jpg") as sheet:
        assert sheet.size == (6 * 160, 2 * 188 + 28)
    assert contact_sheet.write([], place, squares, tmp_path / "none.jpg") == 0


def test_credits_name_creator_licence_and_change(tmp_path: Path) -> None:
    by, zero = "https://creativecommons.org/licenses/by/4.0/", "https://creativecommons.org/publicdomain/zero/1.0/"
    frame = pd.DataFrame(
        {"photo_id": ["1", "2", "3"], "creator": ["Å. <Berg>", "Å. <Berg>", ""], "rights_holder": ["", "", "Museum"],
         "source": [""] * 3, "license_uri": [by, by, zero], "spdx": ["CC-BY-4.0", "CC-BY-4.0", "CC0-1.0"]}
    )  # fmt: skip
    credits.write(frame, tmp_path)
    text = (tmp_path / "CREDITS.md").read_text("utf-8")
    assert "- Å. \\<Berg\\>: 2 photographs" in text
    assert text.index("CC-BY-4.0 (asks for credit)") < text.index("CC0-1.0") < text.index("- Museum: 1")
    assert f"\n<{by}>\n" in text
    odd = credits.markdown(frame.assign(license_uri="ask <us>", spdx="NOASSERTION"))
    assert "\nask \\<us\\>\n" in odd  # no address: shown as text, no mark of its own
    table = pd.read_csv(tmp_path / "credits.csv", dtype=str, keep_default_na=False)
    assert list(table.columns) == list(credits.COLUMNS)
    assert (table["change"] == credits.CHANGE).all()
