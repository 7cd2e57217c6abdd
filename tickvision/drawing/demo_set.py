"""The demo set on disk: photographs, the bench's labels, and the truth about both."""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from tickvision.drawing.archive import write_archive
from tickvision.drawing.faults import altered, bench_label, conflicting_label, corrupted, file_faults
from tickvision.drawing.files import encode_jpeg, write_bytes
from tickvision.drawing.records import LABEL_COLUMNS, TRUTH_COLUMNS, label_row, truth_row, write_table
from tickvision.drawing.render import PhotoTruth, draw_photo
from tickvision.drawing.specimen import FAULT_STREAM, Specimen, plan_specimens
from tickvision.drawing.submitter import is_older_record
from tickvision.drawing.textures import Image, Rng
from tickvision.errors import OutputError

READ_ME = """Larkmoor bench, demo set

Every picture in this folder is drawn by a program from a random seed. The bench, its senders, its districts
and its specimens are invented. NOTHING HERE IS FOR IDENTIFICATION: do not compare a real tick with these
pictures.

photographs/   one folder for each submission
labels.csv     what the bench knows, with planted faults: wrong, missing and contradicting labels, duplicates,
               broken and missing files, unclear licences. Most faults stand in older records, which the column
               `use` keeps for training; the rest the bench's identifier has named in full
larkmoor.zip   the same records as a Darwin Core archive (occurrences with Audiovisual Core), photographs beside it
truth.csv      what is truly drawn in each picture, and every planted fault

The licences in labels.csv belong to the scenario: they let the program practise sorting them. The drawings
themselves are given to the public domain by the tickvision project: CC0-1.0,
https://creativecommons.org/publicdomain/zero/1.0/

Drawn with: seed {seed}, {specimens} specimens, {photos} photographs of {size_px} px.
"""

TWIN_OFFSET = 500_000  # specimen and submission numbers of planted duplicates start here

Row = dict[str, str]
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class DemoSummary:
    """What was written: counts of specimens, photo rows, and photos by planted fault."""

    folder: Path
    specimens: int
    photos: int
    planted: dict[str, int]


def write_demo_set(
    folder: Path,
    specimens: int,
    seed: int = 0,
    size_px: int = 640,
    workers: int = 1,
    progress: Progress | None = None,
) -> DemoSummary:
    """Draw the demo set into an empty or new folder and return what was written.

    progress(done, total) is called after each specimen. The result does not depend on `workers`.
    Raises OutputError if the folder is not empty or `specimens` is below 1.
    """
    if specimens < 1:
        raise OutputError(f"specimens is {specimens}; a demo set needs at least 1.")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError(f"{folder} is not an empty folder; name a new one for the demo set.")
    folder.mkdir(parents=True, exist_ok=True)
    plan = plan_specimens(specimens, seed)
    labels: list[Row] = []
    truths: list[Row] = []
    task = partial(_write_specimen, folder=folder, seed=seed, size_px=size_px)
    for done, (label_rows, truth_rows) in enumerate(_each(task, plan, workers), start=1):
        labels += label_rows
        truths += truth_rows
        if progress is not None:
            progress(done, specimens)
    write_table(folder / "labels.csv", LABEL_COLUMNS, labels)
    write_archive(folder, labels)
    write_table(folder / "truth.csv", TRUTH_COLUMNS, truths)
    note = READ_ME.format(seed=seed, specimens=specimens, photos=len(labels), size_px=size_px)
    write_bytes(folder / "READ_ME.txt", note.encode("utf-8"))
    planted = Counter(kind for row in truths for kind in row["planted"].split(";") if kind)
    return DemoSummary(folder, specimens, len(labels), dict(planted))


def _each(
    task: Callable[[Specimen], tuple[list[Row], list[Row]]], plan: list[Specimen], workers: int
) -> Iterator[tuple[list[Row], list[Row]]]:
    """Yield the task's result for every specimen in order, on one or several processes."""
    if workers <= 1:
        yield from map(task, plan)
        return
    with get_context("spawn").Pool(workers, initializer=_one_thread) as pool:
        yield from pool.imap(task, plan, chunksize=8)


def _one_thread() -> None:
    cv2.setNumThreads(1)


def _write_specimen(specimen: Specimen, folder: Path, seed: int, size_px: int) -> tuple[list[Row], list[Row]]:
    """Draw and write all photographs of one specimen; return its rows of labels and of truth."""
    labels: list[Row] = []
    truths: list[Row] = []
    label = bench_label(specimen, seed)
    for number in range(specimen.photo_count):
        image, truth = draw_photo(specimen, number, seed, size_px)
        faults = file_faults(specimen, number, seed)
        rng = np.random.default_rng([seed, FAULT_STREAM, 4, specimen.number, number])
        ids = _ids(specimen.number, specimen.submission, number)
        content = encode_jpeg(image, truth.quality, truth.orientation)
        planted = label.planted
        if faults.corruption:
            planted += ("missing_file" if faults.corruption == "missing" else "corrupt_file",)
        if faults.corruption != "missing":
            broken = corrupted(content, faults.corruption, rng) if faults.corruption else content
            write_bytes(folder / ids["file"], broken)
        labels.append(label_row(specimen, label, truth, ids, seed))
        truths.append(truth_row(specimen, truth, ids, planted, ""))
        if faults.duplicate:
            twin, twin_truth = _write_twin(specimen, folder, seed, number, (image, truth, content), rng)
            labels.append(twin)
            truths.append(twin_truth)
    return labels, truths


def _ids(specimen: int, submission: int, photo: int) -> Row:
    photo_id = f"P{specimen + 1:06d}-{photo + 1}"
    folder = f"L{submission + 1:06d}"
    return {
        "photo_id": photo_id,
        "file": f"photographs/{folder}/{photo_id}.jpg",
        "specimen_id": f"S{specimen + 1:06d}",
        "submission_id": folder,
    }


def _write_twin(
    specimen: Specimen, folder: Path, seed: int, number: int, shot: tuple[Image, PhotoTruth, bytes], rng: Rng
) -> tuple[Row, Row]:
    """Write a planted duplicate: another photo, specimen and submission, the same picture."""
    image, truth, content = shot
    faults = file_faults(specimen, number, seed)
    ids = _ids(specimen.number + TWIN_OFFSET, specimen.number + TWIN_OFFSET, number)
    if faults.duplicate != "exact":
        picture = altered(image, faults.duplicate, rng)
        content = encode_jpeg(picture, int(rng.integers(55, 90)))
        scale = picture.shape[0] / image.shape[0] if faults.duplicate == "resized" else 1.0
        size_share = image.shape[0] / picture.shape[0] * scale
        truth = replace(truth, orientation=1, px_per_mm=truth.px_per_mm * scale, fill=min(truth.fill * size_share, 1.0))
    write_bytes(folder / ids["file"], content)
    kind = "exact_duplicate" if faults.duplicate == "exact" else "near_duplicate"
    label = bench_label(specimen, seed)
    planted = (*label.planted, kind)
    if faults.conflicting and is_older_record(specimen.submission, seed):
        label = conflicting_label(specimen, label, seed)
        planted = (*label.planted, "conflicting_label", kind)
    twin_of = _ids(specimen.number, specimen.submission, number)["photo_id"]
    row = label_row(specimen, label, truth, ids, seed)
    return row, truth_row(specimen, truth, ids, planted, twin_of)
