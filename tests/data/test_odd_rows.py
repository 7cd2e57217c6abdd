"""Rows, folders, answers and caches that are not what they should be, as a user or a server hands them over."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made import scene
from test_fetch import LIMITS, PHOTO, Server, bring, server
from test_import import HEADER, take, write

from tickvision.data import audit, fetch, ingest, mapping, pictures, sources
from tickvision.errors import DataError
from tickvision.images.prepare import Prepare

__all__ = ["server"]


def test_a_use_that_is_none_leaves_the_photograph_out_and_says_why(tmp_path: Path) -> None:
    text = HEADER.replace("\n", ",use\n") + "p0.jpg,s0,Ixodes,adult,,CC0-1.0,maybe\np1.jpg,s1,Ixodes,adult,,CC0-1.0,\n"
    frame, findings = take(write(tmp_path, text))
    assert list(frame["status"]) == ["unknown_value", "ok"]
    assert "use 'maybe' is neither blank nor 'train' nor 'test'" in [f.message for f in findings]


@pytest.mark.parametrize("written", ["not a tick", "Not a  Tick", "NOT A TICK"])
def test_what_is_no_tick_is_a_label_of_its_own_without_stage_or_sex(tmp_path: Path, written: str) -> None:
    text = HEADER + f"p0.jpg,s0,{written},adult,male,CC0-1.0\n"
    frame, findings = take(write(tmp_path, text), non_target="not a tick")
    assert list(frame.loc[0, ["status", "scientific_name", "life_stage", "sex"]]) == ["ok", "not a tick", "", ""]
    assert not [f for f in findings if f.severity == "error"]


def test_a_tiny_picture_is_a_warning_with_its_size(tmp_path: Path) -> None:
    scene((64, 200)).save(tmp_path / "small.png")
    scene((200, 200)).save(tmp_path / "fine.png")
    names = ["small.png", "fine.png"]
    frame = pd.DataFrame({"photo_id": names, "path": [str(tmp_path / n) for n in names], "region": ""})
    looks = pictures.build(frame, tmp_path / "cache", Prepare(32), 1, lambda *_: None).looks
    tiny = [f for f in audit._picture_findings(looks) if f.finding == "tiny"]
    assert [(f.photo_id, f.severity, f.message) for f in tiny] == [("small.png", "warning", "64 x 200 pixels")]


def test_photographs_that_were_given_other_ids_are_known_by_them_without_being_decoded_again(tmp_path: Path) -> None:
    scene().save(tmp_path / "a.png")
    frame = pd.DataFrame({"photo_id": ["old"], "path": [str(tmp_path / "a.png")], "region": ""})
    first = pictures.build(frame, tmp_path / "cache", Prepare(32), 1, lambda *_: None)
    before, sharpness = np.array(first.squares), first.looks["sharpness"].tolist()
    renamed = frame.assign(photo_id="new")
    for progress in (lambda *_: None, lambda *_: pytest.fail("written again")):
        again = pictures.build(renamed, tmp_path / "cache", Prepare(32), 1, progress)
        assert again.looks["photo_id"].tolist() == ["new"]
        assert again.looks["sharpness"].tolist() == sharpness
        assert (np.asarray(again.squares) == before).all()


def test_a_folder_that_is_not_there_or_holds_no_picture_is_named(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"nothing: no such folder \(data\.path\)"):
        list(sources.read_folder(tmp_path / "nothing", "{taxon}/*"))
    (tmp_path / "notes.txt").write_text("no picture", encoding="utf-8")
    with pytest.raises(DataError, match=r"no pictures below this folder \(.*\.jpg"):
        list(sources.read_folder(tmp_path, "{taxon}/*"))


def test_a_photograph_of_a_kind_that_is_not_read_is_a_row_with_its_reason(tmp_path: Path) -> None:
    (tmp_path / "Ixodes").mkdir()
    scene().save(tmp_path / "Ixodes" / "s1.jpg")
    (tmp_path / "Ixodes" / "s2.HEIC").write_bytes(b"phone")
    (tmp_path / "notes.txt").write_text("no picture", encoding="utf-8")
    for pattern in ("{taxon}/{specimen}.jpg", "{taxon}/{specimen}"):
        frame, _ = ingest.ingest(sources.read_folder(tmp_path, pattern), tmp_path, "ticks")
        assert list(frame["status"]) == ["ok", "missing"]
        assert ".HEIC is not read here; save it as JPEG" in frame["reason"][1]
    (tmp_path / "Ixodes" / "s1.jpg").unlink()
    with pytest.raises(DataError, match="no pictures below this folder"):
        list(sources.read_folder(tmp_path, "{taxon}/{specimen}"))


def test_a_specimen_is_counted_once_by_the_fullest_of_its_labels() -> None:
    rows = [("1", "Ixodes", "genus", "", ""), ("1", "Ixodes cookei", "species", "nymph", ""),
            ("2", "Ixodes cookei", "species", "nymph", "")]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["specimen_id", "scientific_name", "taxon_rank", "life_stage", "sex"])
    assert audit.coverage(frame) == [
        {"scientific_name": "Ixodes cookei", "life_stage": "nymph", "sex": "", "specimens": 2}
    ]


def test_a_mapping_longer_than_any_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_text("#" * (mapping.MAX_BYTES + 1), encoding="utf-8")
    with pytest.raises(DataError, match="longer than 1,000,000 bytes; that is no mapping"):
        mapping.read_mapping(tmp_path / "m.toml", {}, {})


def test_squares_of_another_size_or_number_are_never_taken_for_these(tmp_path: Path) -> None:
    for i in range(3):
        scene(seed=i).save(tmp_path / f"{i}.png")
    frame = pd.DataFrame(
        {"photo_id": list("abc"), "path": [str(tmp_path / f"{i}.png") for i in range(3)], "region": ""}
    )
    cache = tmp_path / "cache"
    pictures.build(frame, cache, Prepare(48), 1, lambda *_: None)
    assert pictures.build(frame, cache, Prepare(32), 1, lambda *_: None).squares.shape == (3, 32, 32, 3)
    fresh = np.array(np.load(cache / "pictures.npy"))
    np.save(cache / "pictures.npy", fresh[:2])  # as a copy that was cut off leaves it
    assert (pictures.build(frame, cache, Prepare(32), 1, lambda *_: None).squares == fresh).all()


@pytest.mark.parametrize("said", ["abc", "-5", "1e3", ""])
def test_a_length_that_is_no_number_costs_one_photograph_at_most(
    tmp_path: Path, server: str, monkeypatch: pytest.MonkeyPatch, said: str
) -> None:
    def answer(self: Server) -> None:
        more = [("Content-Length", said)] if self.path == "/odd.jpg" else []
        self._send(200, PHOTO, "image/jpeg", more, length=not more)

    monkeypatch.setattr(Server, "do_GET", answer)
    counts = bring(tmp_path, f"{server}/odd.jpg", f"{server}/a.jpg")
    assert counts["ok"] >= 1
    assert counts["ok"] + counts.get("failed", 0) == 2


def test_a_photograph_that_trickles_in_for_too_long_is_given_up(tmp_path: Path, server: str) -> None:
    # RFC 9110 sets no time for a body: a server may send a byte a minute for ever
    counts = bring(tmp_path, f"{server}/a.jpg", limits=replace(LIMITS, longest_s=-1.0))
    assert counts["failed"] == 1
    assert "took longer than -1 s" in (tmp_path / fetch.INDEX).read_text(encoding="utf-8")
