"""The command on a folder of all that can go wrong: one row each with a reason, and never more than that one lost."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from made import TURNS, scene

from tickvision import predict_command
from tickvision.deployment import load
from tickvision.errors import DataError, OutputError
from tickvision.images import decode

NAMES = ("line\nbreak.jpg", "smörgås ♀.jpg", 'comma, quote".jpg', "=formula.jpg", "-dash.jpg", "tab\t.jpg")


@pytest.fixture
def trouble(awkward: dict[str, Path]) -> Path:
    folder = awkward["empty.jpg"].parent
    (folder / "broken link.jpg").symlink_to(folder / "nowhere.jpg")
    (folder / "itself.jpg").symlink_to(folder / "itself.jpg")
    (folder / "circle").symlink_to(folder, target_is_directory=True)
    os.mkfifo(folder / "pipe.jpg")
    (folder / "a folder.jpg").mkdir()
    return folder


def test_every_troublesome_file_is_a_row_and_the_exit_code_tells(
    package: Path, trouble: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    failed = predict_command.run([str(package), str(trouble), "--format", "jsonl", "--quiet"])
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    status = {Path(r["specimen_id"]).name: r["photographs"][0]["status"] for r in rows}
    assert {n: s for n, s in status.items() if s != "ok"} == {
        "truncated.jpg": "truncated",
        "empty.jpg": "empty",
        "text.jpg": "unreadable",
        "huge_header.png": "too_large",
        "broken link.jpg": "missing",
        "itself.jpg": "missing",
        "pipe.jpg": "missing",
    }
    assert failed == 7
    assert len(status) == len(rows) == 13  # the folder inside and the circle hold nothing new; a GIF is not looked for
    assert all(p["reason"] for r in rows for p in r["photographs"] if p["status"] != "ok")


@pytest.mark.parametrize("form", ["csv", "dwc", "jsonl", "table", "html", "dwca"])
def test_odd_names_come_back_as_they_are_or_stay_harmless(package: Path, tmp_path: Path, form: str) -> None:
    day = tmp_path / "day"
    day.mkdir()
    for name in NAMES:
        scene((80, 80)).save(day / name, format="JPEG")
    out = tmp_path / "out"
    names = predict_command.parser().parse_intermixed_args([str(package), "--", *(str(day / n) for n in NAMES)])
    assert names.photographs == [str(day / n) for n in NAMES]
    assert predict_command.run([str(package), str(day), "--format", form, "--output", str(out), "--quiet"]) == 0
    if form == "dwca":
        from dwca.read import DwCAReader

        with DwCAReader(str(out)) as archive:
            read = [row.data["http://rs.tdwg.org/dwc/terms/organismID"] for row in archive]
        assert sorted(read) == sorted(" ".join(str(day / n).splitlines()) for n in NAMES)
        return
    text = out.read_text(encoding="utf-8")
    if form == "jsonl":
        assert {json.loads(line)["specimen_id"] for line in text.splitlines()} == {str(day / n) for n in NAMES}
    elif form in ("csv", "dwc"):
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
        assert len(rows) == len(NAMES)
        assert {r["associatedMedia"] if form == "dwc" else r["specimen_id"] for r in rows} >= {
            str(day / n) for n in NAMES if "\n" not in n
        }
    elif form == "table":
        assert "\t" not in text
        assert "\x1b" not in text
    else:
        assert "line\nbreak.jpg" in text


@pytest.mark.parametrize("turn", TURNS)
def test_a_turned_photograph_is_answered_as_the_upright_one(package: Path, turned, turn: int) -> None:  # type: ignore[no-untyped-def]
    predictor = load(package)
    upright, other = predictor.predict([turned(1), turned(turn)])
    assert other.confidence == upright.confidence
    assert other.shortlist == upright.shortlist


def test_a_file_that_vanishes_and_one_that_may_not_be_read_are_rows(
    package: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("good.jpg", "gone.jpg", "locked.jpg"):
        scene((80, 80)).save(tmp_path / name)
    read = Path.read_bytes

    def guarded(path: Path) -> bytes:
        if path.name == "locked.jpg":  # the tests may run as root, whom no permission stops
            raise PermissionError(13, "Permission denied")
        if path.name == "gone.jpg":
            path.unlink()
        return read(path)

    monkeypatch.setattr(decode.Path, "read_bytes", guarded)
    decisions = load(package).predict(sorted(tmp_path.glob("*.jpg")))
    assert [d.photographs[0].status for d in decisions] == ["missing", "ok", "denied"]


def test_a_source_that_breaks_in_the_middle_keeps_what_was_answered(package: Path, tmp_path: Path) -> None:
    scene((80, 80)).save(tmp_path / "a.jpg")

    def names() -> Iterator[Path]:
        yield from [tmp_path / "a.jpg"] * 100
        raise DataError("the list breaks off")

    answered = 0
    with pytest.raises(DataError, match="breaks off"):
        for _ in load(package).stream(names()):
            answered += 1
    assert answered > 0


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["day"], "no pictures in this folder"),
        ([], "no photographs"),
        (["--list", "nowhere.csv"], "cannot be read as a list of photographs"),
        (["x.jpg", "--list", "nowhere.csv"], "leave out 'x.jpg'"),
        (["x.jsonl", "--merge", "--removed-at", "2026-05-03T18:30"], "leave out the other options"),
        (["x.jpg", "--shard", "3/2"], "expected i/n"),
        (["x.jpg", "--removed-at", "yesterday"], "--removed-at 'yesterday' is no time"),
        (["day", "--group-by", "("], "not a regular expression"),
        (["day", "--format", "dwca"], "name it with --output"),
        (["day", "--resume"], "--resume goes with"),
    ],
)
def test_what_cannot_be_done_is_refused_in_one_message(
    package: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "day").mkdir()
    with pytest.raises(DataError, match=message):
        predict_command.run([str(package), *words])


@pytest.mark.parametrize(
    ("words", "kept"),
    [
        (["a.jpg", "--output", "b.jpg"], "b.jpg"),
        (["--list", "day.csv", "--format", "csv", "--output", "day.csv"], "day.csv"),
        (["a.jsonl", "b.jsonl", "--merge", "--json", "--overwrite", "--output", "a.jsonl"], "a.jsonl"),
        (["a.jpg", "--json", "--resume", "--output", "notes.txt"], "notes.txt"),
        (["a.jpg", "--json", "--resume", "--output", "line.txt"], "line.txt"),
    ],
)
def test_what_would_be_lost_by_writing_is_refused_and_kept(
    package: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], kept: str
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, text in (("notes.txt", "one\nlast"), ("line.txt", "a line"), ("day.csv", "file,specimen_id\na.jpg,s\n")):
        (tmp_path / name).write_text(text, encoding="utf-8")
    for name in "ab":
        scene((80, 80)).save(tmp_path / f"{name}.jpg")
        assert predict_command.run([str(package), f"{name}.jpg", "--json", "--output", f"{name}.jsonl", "--quiet"]) == 0
    before = (tmp_path / kept).read_bytes()
    with pytest.raises(OutputError, match=kept):
        predict_command.run([str(package), *words, "--quiet"])
    assert (tmp_path / kept).read_bytes() == before


@pytest.mark.parametrize("form", ["csv", "dwc", "jsonl", "table", "html", "dwca"])
def test_a_name_that_is_no_utf_8_costs_no_run(package: Path, tmp_path: Path, form: str) -> None:
    odd = tmp_path / os.fsdecode(b"n\xff.jpg")
    scene((80, 80)).save(odd, format="JPEG")
    out = tmp_path / "out"
    words = [str(package), str(odd), "--format", form, "--output", str(out), "--quiet"]
    assert predict_command.run(words) == 0
    if form == "jsonl":
        assert json.loads(out.read_text(encoding="utf-8"))["specimen_id"] == str(odd)
        assert predict_command.run([*words, "--resume"]) == 0
        assert len(out.read_text(encoding="utf-8").splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--format", "csvv"], "'csvv' is none of table, csv, jsonl, dwc, dwca, html. Did you mean 'csv'?"),
        (["--exlain=x"], "no such option: --exlain=x. Did you mean '--explain'?"),
        (["--port", "99999"], "'99999' is no port"),
        (["--threads", "-1"], "--threads"),
        ([], "PACKAGE"),
    ],
)
def test_wrong_usage_ends_with_two(words: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        predict_command.run(words and ["package", "day", *words])
    assert stop.value.code == 2
    said = capsys.readouterr().err
    assert "usage: tickvision predict" in said
    assert message in said
