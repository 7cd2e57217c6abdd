"""The written demo set: deterministic, marked as drawn, and every planted fault in the truth."""

import csv
import hashlib
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from tickvision.drawing.demo_set import DemoSummary, write_demo_set
from tickvision.drawing.faults import bench_label
from tickvision.drawing.files import DESCRIPTION, SOFTWARE, encode_jpeg
from tickvision.drawing.specimen import plan_specimens
from tickvision.errors import OutputError

Row = dict[str, str]
SIZE = 96
SPECIMENS = 240


def rows(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> DemoSummary:
    return write_demo_set(tmp_path_factory.mktemp("demo") / "set", SPECIMENS, seed=3, size_px=SIZE)


@pytest.fixture(scope="module")
def truth(written: DemoSummary) -> list[Row]:
    return rows(written.folder / "truth.csv")


@pytest.fixture(scope="module")
def labels(written: DemoSummary) -> list[Row]:
    return rows(written.folder / "labels.csv")


def test_the_same_seed_writes_the_same_bytes_with_any_number_of_workers(tmp_path: Path) -> None:
    write_demo_set(tmp_path / "one", 12, seed=3, size_px=64)
    write_demo_set(tmp_path / "two", 12, seed=3, size_px=64, workers=2)
    assert digests(tmp_path / "one") == digests(tmp_path / "two")


def test_photographs_of_a_smaller_set_are_those_of_a_larger_one(written: DemoSummary, tmp_path: Path) -> None:
    few = write_demo_set(tmp_path / "few", 10, seed=3, size_px=SIZE)
    larger = digests(written.folder)
    photographs = {name: digest for name, digest in digests(few.folder).items() if name.startswith("photographs")}
    assert photographs
    assert all(larger[name] == digest for name, digest in photographs.items())


def test_a_folder_with_something_in_it_is_refused(tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="not an empty folder"):
        write_demo_set(tmp_path, 3)
    assert [path.name for path in tmp_path.iterdir()] == ["note.txt"]


def test_labels_and_truth_speak_of_the_same_photos(labels: list[Row], truth: list[Row], written: DemoSummary) -> None:
    assert [row["photo_id"] for row in labels] == [row["photo_id"] for row in truth]
    assert len({row["photo_id"] for row in labels}) == len(labels) == written.photos


def test_progress_counts_every_specimen(tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    write_demo_set(tmp_path / "set", 4, size_px=64, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_every_readable_photograph_says_that_it_is_drawn(written: DemoSummary, truth: list[Row]) -> None:
    for row in truth:
        if row["corrupt_file"] == row["missing_file"] == "no":
            with Image.open(written.folder / row["file"]) as image:
                exif = image.getexif()
            assert exif[ExifTags.Base.ImageDescription] == DESCRIPTION
            assert exif[ExifTags.Base.Software] == SOFTWARE
            assert str(exif[ExifTags.Base.Orientation]) == row["orientation"]


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_reader_that_heeds_orientation_sees_the_intended_picture(orientation: int, tmp_path: Path) -> None:
    picture = np.zeros((32, 32, 3), np.uint8)
    picture[:16, :16] = 250
    picture[16:, 16:] = 120
    path = tmp_path / "turned.jpg"
    path.write_bytes(encode_jpeg(picture, 95, orientation))
    with Image.open(path) as image:
        upright = np.asarray(ImageOps.exif_transpose(image), int)
    assert np.abs(upright - picture).mean() < 4


def test_corrupt_and_missing_files_are_those_of_the_truth(written: DemoSummary, truth: list[Row]) -> None:
    for row in truth:
        path = written.folder / row["file"]
        assert path.exists() == (row["missing_file"] == "no")
        if row["corrupt_file"] == "yes":
            with pytest.raises((UnidentifiedImageError, OSError)), Image.open(path) as image:
                image.load()


def test_a_label_differs_from_the_truth_only_where_a_fault_is_planted(labels: list[Row], truth: list[Row]) -> None:
    for label, true in zip(labels, truth, strict=True):
        name = true["true_scientific_name"]
        same = label["scientific_name"] == name and label["life_stage"] == true["true_life_stage"]
        same = same and label["sex"] == true["true_sex"]
        kinds = ("wrong_label", "genus_only", "no_sex", "no_stage", "larva_with_sex")
        assert same == all(true[kind] == "no" for kind in kinds)
        if true["genus_only"] == "yes":
            assert label["scientific_name"] == f"{name.split()[0]} sp."
        if true["no_stage"] == "yes":
            assert label["life_stage"] == label["sex"] == ""


def test_planted_kinds_are_named_twice_alike(truth: list[Row], written: DemoSummary) -> None:
    counted: Counter[str] = Counter()
    for row in truth:
        kinds = {kind for kind in row["planted"].split(";") if kind}
        assert kinds == {kind for kind in row if row[kind] == "yes" and kind not in ("nameable", "scale_bar")}
        counted.update(kinds)
    assert counted == written.planted


def test_exact_duplicates_hold_the_same_bytes_as_their_twin(written: DemoSummary, truth: list[Row]) -> None:
    files = {row["photo_id"]: written.folder / row["file"] for row in truth}
    twins = [row for row in truth if row["twin_of"]]
    assert {row["near_duplicate"] for row in twins} == {"yes", "no"}
    specimens = {row["photo_id"]: row["specimen_id"] for row in truth}
    for row in twins:
        same = files[row["photo_id"]].read_bytes() == files[row["twin_of"]].read_bytes()
        assert same == (row["exact_duplicate"] == "yes")
        assert row["specimen_id"] != specimens[row["twin_of"]]


def test_planted_label_faults_have_their_shares() -> None:
    plan = plan_specimens(1500, seed=0)
    planted = Counter(kind for s in plan for kind in bench_label(s, seed=0).planted)
    assert planted["wrong_label"] >= 40
    assert 0.025 < planted["wrong_label"] / 1500 < 0.045
    assert 0.09 < planted["genus_only"] / 1500 < 0.15
    assert 0.02 < planted["no_stage"] / 1500 < 0.06
    adults = sum(s.life_stage == "adult" for s in plan)
    assert 0.05 < planted["no_sex"] / adults < 0.11
    assert planted["larva_with_sex"] >= 1


def test_the_note_says_that_nothing_is_for_identification(written: DemoSummary) -> None:
    note = (written.folder / "READ_ME.txt").read_text(encoding="utf-8")
    assert "NOTHING HERE IS FOR IDENTIFICATION" in note and "CC0-1.0" in note


def test_the_bench_notes_damage_of_its_own_ticks_and_older_records_do_not(labels: list[Row], truth: list[Row]) -> None:
    crushed = {row["photo_id"] for row in truth if row["why_not_nameable"] == "crushed"}
    own = [row for row in labels if not row["use"] and row["scientific_name"] not in ("", "not a tick")]
    assert {row["damage"] for row in labels if row["use"]} == {""}
    assert {row["damage"] for row in own} >= {"whole", "parts missing"}
    assert all((row["damage"] == "crushed") == (row["photo_id"] in crushed) for row in own)
