"""The commands `review ...` and `select`, as a person types them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from desk_days import GOOD, PLAIN, decision, named, write_lines
from made import write_shapes
from typer.testing import CliRunner, Result

from tickvision.cli import app
from tickvision.config import load
from tickvision.errors import DataError
from tickvision.review import decisions, readers, settings, store


def run(*arguments: object, stdin: str = "") -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], input=stdin)


@pytest.fixture
def served(tmp_path: Path, folder: Path) -> Path:
    """A desk made by the command itself; nothing is drawn by lot for a second reader."""
    lines = write_lines(tmp_path / "p.jsonl", [decision("a"), named("c")])
    config = tmp_path / "desk.toml"
    config.write_text(
        'name = "x"\noutput = "o"\n[data]\npath = "l.csv"\n[review]\nsecond_share = 0.0\n', encoding="utf-8"
    )
    done = run(
        "review", "import", lines, "--desk", tmp_path / "d", "--photographs", folder, "--quiet", "--config", config
    )
    assert done.exit_code == 0, done.output
    assert "2 new specimens" in done.output
    return tmp_path / "d"


def test_import_twice_changes_nothing(served: Path, tmp_path: Path, folder: Path) -> None:
    again = run("review", "import", tmp_path / "p.jsonl", "--desk", served, "--photographs", folder, "--json")
    found = json.loads(again.output)
    assert (found["new"], found["unchanged"]) == (0, 2)


def test_the_config_tells_the_desk_how_to_work(tmp_path: Path, folder: Path) -> None:
    config = tmp_path / "job.toml"
    config.write_text(
        'name = "x"\noutput = "o"\n[bench]\nname = "Larkmoor"\n[data]\npath = "l.csv"\n'
        '[decide]\nmax_error = 0.02\n[review]\naudit_share = 0.2\nrare = ["Ixodes cookei"]\n',
        encoding="utf-8",
    )
    lines = write_lines(tmp_path / "p.jsonl", [decision("a")])
    run("review", "import", lines, "--desk", tmp_path / "d", "--photographs", folder, "--config", config)
    kept = settings.load(store.open_store(tmp_path / "d"))
    assert (kept.bench, kept.max_error, kept.audit_share, kept.rare) == ("Larkmoor", 0.02, 0.2, ("Ixodes cookei",))
    assert load(config).review.second_share == 0.1


def test_readers_come_and_go(served: Path) -> None:
    assert run("review", "users", "add", "Ann", "--desk", served, stdin="a long enough password\n").exit_code == 0
    assert run("review", "users", "list", "--desk", served).output.strip() == "Ann"
    assert run("review", "users", "remove", "Ann", "--desk", served).exit_code == 0
    assert readers.known(store.open_store(served)) == []
    refused = run("review", "users", "add", "Ann", "--desk", served, stdin="short\n")
    assert isinstance(refused.exception, DataError)


def test_export_and_season_write_what_they_say(served: Path, tmp_path: Path) -> None:
    connection = store.open_store(served)
    checked = decisions.check(GOOD | {"taxon": "Dermacentor"}, (), {}, False)
    decisions.decide(connection, "a", "Ann", checked, "k", PLAIN)
    done = run(
        "review", "export", "--desk", served, "--labels", tmp_path / "l.csv", "--darwin-core", tmp_path / "d.csv"
    )
    assert done.exit_code == 0
    assert "all others are marked `train`" in done.output
    with (tmp_path / "l.csv").open(encoding="utf-8") as handle:
        assert [r["scientific_name"] for r in csv.DictReader(handle)] == ["Dermacentor"]
    assert run("review", "season", "--desk", served, "-o", tmp_path / "season").exit_code == 0
    assert (tmp_path / "season" / "weeks.csv").read_text(encoding="utf-8").count("\n") == 3
    assert run("review", "export", "--desk", served).exit_code == 2


def test_select_picks_unlabelled_specimens_and_names_the_gaps(finished: Path, tmp_path: Path) -> None:
    write_shapes(tmp_path / "new", 40, seed=9)
    config = load(finished)
    done = run(
        "select", config.output / "package", "--list", tmp_path / "new" / "labels.csv", "--number", 9,
        "--manifest", config.output / "manifest.csv", "--output", tmp_path / "picked.csv", "--quiet", "--json",
    )  # fmt: skip
    assert isinstance(done.exception, DataError)  # the ids of the new specimens are those of the labelled ones
    renamed = (tmp_path / "new" / "labels.csv").read_text(encoding="utf-8").replace(",s0", ",n0")
    (tmp_path / "new" / "labels.csv").write_text(renamed, encoding="utf-8")
    done = run(
        "select", config.output / "package", "--list", tmp_path / "new" / "labels.csv", "--number", 9,
        "--manifest", config.output / "manifest.csv", "--output", tmp_path / "picked.csv", "--quiet", "--json",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    with (tmp_path / "picked.csv").open(encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert len({r["specimen_id"] for r in rows}) == len(rows) == 9
    assert {r["use"] for r in rows} == {"train"}
    found = json.loads(done.output)
    assert found["picked"] == 9
    assert all(c["specimens"] < 30 for c in found["lacking"])


def test_embeddings_of_a_package_are_kept_for_the_watch_on_drift(finished: Path, tmp_path: Path) -> None:
    write_shapes(tmp_path / "new", 6)
    package = load(finished).output / "package"
    predicted = run(
        "predict",
        package,
        tmp_path / "new" / "photographs",
        "--format",
        "jsonl",
        "--output",
        tmp_path / "p.jsonl",
        "--quiet",
    )
    assert predicted.exit_code == 0, predicted.output
    run(
        "review",
        "import",
        tmp_path / "p.jsonl",
        "--desk",
        tmp_path / "d",
        "--photographs",
        tmp_path / "new",
        "--package",
        package,
        "--quiet",
    )
    held = store.open_store(tmp_path / "d").execute("SELECT length(embedding) FROM specimen").fetchall()
    assert {r[0] for r in held} == {1280 * 4}
