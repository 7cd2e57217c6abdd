"""A desk with a few predictions: two referred ticks, one named, photographs that really lie there."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from desk_days import PLAIN, decision, named
from PIL import Image
from starlette.testclient import TestClient

from tickvision.review import intake, store, web
from tickvision.review.settings import save


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of photographs a.jpg, b.jpg, c.jpg."""
    pictures = tmp_path / "photographs"
    pictures.mkdir()
    for i, name in enumerate("abc"):
        Image.new("RGB", (120, 90), (60 * i, 90, 120)).save(pictures / f"{name}.jpg")
    return pictures


@pytest.fixture
def desk(tmp_path: Path, folder: Path) -> sqlite3.Connection:
    """The store of a desk with the referred a, b and the named c; nothing is drawn for audit or a second reading."""
    connection = store.open_store(tmp_path / "desk", create=True)
    save(connection, PLAIN)
    intake.take_in(connection, [decision("a"), decision("b"), named("c")], PLAIN, folder)
    return connection


@pytest.fixture
def client(desk: sqlite3.Connection, tmp_path: Path) -> TestClient:
    """A browser at the desk, not signed in."""
    return TestClient(web.build(web.Desk(tmp_path / "desk")), base_url="http://127.0.0.1", follow_redirects=False)
