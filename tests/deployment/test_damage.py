"""What a bad day does to predict: damaged photographs, too little memory, kills, a clock set back, a locked package."""

from __future__ import annotations

import json
import random
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from damaged import gallery
from PIL import Image

from tickvision import predict_command
from tickvision.deployment import load

STATUSES = {"ok", "truncated", "unreadable", "empty", "too_large"}
MEMORY = 512 * 1024**2


def test_three_hundred_damaged_photographs_are_three_hundred_rows(
    package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = [str(tmp_path / f"{number:03d}.jpg") for number in range(300)]  # the suffix says nothing
    for name, one in zip(names, gallery(300), strict=True):
        Path(name).write_bytes(one.content)
    failed = predict_command.run([str(package), str(tmp_path), "--format", "jsonl", "--quiet"])
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    photos = [photo for row in rows for photo in row["photographs"]]
    assert [photo["path"] for photo in photos] == names
    assert {photo["status"] for photo in photos} <= STATUSES
    assert all(photo["reason"] for photo in photos if photo["status"] != "ok")
    assert failed == sum(photo["status"] != "ok" for photo in photos)
    assert 60 < failed < 300  # the damage is real, and flipped pixels of an uncompressed picture are still a picture


def _command(*words: object) -> list[str]:
    return [sys.executable, "-m", "tickvision.__main__", "predict", *map(str, words), "--quiet"]


def _bounded() -> None:
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))


def test_half_a_gigabyte_of_memory_is_enough_and_what_needs_more_is_one_row(
    package: Path, photographs: Path, tmp_path: Path
) -> None:
    shutil.copy(sorted(photographs.iterdir())[0], tmp_path / "a.jpg")
    Image.new("L", (15_000, 13_000)).save(tmp_path / "b.png", compress_level=1)  # 780 MB as colours
    shutil.copy(sorted(photographs.iterdir())[1], tmp_path / "c.jpg")
    words = _command(package, tmp_path, "--format", "jsonl", "--threads", 2)
    done = subprocess.run(words, capture_output=True, text=True, preexec_fn=_bounded)
    assert done.returncode == 3, done.stderr
    status = [json.loads(line)["photographs"][0]["status"] for line in done.stdout.splitlines()]
    assert status == ["ok", "too_large", "ok"]


def test_killed_at_any_moment_and_gone_on_with_is_the_same_file(
    package: Path, photographs: Path, tmp_path: Path
) -> None:
    whole, out = tmp_path / "whole.jsonl", tmp_path / "day.jsonl"
    words = [package, photographs, "--format", "jsonl", "--threads", 1]
    subprocess.run(_command(*words, "--output", whole), check=True)
    rng, kills = random.Random(3), 0
    for _ in range(20):
        process = subprocess.Popen(_command(*words, "--output", out, "--resume"), stderr=subprocess.DEVNULL)
        try:
            process.wait(rng.uniform(0.2, 1.2))
        except subprocess.TimeoutExpired:
            process.kill()
            kills += process.wait() == -signal.SIGKILL
            continue
        break
    subprocess.run(_command(*words, "--output", out, "--resume"), check=True)
    assert kills > 0
    ours, expected = (
        [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()] for path in (out, whole)
    )
    assert [row["specimen_id"] for row in ours] == [row["specimen_id"] for row in expected]
    assert [(r["state"], r["scientific_name"], r["sex"]) for r in ours] == [
        (r["state"], r["scientific_name"], r["sex"]) for r in expected
    ]
    assert [r["confidence"] for r in ours] == pytest.approx([r["confidence"] for r in expected], abs=2e-4)


def test_a_polite_stop_keeps_whole_lines_and_says_how_to_go_on(
    package: Path, photographs: Path, tmp_path: Path
) -> None:
    many = tmp_path / "many"
    for copy in range(8):
        shutil.copytree(photographs, many / str(copy))
    out = tmp_path / "day.jsonl"
    words = _command(package, many, "--format", "jsonl", "--threads", 1, "--output", out)
    process = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 60
    while (not out.exists() or out.stat().st_size < 50_000) and time.monotonic() < deadline:
        time.sleep(0.005)
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 128 + signal.SIGTERM
    assert "Traceback" not in said
    assert "--resume" in said
    lines = out.read_bytes().split(b"\n")
    assert lines[-1] == b""
    assert all(json.loads(line)["caution"] for line in lines[:-1])


def test_a_clock_that_is_set_back_changes_nothing(
    package: Path, photographs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = [str(package), str(photographs), "--format", "csv", "--output"]
    predict_command.run([*words, str(tmp_path / "before.csv")])
    times = iter(range(10**9, 0, -3600))
    monkeypatch.setattr(time, "time", lambda: float(next(times)))
    predict_command.run([*words, str(tmp_path / "after.csv")])
    assert (tmp_path / "after.csv").read_bytes() == (tmp_path / "before.csv").read_bytes()


def test_nothing_is_written_into_a_package(package: Path, photographs: Path) -> None:
    """As root no permission stops a writer, so what is looked at is the folder itself."""
    before = {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in package.iterdir()}
    modes = {p: p.stat().st_mode for p in (package, *package.iterdir())}
    try:
        for path in modes:
            path.chmod(0o555 if path.is_dir() else 0o444)
        assert load(package).predict([sorted(photographs.iterdir())[0]])[0].caution
        assert {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in package.iterdir()} == before
    finally:
        for path, mode in modes.items():
            path.chmod(mode)
