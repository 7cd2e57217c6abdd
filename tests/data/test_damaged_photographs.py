"""300 damaged photographs: each is a row with a status, and no picture is another than Pillow's own full decoding.

That none of them harms training and judging: tests/hostile/test_damaged_job.py.
"""

from __future__ import annotations

import io
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from damaged import DAMAGE, FORMS, Damaged, gallery, is_read_elsewhere
from made import JOB
from numpy.typing import NDArray
from PIL import Image, ImageFile, ImageOps

from tickvision import config, runner
from tickvision.data import ingest
from tickvision.errors import ImageError
from tickvision.images import decode
from tickvision.images.decode import Photo
from tickvision.images.prepare import to_square
from tickvision.progress import Progress
from tickvision.stages import job as stages
from tickvision.workplace import Paths

NUMBER = 300
STATUSES = {"empty", "unreadable", "truncated", "too_large"}


def strictly(content: bytes) -> NDArray[np.uint8] | None:
    """What Pillow decodes when nothing may be missing, laid on white as RGB; None where it refuses."""
    assert not ImageFile.LOAD_TRUNCATED_IMAGES, "something lets Pillow fill up what is missing: no judge any more"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(content)) as opened:
                opened.load()
                turned = ImageOps.exif_transpose(opened)
                return np.asarray(turned.convert("RGB"))
    except Exception:  # Pillow's decoders raise many kinds
        return None


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Damaged]]:
    """Return (config, gallery) after import and check."""
    folder = tmp_path_factory.mktemp("gallery")
    damaged = gallery(NUMBER)
    lines = ["file,specimen_id,scientific_name,life_stage,sex,license_uri"]
    for i, one in enumerate(damaged):
        (folder / f"p{i}.jpg").write_bytes(one.content)  # the suffix says nothing
        name = ("Ixodes scapularis", "Amblyomma americanum")[i % 2]
        lines.append(f"p{i}.jpg,s{i},{name},adult,female,CC0-1.0")
    (folder / "labels.csv").write_text("\n".join(lines) + "\n", "utf-8")
    (folder / "job.toml").write_text(JOB, "utf-8")
    runner.run(config.load(folder / "job.toml"), Progress(quiet=True), ("import", "check"))
    return folder / "job.toml", damaged


def test_every_damaged_photograph_is_a_row_and_none_is_a_wrong_picture(
    checked: tuple[Path, list[Damaged]],
) -> None:
    job, damaged = config.load(checked[0]), checked[1]
    paths = Paths(job.output)
    frame, _ = stages.usable_rows(job, paths)
    pictures = stages.decoded(job, paths, frame, Progress(quiet=True))
    assert list(frame["photo_id"]) == [f"p{i}.jpg" for i in range(NUMBER)]
    assert set(pictures.looks["status"]) <= STATUSES | {"ok"}
    prepare = stages.prepare_of(job)
    for i, (what, content, _) in enumerate(damaged):
        expected = strictly(content)
        status = pictures.looks["status"].iat[i]
        if status == "ok":
            assert expected is not None, f"{i} {what}: read here, refused by Pillow"
            square = to_square(Photo(expected, *expected.shape[1::-1], ""), prepare)
            is_reduced = what.startswith("JPEG") and min(expected.shape[:2]) >= 2 * prepare.decode_px
            apart = np.abs(pictures.squares[i].astype(float) - square)
            assert (apart.mean() < 6) if is_reduced else not apart.any(), f"{i} {what}: another picture than Pillow's"
        else:
            assert not pictures.squares[i].any()
            if expected is not None:  # refused here alone: by our limits of size, or for what OpenCV warns of too
                is_beyond = min(expected.shape[:2]) < 8 or expected.shape[0] * expected.shape[1] > decode.MAX_PIXELS
                assert is_beyond or not is_read_elsewhere(content), what
    told = {f.photo_id: f for f in ingest.read_findings(paths.findings) if f.severity == "error"}
    faulty = frame["photo_id"][~pictures.readable]
    assert {told[p].finding for p in faulty} <= STATUSES
    assert all(told[p].message for p in faulty)


def test_the_gallery_holds_what_it_says() -> None:
    damaged = gallery(NUMBER)
    kinds = pd.Series([one.what for one in damaged]).value_counts()
    assert set(kinds.index) == {f"{form}{d.__name__}" for form, _ in FORMS for d in DAMAGE}
    refused = np.mean([strictly(one.content) is None for one in damaged])
    assert 0.3 < refused < 0.9  # both kinds: those that must be refused, and those that are read


@pytest.mark.parametrize("form", ["EPS", "PPM", "TGA", "PCX", "ICO"])
def test_other_formats_are_refused_unopened(form: str) -> None:
    held = io.BytesIO()  # an EPS is a program: Pillow would have Ghostscript run it
    Image.new("RGB", (64, 64), "red").save(held, form)
    with pytest.raises(ImageError) as caught:
        decode.decode(held.getvalue())
    assert (caught.value.status, caught.value.reason[:39]) == ("unreadable", "not a picture in a format that is read ")


def test_a_set_of_nothing_but_damaged_photographs_is_checked_too(tmp_path: Path) -> None:
    rows = "".join(f"p{i}.jpg,s{i},Ixodes scapularis,adult,{sex},CC0-1.0\n" for i, sex in enumerate(["male", "female"]))
    (tmp_path / "labels.csv").write_text(
        f"file,specimen_id,scientific_name,life_stage,sex,license_uri\n{rows}", "utf-8"
    )
    (tmp_path / "job.toml").write_text(JOB, "utf-8")
    for i in range(2):
        (tmp_path / f"p{i}.jpg").write_bytes(b"no picture")
    told = runner.run(config.load(tmp_path / "job.toml"), Progress(quiet=True), ("import", "check"))
    assert "  2 unreadable (error)" in told


def test_a_jpeg_decoded_at_a_smaller_scale_is_refused_or_read_as_in_full() -> None:
    for what, content, _ in gallery(64, seed=1, size=(640, 480)):
        expected = strictly(content)
        try:
            photo = decode.decode(content, 96)
        except ImageError:
            assert expected is None or min(expected.shape[:2]) < 8 or not is_read_elsewhere(content), what
            continue
        assert expected is not None, what
        small = Image.fromarray(expected).resize(photo.pixels.shape[1::-1], Image.Resampling.BOX)
        assert np.abs(np.asarray(small, float) - photo.pixels).mean() < 6, what
