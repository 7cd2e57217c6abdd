"""What is said when the place that the answer goes to is full, or nobody reads it any more."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = f"{shlex.quote(sys.executable)} -m tickvision info --schema"


def shell(line: str, buffered: bool) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "PYTHONUNBUFFERED": "" if buffered else "1"}
    return subprocess.run(
        ["bash", "-c", f"set -o pipefail; {line}"], env=env, capture_output=True, text=True, timeout=60
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("buffered", [True, False])
def test_an_answer_that_does_not_fit_on_the_disk_is_one_message(buffered: bool) -> None:
    done = shell(f"{COMMAND} > /dev/full", buffered)
    assert done.returncode == 1
    assert done.stderr == (
        "tickvision: what was being read or written: No space left on device. What was finished is kept; "
        "the same command goes on from there.\n"
    )


@pytest.mark.parametrize("buffered", [True, False])
def test_an_answer_that_nobody_reads_ends_without_a_word(buffered: bool) -> None:
    done = shell(f"{COMMAND} | true", buffered)
    assert (done.stdout, done.stderr) == ("", "")


@pytest.mark.parametrize("buffered", [True, False])
def test_decisions_that_nobody_reads_end_without_a_word(package: Path, photographs: Path, buffered: bool) -> None:
    words = shlex.join([sys.executable, "-m", "tickvision", "predict", str(package), str(photographs), "--quiet"])
    done = shell(f"{words} --format jsonl | true", buffered)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
