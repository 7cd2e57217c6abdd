"""Archives that would do harm or are broken: one clear message each, and nothing is written."""

from __future__ import annotations

import re
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from test_archive import DWC, MEDIA, MM, OCC, table, take

from tickvision.data import archive_guard
from tickvision.errors import DataError

META = table("core", f"{DWC}Occurrence", "o.txt", OCC) + table("extension", MEDIA, "m.txt", MM)
TABLES = {"o.txt": b"i\tn\ts\tx\n1\tIxodes\tadult\t\n", "m.txt": b"i\tf\tl\n1\ta.jpg\t\n"}


def whole(meta: str = META, head: str = "") -> bytes:
    return f'{head}<archive xmlns="http://rs.tdwg.org/dwc/text/">{meta}</archive>'.encode()


def zipped(folder: Path, meta: bytes, members: dict[str, bytes] | None = None) -> Path:
    with zipfile.ZipFile(folder / "set.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("meta.xml", meta)
        for name, content in (TABLES if members is None else members).items():
            packed.writestr(name, content)
    return folder / "set.zip"


def refusal(path: Path) -> str:
    """The one line with which the archive is refused; whatever was written lies in the work folder."""
    work = path.parent / "out"
    with pytest.raises(DataError) as caught:
        take(path, work)
    left = [p for p in path.parent.rglob("*") if p.is_file() and p.name not in ("meta.xml", "set.zip")]
    assert all(p.is_relative_to(work) for p in left)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_the_plain_archive_that_the_others_are_made_from_is_read(tmp_path: Path) -> None:
    assert len(take(zipped(tmp_path, whole()), tmp_path / "out")) == 1


@pytest.mark.parametrize(
    "name", ["../evil.txt", "/etc/evil.txt", "a/../../evil.txt", "C:/evil.txt", "a\\..\\evil.txt", "http://x.example/o"]
)
def test_members_that_climb_out_are_refused(tmp_path: Path, name: str) -> None:
    path = zipped(tmp_path, whole(), TABLES)
    with zipfile.ZipFile(path, "a") as packed:
        packed.writestr(zipfile.ZipInfo(name), b"x")
    assert "absolute path or climbs out" in refusal(path)


def test_links_in_a_zip_are_refused(tmp_path: Path) -> None:
    path = zipped(tmp_path, whole())
    link = zipfile.ZipInfo("a.jpg")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(path, "a") as packed:
        packed.writestr(link, "/etc/hostname")
    assert "is a link" in refusal(path)


def test_a_bomb_is_refused_from_its_directory(tmp_path: Path) -> None:
    assert "would unpack" in refusal(zipped(tmp_path, whole(), TABLES | {"m.txt": b"0" * 60_000_000}))


def test_many_small_members_that_unpack_beyond_measure_are_refused(tmp_path: Path) -> None:
    bombs = {f"b{i}": b"\0" * 9_000_000 for i in range(4)}
    assert "would unpack to" in refusal(zipped(tmp_path, whole(), TABLES | bombs))


def test_a_name_that_stands_twice_is_refused(tmp_path: Path) -> None:
    path = zipped(tmp_path, whole())
    with zipfile.ZipFile(path, "a") as packed, pytest.warns(UserWarning, match="Duplicate name"):
        packed.writestr("o.txt", b"other")
    assert "stands twice" in refusal(path)


ENTITY = '<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
LAUGHS = '<!DOCTYPE a [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]>'


@pytest.mark.parametrize("head", [ENTITY, LAUGHS, '<!DOCTYPE archive SYSTEM "http://x.example/a.dtd">'])
def test_entities_and_document_types_are_refused(tmp_path: Path, head: str) -> None:
    assert "declares entities or a document type" in refusal(zipped(tmp_path, whole(head=head)))


@pytest.mark.parametrize("place", ["../o.txt", "/etc/passwd", "http://x.example/o.txt", "file:///etc/passwd", ""])
def test_tables_outside_the_archive_are_refused(tmp_path: Path, place: str) -> None:
    assert "a URL or a path outside" in refusal(zipped(tmp_path, whole(META.replace("o.txt", place))))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda m: m.replace("o.txt", "gone.txt"), "'gone.txt'"),
        (lambda m: m + m, "must hold one <core>"),
        (lambda m: m.replace('<coreid index="0"/>', ""), "no <id> or <coreid>"),
        (lambda m: m.replace('<field index="1"', '<field index="-1"', 1), "no column or line number"),
        (lambda m: m.replace('<field index="3"', '<field index="90"', 1), "not what meta.xml says"),
        (lambda m: m.replace("UTF-8", "KLINGON"), "encoding 'KLINGON'"),
        (lambda m: m.replace(f"{DWC}Occurrence", f"{DWC}Taxon"), "archives of occurrences or of events"),
        (lambda m: m.replace("<files>", "<files"), "not readable as XML"),
        (lambda m: m + " " * 2_000_000, "longer than"),
    ],
)
def test_a_broken_meta_xml_gets_one_message(tmp_path: Path, change: Callable[[str], str], message: str) -> None:
    assert re.search(message, refusal(zipped(tmp_path, whole(change(META)))))


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({"o.txt": b"i\tn\ts\tx\n1\t\xff\xfe\t\t\n"}, "is not UTF-8"),
        ({"o.txt": b"i\tn\ts\tx\n1\t" + b"\x01y" * 3_000_000 + b"\t\t\n"}, "would unpack|too long"),
        ({"o.txt": b"i\tn\ts\tx\n1\tIxodes\n"}, "not what meta.xml says"),
        ({"m.txt": b"i\tf\tl\n"}, "no photograph belongs"),
        ({"o.txt": b""}, "no photograph belongs"),
    ],
)
def test_broken_tables_get_one_message(tmp_path: Path, tables: dict[str, bytes], message: str) -> None:
    assert re.search(message, refusal(zipped(tmp_path, whole(), TABLES | tables)))


def test_files_that_are_no_archive_get_one_message(tmp_path: Path) -> None:
    (tmp_path / "set.zip").write_bytes(b"PK\x03\x04 no")
    assert "not readable as a zip" in refusal(tmp_path / "set.zip")
    assert "no such archive" in refusal(tmp_path / "gone.zip")
    (tmp_path / "a").mkdir()
    assert "no meta.xml" in refusal(tmp_path / "a")
    assert "not readable as XML" in refusal(zipped(tmp_path / "a", b""))


def test_a_cut_zip_gets_one_message(tmp_path: Path) -> None:
    path = zipped(tmp_path, whole())
    content = bytearray(path.read_bytes())
    start = content.index(b"o.txt") + 6
    content[start : start + 8] = b"\xff" * 8
    path.write_bytes(content)
    assert re.search("damaged|cannot be read", refusal(path))


def test_one_photograph_that_cannot_be_taken_out_stops_no_import(tmp_path: Path) -> None:
    long = "n" * 300 + ".jpg"
    names = ("a.jpg", "a.jpg/b.jpg", long, "cut.jpg", "c.jpg")
    media = "i\tf\tl\n" + "".join(f"1\t{n}\t\n" for n in names)
    path = zipped(tmp_path, whole(), TABLES | {"m.txt": media.encode()} | dict.fromkeys(names, b"0123456789"))
    content = bytearray(path.read_bytes())
    start = content.index(b"cut.jpg") + 7
    content[start : start + 4] = b"\xff" * 4
    path.write_bytes(content)
    records = take(path, tmp_path / "out")
    faults = {r.fields["photo_id"]: r.fields.get("fault", "") for r in records}
    assert {n: bool(f) for n, f in faults.items()} == {n: n not in ("a.jpg", "c.jpg") for n in names}
    assert "no file can be named" in faults[long]
    assert "damaged" in faults["cut.jpg"]


def test_links_that_lead_out_of_an_archive_folder_are_not_followed(tmp_path: Path) -> None:
    folder = tmp_path / "a"
    folder.mkdir()
    (folder / "meta.xml").write_bytes(whole())
    (folder / "m.txt").write_bytes(TABLES["m.txt"])
    (tmp_path / "secret.txt").write_bytes(TABLES["o.txt"])
    (folder / "o.txt").symlink_to(tmp_path / "secret.txt")
    with pytest.raises(DataError, match="not in the archive"):
        take(folder, tmp_path / "out")


def test_a_media_name_that_climbs_out_is_never_read(tmp_path: Path) -> None:
    media = b"i\tf\tl\n1\t/etc/hostname\t\n1\t../../x.jpg\t\n1\tfile:///etc/hostname\t\n"
    records = take(zipped(tmp_path, whole(), TABLES | {"m.txt": media}), tmp_path / "out")
    assert [bool(r.fields["fault"]) for r in records] == [True] * 3


@pytest.mark.parametrize("name", ["", "/a", "../a", "a/../b", "a\\b", "C:a", "a\0b"])
def test_only_plain_relative_names_are_clean(name: str) -> None:
    assert archive_guard.clean_name(name) is None
    assert archive_guard.clean_name("./p/ö 1.jpg") == "p/ö 1.jpg"
