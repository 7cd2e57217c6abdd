from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tickvision import config, runner
from tickvision.errors import ConfigError
from tickvision.workplace import Paths

SMALL = 'name = "x"\noutput = "out"\n[data]\npath = "labels.csv"\n'
CONFIGS = Path(__file__).parents[2] / "configs"


def write(tmp_path: Path, text: str = SMALL) -> Path:
    path = tmp_path / "job.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda p: p.name)
def test_every_config_that_ships_is_valid_and_names_its_run_command(path: Path) -> None:
    job = config.load(path)
    assert job.name
    assert any(command in path.read_text(encoding="utf-8") for command in ("tickvision run", "scripts/benchmarks/"))


def test_own_photographs_explains_every_key() -> None:
    text = (CONFIGS / "own_photographs.toml").read_text(encoding="utf-8")
    for name, field in config.Config.model_fields.items():
        model = field.annotation
        keys = list(model.model_fields) if hasattr(model, "model_fields") else [name]
        explained = [k for k in keys if re.search(rf"^(# )?{k} *=", text, re.MULTILINE)]
        missing = [k for k in keys if k not in explained and k not in ("table", "stages")]
        assert not missing, f"[{name}] {missing}"


def test_all_faults_come_in_one_message_with_the_nearest_names(tmp_path: Path) -> None:
    path = write(
        tmp_path, SMALL + '[train]\nepoch = 3\nbatch_size = "many"\n[split]\ntrain = 0.9\n[pictures]\nsize_px = 1\n'
    )
    with pytest.raises(ConfigError) as caught:
        config.load(path)
    message = str(caught.value)
    assert "4 fault(s)" in message
    assert "train.epoch: unknown key. Did you mean 'epochs'?" in message
    assert "pictures: unknown key. Did you mean 'picture'?" in message
    assert "train.batch_size" in message
    assert "it must be 1" in message


def test_a_required_key_that_is_missing_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"data\.path: missing"):
        config.load(write(tmp_path, 'name = "x"\noutput = "o"\n[data]\n'))


def test_paths_are_relative_to_the_file_and_those_of_set_to_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    job = config.load(write(tmp_path), ["output=here"])
    assert job.data.path == tmp_path / "labels.csv"
    assert job.output == tmp_path / "elsewhere" / "here"


def test_every_path_is_relative_to_the_file_weights_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The list of paths is read from the sections; train.weights is a path if it names a file of tensors."""
    sections = {
        "data": ("path", "photographs", "mapping", "regions"), "split": ("file",), "taxonomy": ("table",),
        "decide": ("expected",), "train": ("weights",),
    }  # fmt: skip
    lines = ['name = "x"', 'output = "o"']
    for section, keys in sections.items():
        lines += [f"[{section}]", *(f'{key} = "{section}_{key}.safetensors"' for key in keys)]
    (tmp_path / "job.toml").write_text("\n".join(lines), encoding="utf-8")
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    read = config.load(tmp_path / "job.toml")
    for section, keys in sections.items():
        for key in keys:
            assert str(getattr(getattr(read, section), key)) == str(tmp_path / f"{section}_{key}.safetensors")
    set_ = config.load(tmp_path / "job.toml", ["train.weights=w.safetensors"]).train.weights
    assert set_ == str(tmp_path / "elsewhere/w.safetensors")
    assert config.load(tmp_path / "job.toml", ["train.weights=none"]).train.weights == "none"


def test_another_file_of_weights_under_the_same_name_asks_for_a_new_training(tmp_path: Path) -> None:
    (tmp_path / "w.safetensors").write_bytes(b"old")
    job = config.load(write(tmp_path), [f"train.weights={tmp_path / 'w.safetensors'}"])
    marks = [runner._mark(stage, job, Paths(job.output)) for stage in ("check", "train", "split")]
    (tmp_path / "w.safetensors").write_bytes(b"newer")
    again = [runner._mark(stage, job, Paths(job.output)) for stage in ("check", "train", "split")]
    assert [a == b for a, b in zip(marks, again, strict=True)] == [False, False, True]


def test_settings_are_laid_over_the_file(tmp_path: Path) -> None:
    job = config.load(
        write(tmp_path), ["train.epochs=3", "decide.min_confidence=0.8", 'taxonomy.taxa=["a", "b"]', "name=word"]
    )
    assert (job.train.epochs, job.decide.min_confidence, job.taxonomy.taxa, job.name) == (3, 0.8, ("a", "b"), "word")


@pytest.mark.parametrize("setting", ["train.epochs", "=3", "name.x=3", ".a=1"])
def test_a_setting_that_is_none_is_explained(tmp_path: Path, setting: str) -> None:
    with pytest.raises(ConfigError, match="--set"):
        config.load(write(tmp_path), [setting])


@pytest.mark.parametrize("text", ["a = ", "\ufeff[", "x = 1\nx = 2", "a = " + "[" * 5000])
def test_text_that_is_no_toml_gives_one_message(tmp_path: Path, text: str) -> None:
    with pytest.raises(ConfigError, match="not valid TOML"):
        config.load(write(tmp_path, text))


def test_a_missing_file_is_answered_with_the_nearest(tmp_path: Path) -> None:
    write(tmp_path)
    with pytest.raises(ConfigError, match=r"Did you mean 'job\.toml'"):
        config.load(tmp_path / "jobs.toml")


NAMES = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), min_size=1, max_size=30)


@given(name=NAMES, contact=NAMES, key=NAMES)
def test_the_resolved_config_reads_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, name: str, contact: str, key: str
) -> None:
    folder = tmp_path_factory.mktemp("toml")
    path = write(folder)
    job = config.load(path).model_copy(update={"name": name, "bench": config.BenchConfig(contact=contact)})
    job = job.model_copy(update={"data": job.data.model_copy(update={"columns": {"file": key}})})
    path.write_text(config.to_toml(job), encoding="utf-8")
    assert config.load(path) == job
