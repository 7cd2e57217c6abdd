"""Boxes: read, laid over records, and drawn on the page, which a browser runs here."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from browsing import chromium, needs_chromium, visit
from made import scene
from PIL import Image

from tickvision.data import ingest, pictures, regions
from tickvision.data.mapping import Record
from tickvision.errors import DataError
from tickvision.images.prepare import Prepare


def write(folder: Path, text: str) -> Path:
    (folder / "regions.csv").write_text(text, encoding="utf-8")
    return folder / "regions.csv"


def test_each_box_is_a_specimen_and_the_same_tick_is_one_in_all_photographs(tmp_path: Path) -> None:
    for name in ("a.jpg", "b.jpg", "c.jpg"):
        scene().save(tmp_path / name)
    rows_of_boxes = ["a.jpg,1,0 0 .5 .5,", "a.jpg,2,.5 .5 .5 .5,nymph", "b.jpg,2,0.1 0.1 0.4 0.4,nymph"]
    boxes = regions.read(write(tmp_path, "\n".join(["photo_id,tick,region,life_stage", *rows_of_boxes]) + "\n"))
    rows = [
        {"file": n, "specimen_id": s, "scientific_name": "Ixodes", "life_stage": "adult"}
        for n, s in (("a.jpg", "S1"), ("b.jpg", "S1"), ("c.jpg", "S2"))
    ]
    records = regions.cut([Record(i, r, {}) for i, r in enumerate(rows)], boxes)
    frame, _ = ingest.ingest(records, tmp_path, "ticks")
    assert list(zip(frame["photo_id"], frame["specimen_id"], frame["group_id"], frame["life_stage"], strict=True)) == [
        ("a.jpg", "S1", "S1", "adult"), ("a.jpg#2", "S1#2", "S1", "nymph"), ("b.jpg", "S1#2", "S1", "nymph"),
        ("c.jpg", "S2", "S2", "adult"),
    ]  # fmt: skip
    assert list(frame["region"]) == ["0 0 .5 .5", ".5 .5 .5 .5", "0.1 0.1 0.4 0.4", ""]
    assert set(frame["status"]) == {"ok"}


def test_boxes_of_a_photograph_that_is_not_there_are_told(tmp_path: Path) -> None:
    boxes = regions.read(write(tmp_path, "photo_id,region\na.jpg,0 0 1 1\nb_1.jpg,0 0 1 1\n"))
    records = [Record(2, {"file": "a.jpg"}, {}), Record(3, {"file": "x", "photo_id": "b-1.jpg"}, {})]
    (found,) = regions.without_photograph(records, boxes, "regions.csv")
    assert (found.photo_id, found.severity) == ("b_1.jpg", "error")
    assert "is no photo_id here. Did you mean 'b-1.jpg'?" in found.message


def test_all_boxes_of_a_photograph_stand_on_the_page_under_their_tick(tmp_path: Path) -> None:
    text = page(tmp_path).read_text("utf-8")
    assert '"boxes": [[1, [0.1, 0.2, 0.3, 0.4]], [4, [0.5, 0.5, 0.4, 0.4]]]' in text
    frame = pd.DataFrame({"photo_id": ["a", "a#2", "b#2", "a#x", "#1"]})
    assert regions.whole_photographs(frame) == ["a", "a", "b#2", "a#x", "#1"]


def test_training_sees_the_box_only(tmp_path: Path) -> None:
    picture = np.zeros((80, 80, 3), np.uint8)
    picture[40:, 40:] = (200, 30, 30)
    Image.fromarray(picture).save(tmp_path / "a.png")
    square, _, _ = pictures.look_at(tmp_path / "a.png", "0.5 0.5 0.5 0.5", Prepare(32))
    assert (square == (200, 30, 30)).all()


@pytest.mark.parametrize(
    ("text", "message"),
    [("photo,region\n", r"no column photo_id; expected photo_id, region \(and perhaps tick, "),
     ("photo_id,region\na,0 0 1\n", "region '0 0 1' is not four"),
     ("photo_id,region\na,\n", "line 2: region '' is no box"), ("photo_id,region\na,0.5 0 0.6 1\n", "is no box inside"),
     ("photo_id,region\na,0 0 0 1\n", "is no box inside"), ("photo_id,region\na,nan 0 1 1\n", "is no box inside"),
     ("photo_id,tick,region\na,1,0 0 1 1\na,,0 0 .5 .5\n", "line 3: photograph 'a' has two boxes for tick 1"),
     ("photo_id,region\nb,0 0 1 1\na\0,0 0 1 1\n", "line 3: holds a zero byte"),
     ("photo_id,region,sex\na,0 0 1 1,m\0\n", "line 2: holds a zero byte")],
)  # fmt: skip
def test_faulty_boxes_are_named_with_their_line(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(DataError, match=message):
        regions.read(write(tmp_path, text))


def test_a_file_of_boxes_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"a table of boxes, data.regions \(No such file or directory\)"):
        regions.read(tmp_path / "regions.csv")


def page(folder: Path) -> Path:
    exif = Image.Exif()
    exif[0x0112] = 6
    scene((600, 400)).save(folder / "a.jpg", exif=exif)
    scene((600, 400)).save(folder / "b.jpg")
    (folder / "c.jpg").write_bytes(b"no picture")
    names = ['a,"</script><b>', "b", "c", "b#2"]
    frame = pd.DataFrame({"photo_id": names, "path": [str(folder / f"{n}.jpg") for n in "abcb"]})
    frame["region"] = ["", "0.1 0.2 0.3 0.4", "", "0.5,0.5,0.4,0.4"]
    frame["specimen_id"] = ["S1", "S2", "S3", "S2#4"]
    assert regions.write_page(frame, folder / "regions.html") == 2
    return folder / "regions.html"


def test_the_page_holds_its_pictures_and_reaches_for_nothing(tmp_path: Path) -> None:
    text = page(tmp_path).read_text("utf-8")
    assert text.count("data:image/jpeg;base64,") == 2
    assert "http://" not in text
    assert "https://" not in text
    assert text.count("</script>") == 1  # an id cannot break out


@needs_chromium
def test_boxes_drawn_in_a_browser_are_read_back(tmp_path: Path) -> None:
    path = page(tmp_path)
    with chromium() as browser, visit(browser, path.as_uri()) as seen:
        seen.page.wait_for_function("[...document.images].every(i => i.complete && i.naturalWidth)")
        stage, sections, mouse = seen.page.locator(".stage").first, seen.page.locator("section"), seen.page.mouse
        sizes = seen.page.evaluate("[...document.images].map(i => [i.naturalWidth, i.naturalHeight])")
        assert sizes == [[400, 600], [600, 400]]  # the first one upright: it has EXIF orientation 6
        at = stage.bounding_box()
        assert at is not None
        mouse.move(at["x"] + 0.5 * at["width"], at["y"] + 0.75 * at["height"])
        mouse.down()
        mouse.move(at["x"] + 0.3 * at["width"], at["y"] + 0.3 * at["height"])
        mouse.move(at["x"] + 0.25 * at["width"], at["y"] + 0.25 * at["height"])
        mouse.up()
        sections.nth(0).locator("> :last-child").click()
        sections.nth(1).locator("input").first.fill("3")
        sections.nth(1).locator("input").first.press("Tab")
        assert seen.page.inner_text("#count") == "4 boxes on 2 of 2 photographs"
        text = seen.page.evaluate("csv()")
        assert (seen.requests, seen.complaints) == ([path.as_uri()], [])
    read = regions.read(write(tmp_path, text))
    told = {photo: [(b.tick, [float(v) for v in b.region.split()]) for b in its] for photo, its in read.items()}
    drawn, other = 'a,"</script><b>', "b"
    assert list(told) == [drawn, other]
    assert [tick for tick, _ in told[drawn]] == ["1", "2"]
    assert told[drawn][0][1] == pytest.approx([0.25, 0.25, 0.25, 0.5], abs=0.01)  # the mouse moves by whole pixels
    assert told[drawn][1][1] == pytest.approx([0.25, 0.25, 0.5, 0.5], abs=0.01)
    assert told[other] == [("3", [0.1, 0.2, 0.3, 0.4]), ("4", [0.5, 0.5, 0.4, 0.4])]
