"""Where a job's files lie."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tickvision.config import Config, to_toml
from tickvision.errors import OutputError
from tickvision.whole_files import write_text


@dataclass(frozen=True)
class Paths:
    """Where a job's files lie."""

    output: Path

    def __getattr__(self, name: str) -> Path:
        if name not in FILES:
            raise AttributeError(name)
        return self.output / FILES[name]


FILES = {
    "config": "config.toml",
    "manifest": "manifest.csv",
    "import_findings": "import_findings.csv",
    "findings": "findings.csv",
    "audit": "audit.json",
    "pictures": "pictures",
    "duplicates": "duplicates.csv",
    "splits": "splits.csv",
    "features": "features.npz",
    "train": "train",
    "scores": "train/scores.npz",
    "classes": "train/classes.json",
    "calibration": "calibration.json",
    "metrics": "metrics.json",
    "report": "report.html",
    "package": "package",
    "stages": "stages.json",
}


def open_output(config: Config) -> Paths:
    """Return the job's paths, its folder made and the resolved config written into it.

    Raises OutputError if the folder holds files that no job of ours made, or cannot be written.
    """
    folder = config.output
    try:
        strangers = folder.is_dir() and any(p.name != "config.toml.tmp" for p in folder.iterdir())
        if strangers and not (folder / "config.toml").is_file():
            raise OutputError(
                f"{folder}: the output folder holds files that are not of a tickvision job. "
                'Give an empty or new folder with output = "..." or --set output=...'
            )
        folder.mkdir(parents=True, exist_ok=True)
        write_text(folder / "config.toml", to_toml(config))
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error.strerror}).") from None
    return Paths(folder)
