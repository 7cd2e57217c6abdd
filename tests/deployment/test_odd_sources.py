"""Archives, other machines and files of answers that misbehave while photographs are read."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import pytest
from test_outputs import decision
from test_sources import photo

from tickvision.deployment import reader, records, sources
from tickvision.deployment.reader import Reader
from tickvision.errors import DataError, ImageError, OutputError

fsspec = pytest.importorskip("fsspec")


def test_more_archives_than_are_kept_open_are_read_in_turn(tmp_path: Path) -> None:
    paths = [tmp_path / f"{i}.zip" for i in range(reader.OPEN_ARCHIVES + 3)]
    for i, path in enumerate(paths):
        with zipfile.ZipFile(path, "w") as made:
            made.writestr("a.jpg", photo(i))
    with Reader() as one:
        for _ in range(2):  # the first ones have been closed meanwhile
            assert [one.read(f"{p}/a.jpg") for p in paths] == [photo(i) for i in range(len(paths))]
        assert len(one._archives) == reader.OPEN_ARCHIVES


def test_an_archive_of_too_many_members_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sources, "MAX_MEMBERS", 3)
    with zipfile.ZipFile(tmp_path / "day.zip", "w") as made:
        for i in range(4):
            made.writestr(f"{i}.jpg", b"x")
    with pytest.raises(DataError, match=r"day\.zip: 4 members, at most 3 are read from one archive"):
        sources.find_photographs([str(tmp_path / "day.zip")])


@pytest.mark.parametrize(
    ("fault", "status", "reason"),
    [
        (PermissionError("403"), "denied", "no permission to read the file"),
        (TimeoutError("no answer in 30 s"), "unreadable", "TimeoutError: no answer in 30 s"),
        (type("BucketError", (Exception,), {})("x" * 500), "unreadable", "BucketError: xxx"),
    ],
)
def test_a_storage_that_fails_costs_one_photograph(
    monkeypatch: pytest.MonkeyPatch, fault: Exception, status: str, reason: str
) -> None:
    def fail(*_: object, **__: object) -> Any:
        raise fault

    monkeypatch.setattr(type(fsspec.filesystem("memory")), "open", fail)
    with Reader() as one, pytest.raises(ImageError) as refusal:
        one.read("memory:///bench/a.jpg")
    assert refusal.value.status == status
    assert refusal.value.reason.startswith(reason)
    assert len(refusal.value.reason) <= 200


def test_a_storage_that_cannot_be_listed_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> Any:
        raise ConnectionError("refused")

    monkeypatch.setattr(type(fsspec.filesystem("memory")), "isdir", fail)
    with pytest.raises(DataError, match=r"memory://bench: cannot be listed \(ConnectionError: refused\)"):
        sources.find_photographs(["memory://bench"])


def test_a_single_photograph_elsewhere_is_taken_as_it_is_named() -> None:
    fsspec.filesystem("memory").pipe("/bench/one", b"x")
    assert sources.find_photographs(["memory://bench/one"]) == ["memory://bench/one"]


@pytest.mark.parametrize(("kept", "torn"), [("{}\n", "x" * 200_000), ("", "x" * 200_000), ("{}\n{}\n", "")])
def test_a_torn_line_of_any_length_is_cut_off(tmp_path: Path, kept: str, torn: str) -> None:
    path = tmp_path / "day.jsonl"
    path.write_text(kept + torn, encoding="utf-8")
    records._cut_torn_line(path)
    assert path.read_text(encoding="utf-8") == kept


def test_a_time_at_the_end_of_the_calendar_is_told_with_its_line(tmp_path: Path) -> None:
    form = decision().to_dict() | {"removed_at": "9999-12-31T00:00"}
    (tmp_path / "day.jsonl").write_text(json.dumps(form) + "\n", encoding="utf-8")
    with pytest.raises(OutputError, match=r"line 1: no decision in JSON \(ValueError: removed_at"):
        list(records.read(tmp_path / "day.jsonl", "m 1"))


def test_answers_that_are_no_text_are_refused(tmp_path: Path) -> None:
    (tmp_path / "day.jsonl").write_bytes(b"\xff\xfe{}\n")
    with pytest.raises(OutputError, match=r"day\.jsonl: cannot be read"):
        list(records.read(tmp_path / "day.jsonl", "m"))
