"""A tiny drawn job for the fault scripts: its commands in forked processes, and what of its files must be the same.

Drawn specimens, not for identification.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import shutil
import sys
import traceback
import zipfile
from collections.abc import Callable
from pathlib import Path

os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NO_ALBUMENTATIONS_UPDATE": "1"}

STAGES = ("import", "check", "split", "train", "calibrate", "evaluate", "package", "predict")


def draw(work: Path, specimens: int) -> dict[str, list[str]]:
    """Draw the set into work/drawn, once, and return the words of each stage's command; they write to work/out."""
    log, out, drawn, job = work / "log.txt", work / "out", work / "drawn", work / "job.toml"
    if not (drawn / "labels.csv").is_file():
        code = walk(["demo", str(drawn), "--specimens", str(specimens), "--quiet"], log)
        assert code == 0, f"the set could not be drawn; see {log}"
    job.write_text(
        'name = "faults"\noutput = "out/run"\n[bench]\ndrawn = true\n[data]\npath = "drawn/labels.csv"\n'
        'columns = { source = "device" }\n[taxonomy]\nnon_target = "not a tick"\n[picture]\nsize_px = 96\n'
        "[train]\nepochs = 1\nworkers = 1\n",
        encoding="utf-8",
    )
    words = {stage: [stage, str(job), "--quiet"] for stage in STAGES[:-1]} | {"run": ["run", str(job), "--quiet"]}
    words["predict"] = [
        "predict", str(out / "run/package"), str(drawn / "photographs"), "--format", "jsonl", "--output",
        str(out / "day.jsonl"), "--resume", "--quiet",
    ]  # fmt: skip
    return words


def preload() -> None:
    """Import what the stages need, once: the children are forked with it, and a stage then takes a second."""
    import albumentations  # noqa: F401
    import matplotlib.pyplot  # noqa: F401
    import onnx  # noqa: F401
    import onnxruntime  # noqa: F401
    import scipy.linalg  # noqa: F401
    import torch

    import tickvision.cli
    import tickvision.deployment.package
    import tickvision.evaluation.evaluate
    import tickvision.training.session  # noqa: F401

    torch.set_num_threads(1)


def start(
    words: list[str], log: Path, before: Callable[[], object] | None = None, after: Callable[[], object] | None = None
) -> int:
    """Run a command of tickvision in a child process and return its number. before, after: called in the child."""
    child = os.fork()
    if child:
        return child
    code = 1
    try:
        handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        os.dup2(handle, 1)
        os.dup2(handle, 2)
        sys.argv = ["tickvision", *words]
        if before is not None:
            before()
        from tickvision.__main__ import main

        code = _code(main)
        if after is not None:
            after()
    finally:
        os._exit(code)


def _code(main: Callable[[], None]) -> int:
    try:
        main()
    except SystemExit as end:
        return int(end.code or 0)
    except BaseException:  # the child ends before Python would print it, and who reads the log looks for it
        traceback.print_exc()
        return 1
    return 0


def end(child: int) -> int:
    """Wait for a child and return its exit code, -9 where it was killed."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def walk(words: list[str], log: Path, before: Callable[[], object] | None = None) -> int:
    """Run a command to its end and return its exit code."""
    return end(start(words, log, before))


def contents(folder: Path) -> dict[str, str]:
    """Return file -> hash of what must be the same after a kill."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(steady(path)).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "checkpoint.safetensors"
    }


def steady(path: Path) -> bytes:
    """Return the bytes of a file without what tells when, or how fast, it was made."""
    held = path.read_bytes()
    if path.name == "history.csv":
        rows = [line.split(b",") for line in held.splitlines()]
        kept = [i for i, name in enumerate(rows[0]) if name != b"photos_per_s"]
        return b"\n".join(b",".join(row[i] for i in kept) for row in rows)
    if path.suffix in (".npz", ".zip"):
        with zipfile.ZipFile(io.BytesIO(held)) as archive:
            return b"".join(n.encode() + archive.read(n) for n in sorted(archive.namelist()))
    if path.suffix in (".html", ".svg", ".json", ".md"):
        held = re.sub(rb'"photos_per_s": [0-9.e+-]+', b"", held)
        return re.sub(rb"<dc:date>[^<]*</dc:date>", b"", held)
    return held


def restore(snapshot: Path, folder: Path) -> None:
    """Make the folder what it was, times of files included."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(snapshot, folder)
