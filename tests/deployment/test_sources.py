from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from made import jpeg, scene

from tickvision.deployment.reader import Reader, parse_region
from tickvision.deployment.sources import find_photographs
from tickvision.deployment.specimens import group, parse_shard, parse_time, read_list, shard
from tickvision.errors import DataError, ImageError


def photo(seed: int = 0) -> bytes:
    return jpeg(scene((96, 96), seed))


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    with zipfile.ZipFile(tmp_path / "day.zip", "w") as made:
        made.writestr("s1/a.jpg", photo())
        made.writestr("../../up.png", photo(1))
        made.writestr("notes.txt", "no picture")
        made.writestr("__MACOSX/s1/a.jpg", "resource fork")
    return tmp_path / "day.zip"


def test_pictures_in_a_zip_are_found_and_read_without_unpacking(archive: Path) -> None:
    names = find_photographs([str(archive)])
    assert names == [f"{archive}/../../up.png", f"{archive}/s1/a.jpg"]
    with Reader() as reader:
        assert [reader.read(n) for n in names] == [photo(1), photo()]
    assert [p.name for p in archive.parent.iterdir()] == ["day.zip"]


def test_members_that_are_gone_too_large_or_damaged_are_refused(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Reader() as reader:
        with pytest.raises(ImageError, match="missing"):
            reader.read(f"{archive}/nothing.jpg")
        monkeypatch.setattr("tickvision.deployment.reader.MAX_BYTES", 100)
        with pytest.raises(ImageError, match="too_large"):
            reader.read(f"{archive}/s1/a.jpg")
    monkeypatch.undo()
    content = bytearray(archive.read_bytes())
    at = content.index(photo()[:40]) + 200
    content[at : at + 4] = b"\0\1\2\3"
    archive.write_bytes(content)
    with Reader() as reader, pytest.raises(ImageError, match=r"unreadable.*CRC"):
        reader.read(f"{archive}/s1/a.jpg")
    archive.write_bytes(b"PK\3\4 not really")
    with pytest.raises(DataError, match="zip archive"):
        find_photographs([str(archive)])


def test_a_member_that_lies_about_its_size_gives_no_more_than_the_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("a.jpg", b"\0" * 5_000_000)
    content = (tmp_path / "bomb.zip").read_bytes()
    size = (5_000_000).to_bytes(4, "little")
    (tmp_path / "bomb.zip").write_bytes(content.replace(size, (50).to_bytes(4, "little")))
    monkeypatch.setattr("tickvision.deployment.reader.MAX_BYTES", 1000)
    with Reader() as reader, pytest.raises(ImageError):
        reader.read(f"{tmp_path / 'bomb.zip'}/a.jpg")


def test_names_on_stdin_come_by_line_or_by_nul() -> None:
    assert find_photographs(["-"], io.BytesIO(b"a.jpg\nb c.jpg\r\n\n")) == ["a.jpg", "b c.jpg"]
    assert find_photographs(["-"], io.BytesIO("ä\nb.jpg\0c.jpg\0".encode())) == ["ä\nb.jpg", "c.jpg"]


def test_urls_are_read_through_fsspec() -> None:
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    memory.pipe("/bench/a.jpg", photo())
    memory.pipe("/bench/b.txt", b"x")
    assert find_photographs(["memory://bench"]) == ["memory:///bench/a.jpg"]
    assert find_photographs(["memory://bench/*.jpg"]) == ["memory:///bench/a.jpg"]
    with Reader() as reader:
        assert reader.read("memory:///bench/a.jpg") == photo()
        with pytest.raises(ImageError, match="missing"):
            reader.read("memory:///bench/gone.jpg")
    with pytest.raises(DataError, match="cannot be opened"):
        find_photographs(["nosuchkind://bench"])


def test_heic_is_read_with_its_extra_and_explained_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    heif = pytest.importorskip("pillow_heif")
    heif.from_pillow(scene((96, 64))).save(tmp_path / "a.heic", quality=90)
    assert find_photographs([str(tmp_path)]) == [str(tmp_path / "a.heic")]
    with Reader() as reader:
        photo = reader.photo(str(tmp_path / "a.heic"), None)
        assert (photo.width, photo.height) == (96, 64)
        assert photo.pixels[4, 4, 0] > 150 > 100 > photo.pixels[4, 4, 2]
        monkeypatch.setitem(__import__("sys").modules, "pillow_heif", None)
        with pytest.raises(ImageError, match="tickvision\\[heic\\]"):
            reader.photo(str(tmp_path / "a.heic"), None)


def test_a_list_carries_regions_and_the_time_of_removal(tmp_path: Path) -> None:
    table = tmp_path / "day.csv"
    table.write_text(
        "file,specimen_id,region,removed_at\n"
        "a.jpg,t1,0.1 0.2 0.5 0.5,2026-05-03T18:30\nb.jpg,t1,,\ns3://box/c.jpg,t2,,\n",
        encoding="utf-8",
    )
    one, two = read_list(table)
    assert one.regions == ((0.1, 0.2, 0.5, 0.5), None)
    assert one.removed_at == "2026-05-03T18:30"
    assert two.paths == ("s3://box/c.jpg",)


def test_two_times_of_removal_of_one_specimen_are_told(tmp_path: Path) -> None:
    (tmp_path / "day.csv").write_text(
        "file,specimen_id,removed_at\na.jpg,t,2026-05-03T18:30\nb.jpg,t,2026-05-01T08:00\n", encoding="utf-8"
    )
    with pytest.raises(DataError, match="specimen 't' is both 2026-05-03T18:30 and 2026-05-01T08:00"):
        read_list(tmp_path / "day.csv")


def test_an_archive_is_found_behind_any_letters_and_in_a_folder_called_zip(tmp_path: Path) -> None:
    for folder in ("İzmir", "old.zip"):  # the small form of the first letter is two characters long
        (tmp_path / folder).mkdir()
        held = tmp_path / folder / "Day.ZIP"
        with zipfile.ZipFile(held, "w") as archive:
            archive.writestr("a.jpg", photo())
        with Reader() as reader:
            assert reader.read(f"{held}/a.jpg") == photo()


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("a.jpg,t,0.5 0.5 0.9 0.1,", "line 2.*not lie inside"),
        ("a.jpg,t,0.5 0.5,", "line 2"),
        ("a.jpg,t,,yesterday", "line 2: 'yesterday' is no time"),
        ("a.jpg,t,,2026-05-03", "date without a time"),
        (",t,,", "line 2: no file"),
    ],
)
def test_a_wrong_cell_is_named_with_its_line(tmp_path: Path, row: str, message: str) -> None:
    (tmp_path / "day.csv").write_text(f"file,specimen_id,region,removed_at\n{row}\n", encoding="utf-8")
    with pytest.raises(DataError, match=message):
        read_list(tmp_path / "day.csv")


def test_a_pattern_in_the_name_tells_the_specimen() -> None:
    paths = ["x/t1-a.jpg", "y/t1-b.jpg", "x/t2-a.jpg", "x/odd.jpg"]
    found = group(paths, r"(.+)-[ab]\.jpg")
    assert [(s.specimen_id, len(s.paths)) for s in found] == [("t1", 2), ("t2", 1), ("x/odd.jpg", 1)]
    for wrong, message in (("(", "not a regular expression"), ("specimen", "neither photo nor folder")):
        with pytest.raises(DataError, match=message):
            group(paths, wrong)


@pytest.mark.parametrize("of", [1, 2, 3, 7, 20])
def test_shards_are_the_whole_list_in_its_order(of: int) -> None:
    specimens = group([f"{i}.jpg" for i in range(11)], "photo")
    assert [s for number in range(1, of + 1) for s in shard(specimens, number, of)] == specimens


@pytest.mark.parametrize("text", ["0/2", "3/2", "1", "a/b", "1/0", "-1/2"])
def test_a_wrong_shard_is_refused(text: str) -> None:
    with pytest.raises(DataError, match="expected i/n"):
        parse_shard(text)


def test_regions_and_times_are_read() -> None:
    assert parse_region("0,0,1,1") == (0, 0, 1, 1)
    assert parse_region(" ") is None
    assert parse_time("2026-05-03T18:30+02:00").utcoffset() is not None


def test_a_name_that_our_own_table_guards_is_found_in_a_list(tmp_path: Path) -> None:
    (tmp_path / "day.csv").write_text("file,specimen_id\n'=a.jpg,'=a\n", encoding="utf-8")
    (one,) = read_list(tmp_path / "day.csv")
    assert (one.specimen_id, one.paths) == ("=a", (str(tmp_path / "=a.jpg"),))
