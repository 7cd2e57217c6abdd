from __future__ import annotations

from pathlib import Path

import numpy as np

from tickvision.data import memory


def test_the_same_content_is_looked_at_once_and_other_content_again(tmp_path: Path) -> None:
    looked: list[str] = []

    def look(name: str) -> list[tuple[int, int]]:
        looked.append(name)
        return [(1, 2)]

    one, two = np.arange(4), np.arange(4, dtype=np.int32)
    for _ in range(2):
        held = memory.Memory(tmp_path / "m.json")
        assert held.recall("near", [one], lambda: look("one")) == [[1, 2]]
        assert held.recall("near", [two], lambda: look("two")) == [[1, 2]]
        assert held.recall("other", [one], lambda: look("other")) == [[1, 2]]
        held.write()
    assert looked == ["one", "two", "other"]
    held = memory.Memory(tmp_path / "m.json")
    held.recall("near", [one[::-1]], lambda: look("turned"))
    held.write()  # what was not asked for is forgotten
    memory.Memory(tmp_path / "m.json").recall("near", [one], lambda: look("one again"))
    assert looked[3:] == ["turned", "one again"]


def test_a_broken_memory_is_an_empty_one(tmp_path: Path) -> None:
    for text in ("{", "[]", '{"a": '):
        (tmp_path / "m.json").write_text(text, "utf-8")
        assert memory.Memory(tmp_path / "m.json").recall("near", [], lambda: 3) == 3
