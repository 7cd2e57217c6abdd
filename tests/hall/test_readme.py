"""Every command of the README is typed as it stands, on a small job; every message it explains is one of ours."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from commands import COMMANDS, options
from made import JOB, free_port

from tickvision import cli
from tickvision.runner import STAGES

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = [
    line.split("  #")[0].strip() for line in README.splitlines() if re.match(r" {4}tickvision |^tickvision ", line)
]
SMALLER = {  # the same commands on a set that a test can afford
    "--specimens 300": "--specimens 3",
    "run configs/larkmoor.toml --set data.path=small/larkmoor.zip --set output=small/run --set train.epochs=2": (
        "run my.toml"
    ),
}
STANDS_FOR = {"small/run/package": "own_run/package", "small/photographs": "new_photographs"}


@pytest.fixture(scope="module")
def bench(finished: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with what the README's reader has: a config, labels, photographs, readings and audits."""
    folder = tmp_path_factory.mktemp("bench")
    shutil.copytree(finished.parent / "photographs", folder / "photographs")
    shutil.copy(finished.parent / "labels.csv", folder)
    shutil.copytree(finished.parent / "run", folder / "own_run")
    shutil.copytree(finished.parent / "run", folder / "next_run")
    (folder / "my.toml").write_text(JOB.replace('output = "run"', 'output = "own_run"'), encoding="utf-8")
    (folder / "new_photographs").mkdir()
    photographs = sorted((folder / "photographs").iterdir())
    for number in range(210):
        shutil.copy(photographs[number % len(photographs)], folder / "new_photographs" / f"n{number:03d}.jpg")
    names = ["Ixodes scapularis", "Ixodes scapularis", "Amblyomma americanum"]
    rows = [f"s{i},{reader},{names[(i + (reader == 'B' and i == 4)) % 3]}" for i in range(12) for reader in "AB"]
    (folder / "readings.csv").write_text("\n".join(["specimen_id,reader,scientific_name", *rows]) + "\n")
    audits = [f"s{i},{'yes' if i == 30 else 'no'}" for i in range(60)]
    (folder / "audits.csv").write_text("\n".join(["specimen_id,wrong", *audits]) + "\n")
    return folder


def typed(line: str) -> list[str]:
    for old, new in (SMALLER | STANDS_FOR).items():
        line = line.replace(old, new)
    return shlex.split(line)


def test_the_readme_shows_every_command() -> None:
    """In the table all but two, which stand below it; as an example that is run all but the stages that `run` walks."""
    rows = set(re.findall(r"^\| `tickvision (\w+)", README, re.MULTILINE))
    assert rows == set(COMMANDS) - {"demo", "info"}
    assert {line.split()[1] for line in EXAMPLES} == set(COMMANDS) - (set(STAGES) - {"import"})


def test_every_option_that_the_readme_names_is_one() -> None:
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", README))
    assert len(named) > 20
    assert named - options() == {"--nproc-per-node"}  # torchrun's


def test_every_example_of_the_readme_runs(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(bench)
    for line in EXAMPLES:
        words = typed(line)
        if words[1:3] == ["review", "serve"]:
            assert page_of(words, bench) == 200
            continue
        monkeypatch.setattr(sys, "argv", words)
        if words[1] == "predict" and "today.jsonl" in words:  # the desk's walk predicts anew
            (bench / "today.jsonl").unlink(missing_ok=True)
        if words[1:3] == ["review", "export"]:
            two_readers_decide(bench / "desk")
        code: int | str | None = 0
        try:
            cli.main()
        except SystemExit as stop:
            code = stop.code
        said = capsys.readouterr()
        assert not code, f"{line}\n{said.out}{said.err}"
    for made in (
        "today.csv",
        "today.jsonl",
        "picked.csv",
        "compared.html",
        "decided.csv",
        "season",
        "small/labels.csv",
    ):
        assert (bench / made).exists(), made


def two_readers_decide(desk: Path) -> None:
    """Let two people name the first case of the desk, so that there is something to export."""
    from tickvision.review import decisions, settings, store, worklist

    connection = store.open_store(desk)
    specimen = worklist.next_case(connection, "A")
    form = {"outcome": "named", "taxon": "Ixodes", "confidence": "sure", "based_on": "photograph"}
    for reader in "AB":
        checked = decisions.check(form, (), {}, False)
        assert not checked.faults
        decisions.decide(connection, specimen, reader, checked, f"key-{reader}", settings.load(connection))


def page_of(words: list[str], folder: Path) -> int:
    """Start a server on a free port, fetch its first page, stop it; return the page's status."""
    import urllib.request

    port = free_port()
    command = [sys.executable, "-m", "tickvision", *words[1:], "--port", str(port)]
    server = subprocess.Popen(command, cwd=folder, env=os.environ, stderr=subprocess.DEVNULL)
    try:
        for _ in range(600):
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/") as answer:
                    return int(answer.status)
            except OSError:
                time.sleep(0.1)
        return 0
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait(20)


def test_every_message_that_the_readme_explains_is_ours() -> None:
    table = README.split("## When something is refused")[1].split("\n## ")[0]
    explained = re.findall(r"^\| `([^`]+)` \|", table, re.MULTILINE)
    source = " ".join(p.read_text(encoding="utf-8") for p in (ROOT / "tickvision").rglob("*.py"))
    joined = re.sub(r'"\s*f?"', "", source)  # a message may be written as several pieces
    assert len(explained) >= 9
    for message in explained:
        assert message in joined, message
