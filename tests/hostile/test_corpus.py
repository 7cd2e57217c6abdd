"""Every input that once broke a door, and a few hundred mutations of good ones: each is answered or refused.

The search itself is scripts/fuzz/run; what it finds is mended and its input kept in corpus/TARGET/.
"""

from __future__ import annotations

import importlib.util
import random
import sys
import time
from collections import Counter
from pathlib import Path
from types import ModuleType

import pytest

HERE = Path(__file__).resolve().parent
CPU_LIMIT_S = 5.0


def _targets() -> ModuleType:
    spec = importlib.util.spec_from_file_location("fuzz_targets", HERE.parents[1] / "scripts/fuzz/targets.py")
    assert spec is not None
    assert spec.loader is not None
    made = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


doors = _targets()
CORPUS = sorted(p for p in (HERE / "corpus").rglob("*") if p.is_file())

pytestmark = pytest.mark.filterwarnings("ignore")  # Pillow and zipfile warn of what they are then refused for


def knock(name: str, content: bytes, folder: Path) -> str:
    """The door's word; it must come in bounded time."""
    folder.mkdir()
    start = time.process_time()
    word = str(doors.knock(doors.TARGETS[name], content, folder))
    assert time.process_time() - start < CPU_LIMIT_S
    return word


@pytest.mark.parametrize("path", CORPUS, ids=lambda p: f"{p.parent.name}-{p.name}")
def test_what_once_broke_a_door_is_answered_or_refused(path: Path, tmp_path: Path) -> None:
    knock(path.parent.name, path.read_bytes(), tmp_path / "x")


def test_every_door_has_kept_finds() -> None:
    assert {p.parent.name for p in CORPUS} == set(doors.TARGETS)


@pytest.mark.parametrize("name", doors.TARGETS)
def test_good_input_is_read_and_mutations_of_it_are_answered_or_refused(name: str, tmp_path: Path) -> None:
    seeds = doors.TARGETS[name].seeds()
    words = [knock(name, seed, tmp_path / f"seed{i}") for i, seed in enumerate(seeds)]
    assert "refused" not in words
    rng = random.Random(7)
    said = Counter(knock(name, doors.mutated(rng.choice(seeds), rng), tmp_path / str(i)) for i in range(150))
    assert len(said) > 1, said  # the mutations are neither all harmless nor all refused


def test_a_door_that_breaks_is_seen() -> None:
    def broken(_: bytes, __: Path) -> str:
        raise KeyError("x")

    with pytest.raises(KeyError):
        doors.knock(doors.Target(broken, list, ()), b"", Path())
