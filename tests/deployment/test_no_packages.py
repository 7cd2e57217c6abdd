"""Folders and zips that are no package, or no more: each refused by its name, and nothing of a user's is lost."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest

from tickvision.deployment import opening, package, package_files
from tickvision.domain.taxonomies import flat_taxonomy
from tickvision.errors import OutputError, PackageError
from tickvision.evaluation.policy import Policy, Rung
from tickvision.evaluation.probabilities import HeadMap
from tickvision.images.prepare import Prepare

POLICY = Policy(
    HeadMap(1.0), HeadMap(1.0), (Rung("species", None, None),), None, None, (), None, 0.05, 0.05, 0
)  # fmt: skip


def write(folder: Path) -> Path:
    model = folder.parent / "model.onnx"
    model.write_bytes(b"not looked into on reading")
    taxonomy = flat_taxonomy([("a", "", ""), ("b", "", "")])
    made = package.Package(folder, "small", taxonomy, Prepare(32), POLICY, "", "", True, frozenset())
    return package.write(made, model, "tickvision", {}, {"card.md": b"card"}).folder


def test_a_folder_of_other_files_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("years", encoding="utf-8")
    with pytest.raises(OutputError, match=r"mine: holds files that are no package\. Give an empty folder"):
        write(tmp_path / "mine")
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["thesis.txt"]


def test_an_index_that_does_not_list_the_model_is_refused(tmp_path: Path) -> None:
    index = write(tmp_path / "p") / "package.json"
    form = json.loads(index.read_text(encoding="utf-8"))
    del form["files"]["model.onnx"]
    index.write_text(json.dumps(form), encoding="utf-8")
    with pytest.raises(PackageError, match=r"package\.json: does not list model\.onnx"):
        package.read(tmp_path / "p")


def test_a_folder_in_the_place_of_a_file_is_refused(tmp_path: Path) -> None:
    write(tmp_path / "p")
    (tmp_path / "p" / "card.md").unlink()
    (tmp_path / "p" / "card.md").mkdir()
    with pytest.raises(PackageError, match=r"'card\.md' cannot be read .* Copy the whole package again"):
        package.read(tmp_path / "p")


def test_a_zip_with_a_file_beyond_measure_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path / "p")
    zipped = Path(shutil.make_archive(str(tmp_path / "z"), "zip", tmp_path, "p"))
    assert package.read(zipped).name == "small"
    monkeypatch.setattr(package_files, "MAX_FILE_BYTES", 25)
    with pytest.raises(PackageError, match=r"would take [\d,]+ bytes; that is no package"):
        package.read(zipped)


@pytest.mark.parametrize("model", [b"", b"no network", b"\x08\x07" * 50])
def test_a_model_that_is_no_network_is_refused_with_its_name(model: bytes) -> None:
    with pytest.raises(PackageError, match=r"model\.onnx: onnxruntime cannot read it"):
        opening.build(model, 1)


def test_a_changed_card_is_told(tmp_path: Path) -> None:
    card = write(tmp_path / "p") / "card.md"
    before = hashlib.sha256(card.read_bytes()).hexdigest()[:12]
    card.write_text("all names are right", encoding="utf-8")
    with pytest.raises(PackageError, match=rf"card\.md: sha256 is .*, package\.json says {before}"):
        package.read(tmp_path / "p")
