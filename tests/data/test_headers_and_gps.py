"""What stands in the heads of files, and copies without coordinates. Tags and XMP names after Exif 2.32."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made import scene
from PIL import Image

from tickvision.data import audit, gps, headers

PLACE = {0: b"\2\3\0\0", 1: "N", 2: (57.0, 30.0, 12.25), 3: "E", 4: (18.0, 0.0, 3.5), 29: "2024:05:18"}
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description exif:GPSLatitude="57,30.2N" exif:GPSLongitude="18,0.1E" dc:title="a tick"/></rdf:RDF>'
    b"</x:xmpmeta>"
)


def placed(path: Path, xmp: bool = False, **options: object) -> Path:
    exif = Image.Exif()
    exif[0x010F] = "a maker"
    exif[0x0112] = 6
    exif[0x8825] = PLACE
    extra = {"xmp": XMP} if xmp else {}
    scene().save(path, exif=exif.tobytes(), **extra, **options)  # type: ignore[arg-type]
    return path


FORMS = [("a.jpg", {}), ("a.png", {}), ("a.webp", {"lossless": True}), ("a.tif", {})]


@pytest.mark.parametrize(("name", "options"), FORMS)
def test_a_copy_has_no_coordinates_and_the_same_pixels_and_other_tags(
    tmp_path: Path, name: str, options: dict[str, object]
) -> None:
    path = placed(tmp_path / name, **options)
    before = path.read_bytes()
    assert headers.read_head(path).has_place
    assert gps.copy_without_place([path], tmp_path / "out") == []
    copy = tmp_path / "out" / name
    assert path.read_bytes() == before
    assert len(copy.read_bytes()) == len(before)
    assert not headers.read_head(copy).has_place
    with Image.open(path) as one, Image.open(copy) as two:
        assert dict(two.getexif().get_ifd(0x8825)) == {}
        assert (two.getexif()[0x010F], two.getexif()[0x0112]) == ("a maker", 6)
        np.testing.assert_array_equal(np.asarray(one), np.asarray(two))
    assert b"2024:05:18" not in copy.read_bytes()


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.webp"])
def test_coordinates_of_an_xmp_packet_go_too(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "a.png":
        from PIL.PngImagePlugin import PngInfo

        info = PngInfo()
        info.add_itxt("XML:com.adobe.xmp", XMP.decode())
        scene().save(path, pnginfo=info)
    else:
        placed(path, xmp=True)
    assert headers.read_head(path).has_place
    assert gps.copy_without_place([path], tmp_path / "out") == []
    content = (tmp_path / "out" / name).read_bytes()
    assert b"57,30.2N" not in content
    assert b"a tick" in content
    with Image.open(tmp_path / "out" / name) as copy:
        copy.load()


def test_copies_stay_in_their_folder_where_a_table_names_photographs_by_dots(tmp_path: Path) -> None:
    for folder in ("in", "other"):
        (tmp_path / folder).mkdir()
    files = [placed(tmp_path / "in" / "a.jpg"), placed(tmp_path / "in" / ".." / "other" / "b.jpg")]
    assert gps.copy_without_place(files, tmp_path / "run" / "without_place") == []
    copies = {p.relative_to(tmp_path / "run").as_posix() for p in (tmp_path / "run").rglob("*.jpg")}
    assert copies == {"without_place/in/a.jpg", "without_place/other/b.jpg"}


def test_what_cannot_be_cleaned_has_no_copy(tmp_path: Path) -> None:
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add_itxt("XML:com.adobe.xmp", XMP.decode(), zip=True)  # packed: its text cannot be blanked where it lies
    scene().save(tmp_path / "packed.png", pnginfo=info)
    assert headers.read_head(tmp_path / "packed.png").has_place
    failed = gps.copy_without_place([tmp_path / "packed.png", tmp_path / "gone.jpg"], tmp_path / "out")
    assert failed == [tmp_path / "packed.png", tmp_path / "gone.jpg"]
    assert not list((tmp_path / "out").rglob("*.*"))


@pytest.mark.parametrize("cut", range(0, 200, 7))
def test_a_damaged_exif_block_never_raises(tmp_path: Path, cut: int) -> None:
    content = bytearray(placed(tmp_path / "a.jpg").read_bytes())
    content[30 + cut : 34 + cut] = b"\xff\xff\xff\xff"
    (tmp_path / "b.jpg").write_bytes(content)
    done = gps.write_without_place(tmp_path / "b.jpg", tmp_path / "out.jpg")
    assert done == (tmp_path / "out.jpg").is_file()
    assert not done or not headers.read_head(tmp_path / "out.jpg").has_place


def test_heads_tell_mode_turn_and_place(tmp_path: Path, awkward: dict[str, Path]) -> None:
    assert headers.read_head(placed(tmp_path / "a.jpg")) == headers.Head("RGB", 6, True)
    told = {name: headers.read_head(path) for name, path in awkward.items()}
    assert {n: h.mode for n, h in told.items() if n.endswith((".png", "cmyk.jpg")) and "huge" not in n} == {
        "grey.png": "L", "cmyk.jpg": "CMYK", "palette_alpha.png": "P", "sixteen_bit.png": "I;16",
    }  # fmt: skip
    assert told["text.jpg"] == told["empty.jpg"] == headers.Head()


def looks(**columns: list[object]) -> pd.DataFrame:
    n = len(next(iter(columns.values())))
    plain = {"status": "ok", "reason": "", "width": 600, "height": 600, "dark": 0.0, "bright": 0.0, "sharpness": 300.0,
             "mode": "RGB", "turn": 1, "has_place": False}  # fmt: skip
    frame = pd.DataFrame({k: [v] * n for k, v in plain.items()} | columns)
    frame.insert(0, "photo_id", [f"p{i}" for i in range(n)])
    return frame


def test_soft_pictures_are_found_against_what_is_usual_in_the_set() -> None:
    sharp = [*np.exp(np.random.default_rng(0).normal(5.7, 0.6, 200)), 4.0, 12.0]
    found = audit._picture_findings(looks(sharpness=sharp))
    assert [(f.photo_id, f.finding) for f in found] == [("p200", "blurred"), ("p201", "blurred")]


def test_a_white_ground_is_no_fault_but_a_burnt_out_picture_is() -> None:
    found = audit._picture_findings(looks(bright=[0.9, 0.9, 0.0], dark=[0.0, 0.0, 0.8], sharpness=[300.0, 30.0, 320.0]))
    assert [(f.photo_id, f.finding, f.severity) for f in found] == [
        ("p0", "too_bright", "note"), ("p1", "too_bright", "warning"), ("p2", "too_dark", "note"),
    ]  # fmt: skip


def test_findings_of_heads_are_notes_but_for_the_place() -> None:
    found = audit._picture_findings(looks(mode=["RGB", "CMYK", "L"], turn=[1, 1, 8], has_place=[True, False, False]))
    assert [(f.photo_id, f.finding, f.severity) for f in found] == [
        ("p0", "gps", "warning"), ("p1", "odd_mode", "note"), ("p2", "exif_turn", "note"),
    ]  # fmt: skip
