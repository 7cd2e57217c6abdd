"""Walk the stages of a job and skip those whose inputs have not changed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import reduce
from operator import getitem
from pathlib import Path

from tickvision import __version__
from tickvision.config import Config
from tickvision.errors import DataError
from tickvision.progress import Progress
from tickvision.stages import calibrating, checking, evaluating, importing, packaging, splitting, training
from tickvision.whole_files import write_text
from tickvision.workplace import FILES, Paths, open_output

Stage = Callable[[Config, Paths, Progress], list[str]]


@dataclass(frozen=True)
class _Step:
    """A stage, the config sections or keys and the files (of workplace.FILES) that decide whether it must run again,
    and the file that shows that it has run."""

    stage: Stage
    keys: tuple[str, ...]
    reads: tuple[str, ...]
    writes: str


_STEPS = {
    "import": _Step(importing.import_photographs, ("data", "taxonomy"), (), "manifest"),
    "check": _Step(  # it looks with the frozen features of the backbone
        checking.check,
        ("data", "picture", "taxonomy", "train.backbone", "train.weights", "seed"),
        ("manifest",),
        "audit",
    ),
    "split": _Step(  # it says which classes are too small to certify
        splitting.split,
        ("split", "seed", "taxonomy", "decide.max_error", "decide.failure_rate"),
        ("manifest", "duplicates"),
        "splits",
    ),
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
            _forget_old_training(paths, mark)
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


def _forget_old_training(paths: Paths, mark: str) -> None:
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
    asked = [reduce(getitem, key.split("."), form) for key in step.keys]
    digest = hashlib.sha256(json.dumps([__version__, *asked], sort_keys=True).encode())
    for line in _photographs(stage, paths):
        digest.update(f"{line}\n".encode())
    for path in [*(paths.output / FILES[f] for f in step.reads), *_named_files(stage, config)]:
        _add_state(digest, path)
    return digest.hexdigest()


def _photographs(stage: str, paths: Paths) -> list[str]:
    """Return what shows that photographs were brought since the import, or changed since they were looked at.

    For training it is what they hold, as check and split found it: a copy of a job, with other times, trains no second
    time.
    """
    from tickvision.data import manifest, pictures, sources

    if stage == "train":
        return pictures.hashes(paths.pictures)
    if stage not in ("import", "check"):
        return []
    try:
        frame = manifest.read(paths.manifest)
    except DataError:  # none yet, or a damaged one: import makes it anew, and the others say so
        return []
    if stage == "import":
        return [p for p in frame.loc[frame["status"] == "missing", "path"] if sources.is_there(Path(p))]
    usable = manifest.usable(frame)
    return [pictures.state_of(Path(p), region) for p, region in zip(usable["path"], usable["region"], strict=True)]


def _named_files(stage: str, config: Config) -> list[Path]:
    """Return the files of the user's own that the config names for a stage."""
    weights = Path(config.train.weights) if config.train.weights.endswith(".safetensors") else None
    named = {
        "import": (config.data.path, config.data.mapping, config.data.regions),
        "check": (weights,),
        "split": (config.split.file,),
        "train": (weights,),
        "calibrate": (config.decide.expected,),
    }
    return [path for path in named.get(stage, ()) if path is not None]


def _add_state(digest: hashlib._Hash, path: Path) -> None:
    """Add the content of a file to the digest, or size and time of what is too big to read and of a folder's files."""
    if path.is_dir():
        state = sorted(f"{p}|{p.stat().st_size}|{p.stat().st_mtime_ns}" for p in path.rglob("*") if p.is_file())
        digest.update("\n".join(state).encode())
    elif path.suffix.lower() in (".zip", ".safetensors") and path.is_file():
        digest.update(f"{path.stat().st_size}|{path.stat().st_mtime_ns}".encode())
    elif path.is_file():
        digest.update(path.read_bytes())
