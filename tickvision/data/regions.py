"""Boxes around the ticks of a photograph: read from a CSV, laid over the records, and drawn on a page of our own."""

from __future__ import annotations

import base64
import html
import io
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path

import pandas as pd
from PIL import Image

from tickvision.data.columns import LABEL
from tickvision.data.labels import Finding
from tickvision.data.mapping import Record
from tickvision.data.pictures import parse_region
from tickvision.domain import user_tables
from tickvision.errors import DataError, ImageError, did_you_mean
from tickvision.images.decode import read_photo
from tickvision.whole_files import write_text

SHOWN_PX = 900
AT_MOST = 300  # photographs a page: about 20 MB


@dataclass(frozen=True)
class TickBox:
    """One tick of a photograph. region: "x y width height", fractions of the upright picture. said: its own labels."""

    tick: str
    region: str
    said: dict[str, str]


def read(path: Path) -> dict[str, list[TickBox]]:
    """Return photo_id -> boxes of a CSV with the columns photo_id, region, and perhaps tick and labels.

    tick: which tick of the specimen's photographs it is, 1 if blank. Raises DataError that names line and fault.
    """
    boxes: dict[str, list[TickBox]] = {}
    needed, perhaps = ("photo_id", "region"), ("tick", *LABEL)
    for line, row in user_tables.read(path, needed, "a table of boxes, data.regions", DataError, perhaps):
        where = f"{path}, line {line}"
        box = _box(row, where)
        its = boxes.setdefault(row["photo_id"], [])
        if any(b.tick == box.tick for b in its):
            raise DataError(f"{where}: photograph '{row['photo_id']}' has two boxes for tick {box.tick}.")
        its.append(box)
    return boxes


def _box(row: dict[str, str], where: str) -> TickBox:
    try:
        box = parse_region(row["region"])
    except ImageError as error:
        raise DataError(f"{where}: {error.reason}.") from None
    if box is None or not (
        min(box) >= 0 and min(box[2:]) > 0 and box[0] + box[2] <= 1.001 and box[1] + box[3] <= 1.001
    ):
        raise DataError(
            f"{where}: region '{row['region']}' is no box inside the picture (x y width height, fractions 0 to 1)."
        )
    said = {c: row[c].strip() for c in LABEL if row[c].strip()}
    return TickBox(row["tick"].strip() or "1", row["region"], said)


def cut(records: Iterable[Record], boxes: dict[str, list[TickBox]]) -> Iterator[Record]:
    """Yield a record for each box of a photograph, or the record itself where it has none.

    Tick 1 keeps its specimen; every other tick is a specimen of its own, tied to the same group.
    """
    for record in records:
        fields = record.fields
        photo = _photo_of(record)
        specimen = fields.get("specimen_id", "")
        for number, box in enumerate(boxes.get(photo, [])):
            own = {"photo_id": photo + (f"#{number + 1}" if number else ""), "region": box.region} | box.said
            if box.tick != "1":
                own |= {"specimen_id": f"{specimen or photo}#{box.tick}"}
            group = {"submission_id": fields.get("submission_id") or specimen or photo}
            yield replace(record, fields=fields | own | group)
        if photo not in boxes:
            yield record


def without_photograph(records: Iterable[Record], boxes: dict[str, list[TickBox]], where: str) -> list[Finding]:
    """Return a finding for each photograph that has boxes but is none of the records: its boxes are used nowhere."""
    known = {_photo_of(record) for record in records}
    return [
        Finding(photo, "box_without_photograph", "error", f"{where} has boxes of '{photo}', which is no photo_id here."
                f"{did_you_mean(photo, known)}", "write the photo_id as the manifest has it, or take the row out")
        for photo in boxes if photo not in known
    ]  # fmt: skip


def _photo_of(record: Record) -> str:
    return record.fields.get("photo_id") or record.fields.get("file", "")


def whole_photographs(frame: pd.DataFrame) -> list[str]:
    """Return the photo_id of the photograph that each row is a part of: "a" for "a#2" where "a" is a row too."""
    known = set(frame["photo_id"])
    parts = [photo.rpartition("#") for photo in frame["photo_id"]]
    return [head if tail.isdecimal() and head in known else f"{head}{mark}{tail}" for head, mark, tail in parts]


def write_page(frame: pd.DataFrame, path: Path, head: str = "") -> int:
    """Write a page on which a person draws boxes and saves regions.csv; return how many photographs stand there.

    frame: photo_id, specimen_id, path, region; the first AT_MOST readable photographs, each with its boxes. head: a
    line above all. The page holds its pictures, upright, and loads nothing from anywhere.
    """
    shown: list[dict[str, object]] = []
    for photo, rows in frame.groupby(whole_photographs(frame), sort=False):
        if len(shown) == AT_MOST:
            break
        try:
            boxes = [parse_region(region) for region in rows["region"]]
            picture = Image.fromarray(read_photo(Path(rows["path"].iloc[0]), SHOWN_PX).pixels)
        except ImageError:
            continue
        picture.thumbnail((SHOWN_PX, SHOWN_PX))
        held = io.BytesIO()
        picture.save(held, "JPEG", quality=80)
        source = "data:image/jpeg;base64," + base64.b64encode(held.getvalue()).decode("ascii")
        ticked = zip(_ticks(rows["specimen_id"].tolist()), boxes, strict=True)
        shown.append({"id": str(photo), "src": source, "boxes": [(tick, box) for tick, box in ticked if box]})
    page = files("tickvision.data").joinpath("regions_page.html").read_text(encoding="utf-8")
    held_json = json.dumps(shown).replace("<", "\\u003c")
    write_text(path, page.replace("<!--HEAD-->", html.escape(head)).replace("/*PHOTOGRAPHS*/[]", held_json))
    return len(shown)


def _ticks(specimens: list[str]) -> list[int]:
    """Return which tick of its photograph each specimen is, as `cut` named it; in turn where that is not to be told."""
    tails = [specimen.rpartition("#")[2] if "#" in specimen else "1" for specimen in specimens]
    told = [int(tail) for tail in tails if tail.isdecimal()]
    return told if len(set(told)) == len(specimens) else list(range(1, 1 + len(specimens)))
