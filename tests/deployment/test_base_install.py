from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from made import scene

from tickvision import __main__
from tickvision.deployment import load

# what pip install tickvision does not bring (torch to matplotlib), what needs an extra, and what predict leaves alone
ABSENT = (
    "torch", "torchvision", "timm", "albumentations", "cv2", "scipy", "sklearn", "pandas", "matplotlib", "jinja2",
    "onnx", "safetensors", "fsspec", "starlette", "uvicorn", "pillow_heif", "pydantic", "typer",
)  # fmt: skip
PRELUDE = f"""
import sys
ABSENT = {ABSENT!r}
class Absent:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in ABSENT:
            raise ModuleNotFoundError(f"{{name}} is not here", name=name)
sys.meta_path.insert(0, Absent())
def refuse(event, arguments):
    if event.startswith("socket.") and event != "socket.__new__":
        raise OSError("no network here")
sys.addaudithook(refuse)
"""


def test_every_form_is_written_by_the_base_install_alone_and_offline(package: Path, tmp_path: Path) -> None:
    (tmp_path / "day").mkdir()
    scene().save(tmp_path / "day/p.jpg")
    code = PRELUDE + (
        "from tickvision import predict_command\n"
        f"package, day, out = {str(package)!r}, {str(tmp_path / 'day')!r}, {str(tmp_path)!r}\n"
        "for form in predict_command.FORMS:\n"
        "    words = [package, day, '--format', form, '--output', f'{out}/out.{form}', '--quiet']\n"
        "    assert predict_command.run([*words, '--explain', f'{out}/why']) == 0\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert len(list(tmp_path.glob("out.*"))) == 6
    assert all(p.stat().st_size for p in tmp_path.glob("out.*"))


def test_what_a_cold_start_waits_for_comes_first(package: Path) -> None:
    """The network is built in its thread while pictures and policy are imported in this one."""
    code = (
        "import sys\n"
        "from tickvision import predict_command\n"
        "from tickvision.deployment.opening import Opened\n"
        "early = {m for m in sys.modules if m.partition('.')[0] in ('numpy', 'PIL', 'onnxruntime')}\n"
        f"building = Opened(__import__('pathlib').Path({str(package)!r})).start_network()\n"
        "late = {m for m in sys.modules if m.startswith(('PIL', 'tickvision.evaluation', 'tickvision.images'))}\n"
        "from tickvision import prediction\n"
        "later = {m for m in sys.modules if m.startswith(('tickvision.evaluation', 'rich'))}\n"
        "print(sorted(early), sorted(late), sorted(later), type(building.result()).__name__)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout == "[] [] [] InferenceSession\n", done.stderr


def test_a_name_that_the_room_does_not_give_is_told() -> None:
    from tickvision import deployment

    assert all(getattr(deployment, name) for name in deployment.__all__)
    with pytest.raises(AttributeError, match="laod"):
        deployment.laod  # noqa: B018


def test_the_hook_really_hides_what_it_names() -> None:
    done = subprocess.run([sys.executable, "-c", PRELUDE + "import torch"], capture_output=True, text=True)
    assert "torch is not here" in done.stderr


def test_a_frame_has_the_columns_of_the_csv_and_says_what_it_needs(package: Path, tmp_path: Path) -> None:
    from tickvision.deployment.outputs import CSV_COLUMNS

    scene().save(tmp_path / "p.jpg")
    frame = load(package).predict_frame([tmp_path / "p.jpg", tmp_path / "gone.jpg"])
    assert tuple(frame.columns) == CSV_COLUMNS
    assert list(frame["specimen_id"]) == [str(tmp_path / "p.jpg"), str(tmp_path / "gone.jpg")]
    assert frame["state"].iloc[1] == "unusable"
    assert frame["confidence"].dtype == float
    assert all(frame["caution"] != "")


@pytest.mark.parametrize(
    ("command", "module", "extra"),
    [
        ("predict", "uvicorn", "serve"),
        ("review", "starlette", "review"),
        ("select", "argon2", "review"),
        ("train", "torch", "train"),
    ],
)
def test_a_missing_package_names_the_extra_that_brings_it(
    command: str, module: str, extra: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def gone(*_: object) -> None:
        raise ModuleNotFoundError(f"No module named '{module}'", name=module)

    monkeypatch.setattr("sys.argv", ["tickvision", command])
    monkeypatch.setattr("tickvision.predict_command.run", gone)
    monkeypatch.setattr("tickvision.cli.app", gone)
    monkeypatch.setattr(__main__, "_stop_tidily", list)  # signals stay pytest's
    with pytest.raises(SystemExit) as stop:
        __main__.main()
    assert stop.value.code == 1
    assert f"needs the package '{module}'" in (said := capsys.readouterr().err)
    assert f"pip install 'tickvision[{extra}]'" in said


def test_too_little_memory_is_a_message(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def full(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr("sys.argv", ["tickvision", "predict"])
    monkeypatch.setattr("tickvision.predict_command.run", full)
    monkeypatch.setattr(__main__, "_stop_tidily", list)  # signals stay pytest's
    with pytest.raises(SystemExit) as stop:
        __main__.main()
    assert stop.value.code == 1
    assert "not enough memory" in capsys.readouterr().err
