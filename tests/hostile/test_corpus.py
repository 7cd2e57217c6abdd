"""Every input that once broke a door, and a few hundred mutations of good ones: each is answered or refused.

Refused is a TickvisionError with words. What an answer must satisfy is checked by the doors in scripts/fuzz/doors: they
raise an AssertionError where, say, a manifest does not read back. The search itself is scripts/fuzz/run; what it finds
is mended and its input kept in corpus/DOOR/.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from pathlib import Path

import pytest
from doors import DOORS, knock
from doors.mutations import mutated

from tickvision.images import decode

HERE = Path(__file__).resolve().parent
CPU_LIMIT_S = 5.0
CORPUS = sorted(p for p in (HERE / "corpus").rglob("*") if p.is_file())
ANSWERED = {  # what is said to the finds that are legal input or become a row with a status; all others are refused
    "answers/bare_carriage_return_in_a_name": "1 decisions",
    "archive/address_with_a_bracket": "1 records, 1 findings",
    "config/control_characters_in_a_name": "read",
    "image/head_of_a_png_that_takes_ten_gigabytes.png": "unreadable",
    "image/no_bytes": "empty",
    "table/bare_carriage_return_in_a_cell": "1 rows, 1 findings",
    "upload/no_bytes": "unusable",
    "upload/removed_in_the_year_1": "422",
    "upload/removed_in_the_year_9999": "422",
}

pytestmark = pytest.mark.filterwarnings("ignore")  # Pillow and zipfile warn of what they are then refused for


@pytest.fixture(autouse=True)
def _limit_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """The doors of photographs lower it, and other tests of this process must meet the real one."""
    monkeypatch.setattr(decode, "MAX_PIXELS", decode.MAX_PIXELS)


def said(name: str, content: bytes, folder: Path) -> str:
    """The door's word; it must come in bounded time."""
    folder.mkdir()
    start = time.process_time()
    word = knock(DOORS[name].attempt, content, folder)
    assert time.process_time() - start < CPU_LIMIT_S
    return word


@pytest.mark.parametrize("path", CORPUS, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_what_once_broke_a_door_is_answered_or_refused(path: Path, tmp_path: Path) -> None:
    expected = ANSWERED.get(f"{path.parent.name}/{path.name}", "refused")
    assert said(path.parent.name, path.read_bytes(), tmp_path / "x") == expected


def test_every_door_has_kept_finds() -> None:
    assert {p.parent.name for p in CORPUS} == set(DOORS)
    assert set(ANSWERED) <= {f"{p.parent.name}/{p.name}" for p in CORPUS}


@pytest.mark.parametrize("name", DOORS)
def test_good_input_is_read_and_mutations_of_it_are_answered_or_refused(name: str, tmp_path: Path) -> None:
    seeds = DOORS[name].seeds()
    words = [said(name, seed, tmp_path / f"seed{i}") for i, seed in enumerate(seeds)]
    assert "refused" not in words
    rng = random.Random(7)
    counts = Counter(said(name, mutated(rng.choice(seeds), rng), tmp_path / str(i)) for i in range(150))
    assert len(counts) > 1, counts  # the mutations are neither all harmless nor all refused


@pytest.mark.parametrize("fault", [KeyError("x"), AssertionError("does not read back")])
def test_a_door_that_breaks_is_seen(fault: Exception) -> None:
    def broken(_: bytes, __: Path) -> str:
        raise fault

    with pytest.raises(type(fault)):
        knock(broken, b"", Path())
