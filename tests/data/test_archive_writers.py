"""Darwin Core archives by writers that are not ours, made anew by their packages from PyPI in each test run; and the
archive that the demo writes, by one of their readers."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from made import scene

from tickvision.data import archive, ingest
from tickvision.data.labels import Finding
from tickvision.drawing.archive import write_archive

HERE = Path(__file__).parent / "archives"


@pytest.fixture(scope="session")
def writers(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the packages of writers.txt; kept in pytest's cache, so that a second run is quick."""
    wanted = HERE / "writers.txt"
    name = hashlib.sha256(sys.version.encode() + wanted.read_bytes()).hexdigest()[:12]
    cache = getattr(request.config, "cache", None)
    folder = (Path(cache.mkdir("archive_writers")) if cache else tmp_path_factory.mktemp("archive_writers")) / name
    if not folder.is_dir():
        half = folder.with_name(f"{name}.{os.getpid()}")
        pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--disable-pip-version-check"]
        subprocess.run([*pip, "--target", half, "-r", wanted], check=True)
        try:
            half.rename(folder)
        except OSError:  # another run was quicker
            shutil.rmtree(half)
    assert folder.is_dir()
    return folder


def run(script: str, writers: Path, folder: Path, *words: Path) -> str:
    """Run one of the scripts with the writers in front of the environment's packages; return what it prints."""
    its = os.environ | {"PYTHONPATH": str(writers), "PYTHONWARNINGS": "ignore"}
    done = subprocess.run([sys.executable, HERE / script, *words], cwd=folder, env=its, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


def written_by(name: str, writers: Path, folder: Path) -> Path:
    """Return the archive that a writer makes."""
    run(f"write_with_{name}.py", writers, folder)
    return folder / f"{name}.zip"


def taken(path: Path, *photographs: str) -> tuple[pd.DataFrame, list[Finding], list[Finding]]:
    """Return (manifest, findings of the archive, findings of the records) with these photographs beside the archive."""
    for photo in photographs:
        (path.parent / photo).parent.mkdir(exist_ok=True)
        scene().save(path.parent / photo)
    records, noted = archive.read_archive(path, path.parent / "work", path.parent, {})
    frame, findings = ingest.ingest(records, path.parent, "ticks", licences=("CC0-1.0", "CC-BY"))
    return frame, noted, findings


def test_what_dwca_writer_writes_is_read(tmp_path: Path, writers: Path) -> None:
    made = written_by("dwca_writer", writers, tmp_path)
    frame, noted, _ = taken(made, "photographs/a.jpg", "photographs/b.jpg")
    assert list(frame["status"]) == ["ok", "ok"]
    assert list(frame["specimen_id"]) == ["tick-1"] * 2
    row = frame.iloc[0]
    assert (row["scientific_name"], row["life_stage"], row["sex"], row["spdx"], row["creator"], row["place"]) == (
        "Ixodes scapularis", "adult", "female", "CC-BY-4.0", "Å. Berg", "Ängsö",
    )  # fmt: skip
    assert row["verbatim_name"] == "Ixodes scapularis Say, 1821"
    assert [f.message for f in noted] == [
        "2 of 3 records have no photograph, e.g. 'o2'", "1 media are no still images; they are left out",
    ]  # fmt: skip


def test_what_dwcahandler_writes_is_read(tmp_path: Path, writers: Path) -> None:
    frame, _, findings = taken(written_by("dwcahandler", writers, tmp_path), "one tick.jpg")
    assert list(frame["status"]) == ["licence", "missing"]
    assert list(frame["group_id"]) == ["vial-1"] * 2
    assert list(frame["scientific_name"]) == ["Dermacentor variabilis", "Ixodes"]
    assert frame["x_occurrenceRemarks"][0] == 'found "on the dog", alive'
    assert frame["creator"][0] == "submitter 1, Larkmoor"
    assert any("is on the web" in f.message for f in findings)


def test_what_pydwca_writes_is_read(tmp_path: Path, writers: Path) -> None:
    frame, noted, _ = taken(written_by("pydwca", writers, tmp_path), "back.jpg", "belly.jpg", "nymph.jpg")
    assert noted == []
    assert list(frame["status"]) == ["ok", "ok", "licence"]
    assert list(frame["spdx"]) == ["CC-BY-4.0", "CC-BY-4.0", "CC-BY-NC-SA-4.0"]
    assert list(frame["specimen_id"]) == ["o1", "o1", "o2"]
    assert list(frame["verbatim_name"]) == ["R. sanguineus, ♂", "R. sanguineus, ♂", "maybe A. maculatum"]
    row = frame.iloc[0]
    assert (row["scientific_name"], row["life_stage"], row["sex"]) == ("Rhipicephalus sanguineus", "adult", "male")


DRAWN = {
    "specimen_id": "s1", "submission_id": "g1", "scientific_name": "Ixodes scapularis", "life_stage": "adult",
    "sex": "female", "feeding": "unfed", "event_date": "2026-05-03", "place": "Larkmoor", "host": "dog", "use": "",
    "scale_bar": "yes", "photo_id": "p1", "file": "photographs/p1.jpg", "view": "dorsal", "device": "phone",
    "creator": "submitter 1", "license_uri": "http://creativecommons.org/publicdomain/zero/1.0/",
}  # fmt: skip


def test_what_the_demo_writes_is_read_by_pydwca_and_its_eml_keeps_the_rules(tmp_path: Path, writers: Path) -> None:
    """The rules of EML 2.2.0 are those of metapype. pydwca looks for the version of EML in xsi:schemaLocation."""
    made = write_archive(tmp_path, [DRAWN, DRAWN | {"photo_id": "p2", "view": "ventral", "host": ""}])
    read = json.loads(run("read_with_pydwca.py", writers, tmp_path, made))
    assert read["faults"] == []
    assert "not for identification" in read["titles"][0]
    (row,) = read["core"]
    assert (row["occurrenceID"], row["scientificName"], row["lifeStage"], row["sex"], row["associatedTaxa"]) == (
        "s1", "Ixodes scapularis", "adult", "female", '"host":"dog"',
    )  # fmt: skip
    assert [(m["occurrenceID"], m["identifier"]) for m in read["media"]] == [("s1", "p1"), ("s1", "p2")]
    assert read["media"][1]["subjectOrientation"] == "http://rs.tdwg.org/acorient/values/r0007"
