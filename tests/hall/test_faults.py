"""What a kill, a full disk or a file that goes away leaves behind: nothing wrong, and the same command goes on."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made import scene

from tickvision.data import pictures
from tickvision.deployment import package
from tickvision.domain.taxonomies import tick_taxonomy
from tickvision.evaluation.policy import Policy, Rung
from tickvision.evaluation.probabilities import HeadMap
from tickvision.images.prepare import Prepare


def photographs(folder: Path) -> pd.DataFrame:
    for i in range(4):
        scene(seed=i).save(folder / f"{i}.png")
    paths = [str(folder / f"{i}.png") for i in range(4)]
    return pd.DataFrame({"photo_id": list("abcd"), "path": paths, "region": ""})


def test_a_kill_between_pictures_and_their_measures_leaves_no_wrong_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = photographs(tmp_path)
    pictures.build(frame, tmp_path / "cache", Prepare(32), 1, lambda *_: None)
    turned = frame.iloc[::-1].reset_index(drop=True)

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(np, "savez", killed)
        pictures.build(turned, tmp_path / "cache", Prepare(32), 1, lambda *_: None)
    again = pictures.build(frame, tmp_path / "cache", Prepare(32), 1, lambda *_: None)
    fresh = pictures.build(frame, tmp_path / "fresh", Prepare(32), 1, lambda *_: None)
    assert (np.asarray(again.squares) == np.asarray(fresh.squares)).all()
    assert list(again.looks["sha256"]) == list(fresh.looks["sha256"])


def test_a_full_disk_is_an_error_before_the_first_picture_and_no_signal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = photographs(tmp_path)
    pictures.build(frame[:2], tmp_path / "cache", Prepare(32), 1, lambda *_: None)

    def full(*_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch, pytest.raises(OSError, match=r"No space left.*pictures\.npy") as refusal:
        patch.setattr(os, "posix_fallocate", full)
        pictures.build(frame, tmp_path / "cache", Prepare(32), 1, lambda *_: None)
    assert refusal.value.filename is not None
    kept = pictures.build(frame[:2], tmp_path / "cache", Prepare(32), 1, lambda *_: pytest.fail("decoded again"))
    assert len(kept.squares) == 2


def test_a_kill_while_a_package_is_replaced_leaves_a_whole_one_or_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "model.onnx").write_bytes(b"not looked into on reading")
    taxonomy, rung = tick_taxonomy(["Ixodes scapularis", "Ixodes cookei"]), Rung("species_stage_sex", None, None)
    policy = Policy(HeadMap(1.0), HeadMap(1.0), (rung,), None, None, (), None, 0.05, 0.05, 0)

    def write(name: str) -> None:
        made = package.Package(
            tmp_path / "package", name, taxonomy, Prepare(32), policy, "", "", True, frozenset()
        )  # fmt: skip
        package.write(made, tmp_path / "model.onnx", "", {}, {})

    def killed(folder: Path, **_: object) -> None:
        if folder.is_dir():
            (folder / "package.json").unlink()  # any file may be the first to go
            raise KeyboardInterrupt

    write("first")
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(shutil, "rmtree", killed)
        write("second")
    assert package.read(tmp_path / "package").name == "second"
    write("third")
    assert package.read(tmp_path / "package").name == "third"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["model.onnx", "package"]


def test_a_stop_that_an_import_turns_into_an_error_is_still_a_stop() -> None:
    code = (
        "import os, signal, sys\n"
        "from tickvision import __main__, predict_command\n"
        "def work(*words):\n"
        "    try:\n"
        "        os.kill(os.getpid(), signal.SIGTERM)\n"
        "    except KeyboardInterrupt:\n"
        "        raise ImportError('numpy failed') from None\n"  # seen: 0.25 s after the start of predict
        "predict_command.run = work\n"
        "sys.argv = ['tickvision', 'predict', 'x']\n"
        "__main__.main()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout) == (143, "")
    assert done.stderr.startswith("tickvision: stopped.")


@pytest.mark.parametrize("name", ["predict", "train"])  # the one with a parser of its own, and one of typer's
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_stopped_command_tidies_up_and_says_how_to_go_on(name: str, number: signal.Signals) -> None:
    code = (
        "import os, signal, sys, time\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # as typed: a background job would ignore it
        "from tickvision import __main__, cli, predict_command\n"
        "def work(*words):\n"
        "    try:\n"
        f"        os.kill(os.getpid(), {int(number)})\n"
        "        time.sleep(30)\n"
        "    finally:\n"
        "        print('tidied up')\n"
        "predict_command.run = cli._stage = work\n"
        f"sys.argv = ['tickvision', {name!r}, 'pyproject.toml']\n"
        "__main__.main()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 128 + number  # as shells count it
    assert done.stdout == "tidied up\n"
    assert "goes on from there" in done.stderr
    assert "Traceback" not in done.stderr
