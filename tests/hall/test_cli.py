from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from commands import COMMANDS
from made import JOB, scene, write_shapes

from tickvision import cli, config, runner
from tickvision.domain import cautions
from tickvision.progress import Progress


def call(*words: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["tickvision", *words])
    code = 0
    try:
        cli.main()
    except SystemExit as stop:
        code = int(stop.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    return lambda *words: call(*map(str, words), capsys=capsys, monkeypatch=monkeypatch)


def test_help_lists_every_command_and_imports_nothing_heavy() -> None:
    code = (
        "import sys\nsys.argv = ['tickvision', '--help']\nfrom tickvision import cli\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        "print({'torch', 'numpy', 'pandas', 'onnxruntime', 'pydantic', 'PIL'} & set(sys.modules), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    for command in COMMANDS:
        assert f"  {command} " in done.stdout
    assert "not a diagnosis" in " ".join(done.stdout.split())
    assert done.stderr.strip() == "set()"


def test_a_finished_job_is_skipped_stage_by_stage(run, finished: Path) -> None:  # type: ignore[no-untyped-def]
    code, out, err = run("run", finished)
    assert code == 0
    assert err.count("up to date") == 7
    assert str(finished.parent / "run" / "report.html") in out


def test_a_threshold_by_hand_promises_nothing(run, finished: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    shutil.copytree(finished.parent, tmp_path / "job")
    job = tmp_path / "job" / "job.toml"
    code, out, _ = run("calibrate", job, "--set", "decide.min_confidence=0.5", "--json")
    assert code == 0
    assert any("no promise" in line for line in json.loads(out)["lines"])
    code, out, _ = run("predict", tmp_path / "job/run/package", tmp_path / "job/photographs", "--format", "jsonl")
    assert code == 0
    assert len(out.splitlines()) == 180


def test_predict_on_a_folder_with_a_bad_file_ends_with_three(run, finished: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    scene((96, 96)).save(tmp_path / "good.jpg")
    (tmp_path / "bad.jpg").write_bytes(b"no picture")
    for form in ("table", "csv", "jsonl"):
        code, out, err = run("predict", finished.parent / "run/package", tmp_path, "--format", form)
        assert code == 3
        assert "1 photograph could not be used" in err
        assert cautions.SHORT in " ".join(out.split())


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["predict", "nowhere", "x.jpg"], 1, "no package.json"),
        (["run", "nowhere.toml"], 1, "no such config file"),
        (["predict", "p", "x.jpg", "--format", "xml"], 2, "none of table, csv"),
        (["nonsense"], 2, "No such command"),
        (["compare", "a", "b"], 1, "no finished run"),
    ],
)
def test_faults_of_the_user_give_a_message_and_no_traceback(run, words: list[str], code: int, message: str) -> None:  # type: ignore[no-untyped-def]
    got, _, err = run(*words)
    assert got == code
    assert message in err
    assert "Traceback" not in err


def test_an_output_folder_with_foreign_files_is_refused(run, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    write_shapes(tmp_path / "job", 12)
    (tmp_path / "job/job.toml").write_text(JOB, encoding="utf-8")
    (tmp_path / "job/run").mkdir()
    (tmp_path / "job/run/thesis.txt").write_text("mine", encoding="utf-8")
    code, _, err = run("run", tmp_path / "job/job.toml")
    assert code == 1
    assert "not of a tickvision job" in err
    assert [p.name for p in (tmp_path / "job/run").iterdir()] == ["thesis.txt"]


def labels(folder: Path, change) -> Path:  # type: ignore[no-untyped-def]
    path = write_shapes(folder / "job", 24)
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(change(lines)) + "\n", encoding="utf-8")
    (folder / "job/job.toml").write_text(JOB, encoding="utf-8")
    return folder / "job/job.toml"


def one_class(lines: list[str]) -> list[str]:
    cells = [line.split(",") for line in lines[1:]]
    return [lines[0], *(",".join([*c[:3], "Ixodes scapularis", "adult", "male", *c[6:]]) for c in cells)]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda lines: lines[:1], "no records"),
        (lambda lines: [lines[0].replace("specimen_id", "tick"), *lines[1:]], "no specimen_id"),
        (lambda lines: [lines[0].replace("file", "fil"), *lines[1:]], "no column 'file'"),
        (lambda lines: [lines[0], *(f"{i},{line}" for i, line in enumerate(lines[1:]))], "cells, the header has"),
        (lambda lines: [lines[0], *(line.replace(".jpg", ".gone") for line in lines[1:])], "no photograph can be used"),
        (lambda lines: lines[:4], "independent groups"),
    ],
)
def test_bad_labels_end_with_one_message(run, tmp_path: Path, change, message: str) -> None:  # type: ignore[no-untyped-def]
    code, _, err = run("run", labels(tmp_path, change))
    assert code == 1
    assert message in err
    assert "Traceback" not in err


@pytest.mark.slow
def test_one_class_only_is_judged_by_stage_and_sex(tmp_path: Path) -> None:
    job = config.load(labels(tmp_path, one_class), ["train.epochs=0"])
    said = runner.run(job, Progress(quiet=True), ("import", "check", "split", "train", "calibrate", "evaluate"))
    heads = json.loads((job.output / "metrics.json").read_text(encoding="utf-8"))["heads"]
    # the one taxon's share is a sum of cells that may come out above 1 by a rounding (IEEE 754: 1 + 2^-52)
    assert {name: head["right"] == head["n"] > 0 for name, head in heads.items()} == dict.fromkeys(heads, True)
    assert all(0 <= head["ece_null_95"] <= 1 for head in heads.values())
    assert any("No promise" in line for line in said)


@pytest.mark.slow
def test_a_class_with_one_specimen_and_no_calibration_specimens_left_go_through(run, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    def rare(lines: list[str]) -> list[str]:
        return [
            *lines,
            lines[1].replace("s0000", "s9999").replace("g0000", "g9999").replace("Ixodes sp.", "Ixodes cookei"),
        ]

    code, _, err = run("run", labels(tmp_path, rare), "--set", "train.epochs=0", "--json")
    assert code == 0, err
    metrics = json.loads((tmp_path / "job/run/metrics.json").read_text(encoding="utf-8"))
    assert metrics["decisions"]["has_promise"] is False
    assert "No promise" in err


def test_compare_of_a_run_with_itself_finds_no_difference(run, finished: Path) -> None:  # type: ignore[no-untyped-def]
    code, out, _ = run("compare", finished.parent / "run", finished.parent / "run", "--json")
    result = json.loads(out)
    assert code == 0
    (pair,) = result["comparisons"]
    statistics = ["share_right", "macro_recall", "nll", "augrc", "coverage"]
    assert [row["statistic"] for row in pair["differences"]] == statistics
    assert all(row["difference"] == 0.0 and row["p_holm"] == 1.0 for row in pair["differences"])
    assert pair["right_to_wrong"] == []


def test_info_describes_the_package_and_its_promises(run, finished: Path) -> None:  # type: ignore[no-untyped-def]
    code, out, _ = run("info", finished.parent / "run/package")
    assert code == 0
    for part in ("Ixodes scapularis", "species_stage_sex:", "the identifier, room 2", cautions.SHORT):
        assert part in out


def test_the_resolved_config_lies_in_the_output_folder(finished: Path) -> None:
    assert config.load(finished.parent / "run/config.toml") == config.load(finished)


def test_metrics_agree_with_scikit_learn_on_a_real_run(finished: Path) -> None:
    from sklearn.metrics import matthews_corrcoef, recall_score

    metrics = json.loads((finished.parent / "run/metrics.json").read_text(encoding="utf-8"))
    assert list(metrics["heads"]) == ["taxon", "stage", "sex", "all"]
    for head in metrics["heads"].values():
        table = head["confusion"]
        truth = [i for i, row in enumerate(table) for j, n in enumerate(row) for _ in range(n)]
        said = [j for i, row in enumerate(table) for j, n in enumerate(row) for _ in range(n)]
        assert (len(truth), sum(t == s for t, s in zip(truth, said, strict=True))) == (head["n"], head["right"])
        recall = recall_score(truth, said, labels=sorted(set(truth)), average="macro", zero_division=0)
        assert head["macro_recall"] == pytest.approx(recall)
        assert head["matthews"] == pytest.approx(matthews_corrcoef(truth, said))
