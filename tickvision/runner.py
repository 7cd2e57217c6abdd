"""Walk the stages of a job and skip those whose inputs have not changed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from contextlib import AbstractContextManager

from tickvision import __version__
from tickvision.config import Config
from tickvision.progress import Progress
from tickvision.stages import calibrating, checking, evaluating, importing, packaging, splitting, training
from tickvision.whole_files import write_text
from tickvision.workplace import FILES, Paths, open_output

STAGES = ("import", "check", "split", "train", "calibrate", "evaluate", "package")
Stage = Callable[[Config, Paths, Progress], list[str]]
FUNCTIONS: dict[str, Stage] = {
    "import": importing.import_photographs,
    "check": checking.check,
    "split": splitting.split,
    "train": training.train,
    "calibrate": calibrating.calibrate,
    "evaluate": evaluating.evaluate,
    "package": packaging.package,
}
_READS = {  # stage -> (config sections, files) that decide whether it must run again
    "import": (("data", "taxonomy"), ()),
    "check": (("data", "picture", "taxonomy"), ("manifest",)),
    "split": (("split", "seed", "taxonomy"), ("manifest", "duplicates")),
    "train": (("train", "picture", "seed", "taxonomy"), ("manifest", "splits")),
    "calibrate": (("decide",), ("scores", "classes")),
    "evaluate": (("bench", "name"), ("scores", "classes", "calibration", "audit", "manifest", "splits", "findings")),
    "package": (("bench", "name", "package"), ("scores", "classes", "calibration", "metrics")),
}
_WRITES = {
    "import": "manifest",
    "check": "audit",
    "split": "splits",
    "train": "scores",
    "calibrate": "calibration",
    "evaluate": "report",
    "package": "package",
}


def run(config: Config, progress: Progress, stages: tuple[str, ...] = STAGES, again: bool = False) -> list[str]:
    """Walk the stages, skipping those whose inputs have not changed; return lines for a person."""
    paths = open_output(config)
    lines: list[str] = []
    for stage in stages:
        mark = _mark(stage, config, paths)
        if not again and _marks(paths).get(stage) == mark and (paths.output / FILES[_WRITES[stage]]).exists():
            progress.say(f"{stage}: up to date")
            continue
        progress.say(f"{stage} ...")
        if stage == "train":
            _forget_old_training(config, paths, mark)
        if stage == "train":
            said = FUNCTIONS[stage](config, paths, progress)
        with _one_thread_a_matrix():
            if stage == "train":
                said += checking.after_training(config, paths, progress)
            else:
                said = FUNCTIONS[stage](config, paths, progress)
        for line in said:
            progress.say(f"  {line}")
        lines += said
        write_text(paths.stages, json.dumps(_marks(paths) | {stage: _mark(stage, config, paths)}, indent=1))
    return lines


def _one_thread_a_matrix() -> AbstractContextManager[object]:
    """Keep numpy's matrix library to one thread: ours are small, and on a busy machine its threads wait by spinning."""
    import scipy.linalg  # noqa: F401 (only what is loaded can be limited, and scipy brings a library of its own)
    from threadpoolctl import threadpool_limits

    limits: AbstractContextManager[object] = threadpool_limits(1, "blas")
    return limits


def _forget_old_training(config: Config, paths: Paths, mark: str) -> None:
    """Drop a checkpoint that other inputs made; one of these inputs is resumed."""
    note, saved = paths.train / "inputs.txt", paths.train / "checkpoint.safetensors"
    if saved.is_file() and (not note.is_file() or note.read_text(encoding="utf-8") != mark):
        saved.unlink()
    paths.train.mkdir(parents=True, exist_ok=True)
    write_text(note, mark)


def _marks(paths: Paths) -> dict[str, str]:
    try:
        held = json.loads(paths.stages.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return held if isinstance(held, dict) else {}


def _mark(stage: str, config: Config, paths: Paths) -> str:
    """Return a digest of all that decides the stage's result."""
    sections, files = _READS[stage]
    form = config.model_dump(mode="json")
    digest = hashlib.sha256(json.dumps([__version__, *(form[s] for s in sections)], sort_keys=True).encode())
    inputs = [paths.output / FILES[f] for f in files]
    if stage == "check":  # it looks with the frozen features of the backbone
        digest.update(json.dumps([form["train"]["backbone"], form["train"]["weights"], form["seed"]]).encode())
    if stage == "import":
        inputs += [p for p in (config.data.path, config.data.mapping, config.data.regions) if p]
    if stage == "calibrate" and config.decide.expected is not None:
        inputs.append(config.decide.expected)
    if stage == "split" and config.split.file:
        inputs.append(config.split.file)
    for path in inputs:
        if path.is_dir():
            state = sorted(f"{p}|{p.stat().st_size}|{p.stat().st_mtime_ns}" for p in path.rglob("*") if p.is_file())
            digest.update("\n".join(state).encode())
        elif path.suffix.lower() == ".zip" and path.is_file():
            digest.update(f"{path.stat().st_size}|{path.stat().st_mtime_ns}".encode())  # photographs: too big to read
        elif path.is_file():
            digest.update(path.read_bytes())
    return digest.hexdigest()
