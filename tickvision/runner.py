"""Walk the stages of a job and skip those whose inputs have not changed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from tickvision import __version__
from tickvision.config import Config
from tickvision.progress import Progress
from tickvision.stages import calibrating, checking, evaluating, importing, packaging, splitting, training
from tickvision.whole_files import write_text
from tickvision.workplace import FILES, Paths, open_output

Stage = Callable[[Config, Paths, Progress], list[str]]


@dataclass(frozen=True)
class _Step:
    """A stage, the config sections and files (of workplace.FILES) that decide whether it must run again, and the file
    that shows that it has run."""

    stage: Stage
    sections: tuple[str, ...]
    reads: tuple[str, ...]
    writes: str


_STEPS = {
    "import": _Step(importing.import_photographs, ("data", "taxonomy"), (), "manifest"),
    "check": _Step(checking.check, ("data", "picture", "taxonomy"), ("manifest",), "audit"),
    "split": _Step(splitting.split, ("split", "seed", "taxonomy"), ("manifest", "duplicates"), "splits"),
    "train": _Step(training.train, ("train", "picture", "seed", "taxonomy"), ("manifest", "splits"), "scores"),
    "calibrate": _Step(calibrating.calibrate, ("decide",), ("scores", "classes"), "calibration"),
    "evaluate": _Step(
        evaluating.evaluate,
        ("bench", "name", "decide"),
        ("scores", "classes", "calibration", "audit", "manifest", "splits", "findings"),
        "report",
    ),
    "package": _Step(
        packaging.package, ("bench", "name", "package"), ("scores", "classes", "calibration", "metrics"), "package"
    ),
}
STAGES = tuple(_STEPS)


def run(config: Config, progress: Progress, stages: tuple[str, ...] = STAGES, again: bool = False) -> list[str]:
    """Walk the stages, skipping those whose inputs have not changed; return lines for a person."""
    paths = open_output(config)
    lines: list[str] = []
    for stage in stages:
        mark = _mark(stage, config, paths)
        if not again and _marks(paths).get(stage) == mark and (paths.output / FILES[_STEPS[stage].writes]).exists():
            progress.say(f"{stage}: up to date")
            continue
        progress.say(f"{stage} ...")
        said: list[str] = []
        step = _STEPS[stage].stage
        if stage == "train":
            _forget_old_training(config, paths, mark)
            said, step = training.train(config, paths, progress), checking.after_training
        with _one_thread_a_matrix():
            said += step(config, paths, progress)
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
    form, step = config.model_dump(mode="json"), _STEPS[stage]
    digest = hashlib.sha256(json.dumps([__version__, *(form[s] for s in step.sections)], sort_keys=True).encode())
    inputs = [paths.output / FILES[f] for f in step.reads]
    if stage == "check":  # it looks with the frozen features of the backbone
        digest.update(json.dumps([form["train"]["backbone"], form["train"]["weights"], form["seed"]]).encode())
    if stage in ("check", "train") and config.train.weights.endswith(".safetensors"):
        inputs.append(Path(config.train.weights))
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
        elif path.suffix.lower() in (".zip", ".safetensors") and path.is_file():  # too big to read
            digest.update(f"{path.stat().st_size}|{path.stat().st_mtime_ns}".encode())
        elif path.is_file():
            digest.update(path.read_bytes())
    return digest.hexdigest()
