"""Pictures of every awkward kind, and a small labelled set, made anew for each test."""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")  # before numpy: two test processes with two threads each spin for ages
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from made import JOB, TURNS, png, scene, write_shapes
from PIL import Image


@pytest.fixture
def turned(tmp_path: Path) -> Callable[[int], Path]:
    """Return a function that writes the scene as a camera with this EXIF orientation would store it (losslessly)."""

    def write(orientation: int) -> Path:
        stored = scene()
        for turn in TURNS[orientation]:
            stored = stored.transpose(turn)
        exif = Image.Exif()
        exif[0x0112] = orientation
        path = tmp_path / f"turned{orientation}.png"
        stored.save(path, exif=exif)
        return path

    return write


@pytest.fixture
def awkward(tmp_path: Path) -> dict[str, Path]:
    """Return name -> file: readable oddities and unreadable ones."""
    folder = tmp_path / "awkward"
    folder.mkdir()
    picture = scene()
    files = {name: folder / name for name in (
        "grey.png", "cmyk.jpg", "palette_alpha.png", "sixteen_bit.png", "truncated.jpg", "empty.jpg", "text.jpg",
        "png_in_disguise.jpg", "huge_header.png", "smörgås ♀\u200b.jpg", "animated.gif",
    )}  # fmt: skip
    picture.convert("L").save(files["grey.png"])
    picture.convert("CMYK").save(files["cmyk.jpg"])
    picture.convert("P").save(files["palette_alpha.png"], transparency=0)
    Image.fromarray(np.asarray(picture.convert("L")).astype(np.uint16) * 257).save(files["sixteen_bit.png"])
    scene((640, 480)).save(files["truncated.jpg"])
    whole = files["truncated.jpg"].read_bytes()
    files["truncated.jpg"].write_bytes(whole[: len(whole) // 2])
    files["empty.jpg"].write_bytes(b"")
    files["text.jpg"].write_text("this is no picture", encoding="utf-8")
    picture.save(files["png_in_disguise.jpg"], format="PNG")
    files["huge_header.png"].write_bytes(png(100_000, 100_000, rows=0))
    picture.save(files["smörgås ♀\u200b.jpg"])
    picture.save(files["animated.gif"], save_all=True, append_images=[scene(seed=1)])
    return files


@pytest.fixture
def shapes(tmp_path: Path) -> Path:
    """Return the config of a small job that has not run yet."""
    write_shapes(tmp_path / "job", 60)
    (tmp_path / "job" / "job.toml").write_text(JOB, encoding="utf-8")
    return tmp_path / "job" / "job.toml"


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the config of a small job that went through every stage once."""
    from tickvision import config, runner
    from tickvision.progress import Progress

    folder = tmp_path_factory.mktemp("finished")
    write_shapes(folder / "job", 120)
    path = folder / "job" / "job.toml"
    path.write_text(JOB, encoding="utf-8")
    runner.run(config.load(path), Progress(quiet=True))
    return path


@pytest.fixture
def package(finished: Path) -> Path:
    """Return the package of the finished job."""
    return finished.parent / "run" / "package"


@pytest.fixture
def photographs(finished: Path) -> Path:
    """Return the folder of the finished job's photographs."""
    return finished.parent / "photographs"
