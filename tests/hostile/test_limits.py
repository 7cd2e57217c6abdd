"""What unpacks, or claims to, is bounded before it is unpacked."""

from __future__ import annotations

import io
import struct
import threading
import time
import zipfile
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from made import png, scene
from PIL import Image

from tickvision.data.archive_guard import Archive
from tickvision.deployment.reader import Reader
from tickvision.errors import DataError, ImageError
from tickvision.images import decode


@pytest.mark.parametrize("size", [(14_143, 14_143), (2**31 - 1, 8), (100_000, 2_001)])
def test_a_picture_beyond_the_limit_is_refused_from_its_header(size: tuple[int, int]) -> None:
    start = time.process_time()
    with pytest.raises(ImageError) as caught:
        decode.decode(png(*size, rows=0))
    assert caught.value.status == "too_large"
    assert "at most 200,000,000 in all are decoded" in caught.value.reason
    assert time.process_time() - start < 1


def test_large_pictures_are_decoded_one_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    inside, most = 0, 0
    guard = threading.Lock()
    to_rgb = decode._to_rgb

    def counted(picture: Image.Image) -> Image.Image:
        nonlocal inside, most
        with guard:
            inside += 1
            most = max(most, inside)
        time.sleep(0.02)
        with guard:
            inside -= 1
        return to_rgb(picture)

    monkeypatch.setattr(decode, "_to_rgb", counted)
    out = io.BytesIO()
    scene((40, 40)).save(out, "PNG")

    def most_inside(limit: int) -> int:
        nonlocal most
        most = 0
        monkeypatch.setattr(decode, "LARGE_PIXELS", limit)
        with ThreadPoolExecutor(4) as pool:
            assert len(list(pool.map(decode.decode, [out.getvalue()] * 8))) == 8
        return most

    assert most_inside(1_599) == 1
    assert most_inside(1_600) > 1


def test_a_large_picture_that_is_broken_lets_the_next_one_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decode, "LARGE_PIXELS", 100)
    out = io.BytesIO()
    scene((40, 40)).save(out, "PNG")
    for _ in range(2):
        with pytest.raises(ImageError, match="truncated"):
            decode.decode(out.getvalue()[: len(out.getvalue()) // 2])
    assert decode.decode(out.getvalue()).width == 40


def test_a_text_chunk_that_bursts_is_no_picture_or_a_small_one() -> None:
    """PNG's compressed text: Pillow's own limit (1 MB a chunk) holds; 100 MB of spaces are not kept."""
    out = io.BytesIO()
    scene((40, 40)).save(out, "PNG")
    whole = out.getvalue()
    body = b"Comment\0\0" + zlib.compress(b" " * 100_000_000, 9)
    bomb = struct.pack(">I", len(body)) + b"zTXt" + body + struct.pack(">I", zlib.crc32(b"zTXt" + body))
    with pytest.raises(ImageError, match="unreadable"):
        decode.decode(whole[:33] + bomb + whole[33:])


@pytest.mark.parametrize("kind", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_an_archive_packed_in_a_rare_way_is_refused(tmp_path: Path, kind: int) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w", kind) as packed:
        packed.writestr("meta.xml", "<archive/>")
    with pytest.raises(DataError, match="only deflate"):
        Archive(tmp_path / "a.zip")


def test_a_member_that_lies_about_its_size_is_not_unpacked_beyond_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tickvision.deployment.reader.MAX_BYTES", 1000)
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("a.jpg", b"\0" * 100_000)
    content = (tmp_path / "a.zip").read_bytes()
    lie = content.replace(struct.pack("<I", 100_000), struct.pack("<I", 900))
    assert lie != content
    (tmp_path / "a.zip").write_bytes(lie)
    with Reader() as reader, pytest.raises(ImageError, match="unreadable"):
        reader.read(f"{tmp_path / 'a.zip'}/a.jpg")
