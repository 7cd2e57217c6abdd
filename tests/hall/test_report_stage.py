"""The evaluate stage of a finished job: the same bytes again, activation maps, and documents that travel."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from pathlib import Path

from tickvision import config
from tickvision.deployment import package
from tickvision.progress import Progress
from tickvision.report_stage import commit
from tickvision.stages import evaluating
from tickvision.workplace import Paths

WRITTEN = ("metrics.json", "report.html", "card.md", "card.json", "datasheet.md", "croissant.json")


def _contents(folder: Path) -> dict[str, bytes]:
    files = [folder / name for name in WRITTEN] + [p for d in ("tables", "figures") for p in (folder / d).iterdir()]
    return {str(p.relative_to(folder)): p.read_bytes() for p in files}


def test_evaluating_again_writes_the_same_bytes(finished: Path, tmp_path: Path) -> None:
    job = config.load(finished)
    shutil.copytree(job.output, tmp_path / "again")
    for name in WRITTEN:
        (tmp_path / "again" / name).unlink()
    evaluating.evaluate(job, Paths(tmp_path / "again"), Progress(quiet=True))
    before, after = _contents(job.output), _contents(tmp_path / "again")
    assert before.keys() == after.keys()
    assert [name for name in before if before[name] != after[name]] == []


def test_the_report_shows_where_the_network_looked(finished: Path) -> None:
    text = (config.load(finished).output / "report.html").read_text(encoding="utf-8")
    shown = re.findall(r'<img src="(data:image/jpeg;base64,[^"]+)" alt="(The same, orange|Photograph)', text)
    kinds = {kind: {uri for uri, k in shown if k == kind} for kind in ("The same, orange", "Photograph")}
    assert kinds["The same, orange"]
    assert not kinds["The same, orange"] & kinds["Photograph"]


def test_figures_name_the_files_that_they_were_made_from(finished: Path) -> None:
    paths = Paths(config.load(finished).output)
    told = json.loads(paths.metrics.read_text(encoding="utf-8"))["inputs"]
    for name in ("manifest", "splits", "scores", "calibration"):
        assert told[name] == hashlib.sha256(getattr(paths, name).read_bytes()).hexdigest()


def test_card_and_data_sheet_travel_in_the_package(finished: Path) -> None:
    folder = config.load(finished).output
    _, contents = package.read_all(folder / "package")
    for name in ("card.md", "card.json", "datasheet.md"):
        assert contents[name] == (folder / name).read_bytes()


def test_the_commit_is_read_from_a_checkout_and_is_none_elsewhere(tmp_path: Path) -> None:
    assert commit(tmp_path) is None
    (tmp_path / ".git/refs/heads").mkdir(parents=True)
    (tmp_path / ".git/HEAD").write_text("ref: refs/heads/main\n", encoding="utf-8")
    (tmp_path / ".git/packed-refs").write_text("# pack-refs\nabc123 refs/heads/main\n", encoding="utf-8")
    assert commit(tmp_path) == "abc123"
    (tmp_path / ".git/refs/heads/main").write_text("def456\n", encoding="utf-8")
    assert commit(tmp_path) == "def456"
