"""`info` without a package: what is installed here."""

from __future__ import annotations

import json
from importlib import metadata

import pytest
from typer.testing import CliRunner

from tickvision.cli import app


def test_info_names_the_versions_that_are_installed() -> None:
    found = json.loads(CliRunner().invoke(app, ["info", "--json"]).stdout)
    for name in ("tickvision", "numpy", "onnxruntime", "torch"):
        assert found[name] == metadata.version(name)


def test_without_torch_info_says_how_to_train(monkeypatch: pytest.MonkeyPatch) -> None:
    real = metadata.version

    def version(name: str) -> str:
        if name == "torch":
            raise metadata.PackageNotFoundError(name)
        return real(name)

    monkeypatch.setattr(metadata, "version", version)
    said = CliRunner().invoke(app, ["info"]).stdout
    assert "torch: not installed" in said
    assert "pip install 'tickvision[train]'" in said


def test_the_schema_of_a_decision_is_a_json_schema() -> None:
    from jsonschema import Draft202012Validator  # JSON Schema 2020-12 has a schema of its own

    schema = json.loads(CliRunner().invoke(app, ["info", "--schema"]).stdout)
    Draft202012Validator.check_schema(schema)
    assert "caution" in schema["required"]
