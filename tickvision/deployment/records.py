"""Long runs: JSON lines that can be gone on with after a kill, and the parts of several machines put together."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tickvision.deployment.decision import Decision
from tickvision.errors import OutputError

START = b'{"specimen_id": '  # of every line that predict writes
MAX_LINE = 16 * 1024 * 1024


@dataclass(frozen=True)
class Done:
    """What an earlier run has written: the specimens it decided on, and how many photographs it could not use."""

    specimens: frozenset[str]
    failed: int


def go_on(path: Path, model: str) -> Done:
    """Return what a file of JSON lines holds already, its torn last line cut off. model: what must have made it.

    Raises OutputError if it is of another model, or no file of decisions.
    """
    if not path.exists():
        return Done(frozenset(), 0)
    _refuse_others(path, model)
    _cut_torn_line(path)
    specimens, failed = set(), 0
    for decision in read(path, model):
        specimens.add(decision.specimen_id)
        failed += sum(p.status != "ok" for p in decision.photographs)
    return Done(frozenset(specimens), failed)


def _refuse_others(path: Path, model: str) -> None:
    """Raise OutputError if the file does not begin with a decision of this model: nothing of it may be cut off then."""
    with path.open("rb") as handle:
        first = handle.readline(MAX_LINE)
    if first.endswith(b"\n"):
        _decision(path, 1, first.decode("utf-8", "backslashreplace"), model)
    elif not first.startswith(START[: len(first)]):
        raise OutputError(f"{path}: holds no decisions, so it cannot be gone on with. Give another --output.")


def _cut_torn_line(path: Path) -> None:
    with path.open("r+b") as handle:
        end = handle.seek(0, 2)
        position = end
        while position > 0:
            start = max(0, position - 65536)
            handle.seek(start)
            found = handle.read(position - start).rfind(b"\n")
            if found >= 0:
                handle.truncate(start + found + 1)
                return
            position = start
        handle.truncate(0)


def read(path: Path, model: str) -> Iterator[Decision]:
    """Yield the decisions of a file of JSON lines. Raises OutputError on a line that is none of this model's."""
    try:
        with path.open("r", encoding="utf-8") as handle:
            for number, line in enumerate(handle, 1):
                yield _decision(path, number, line, model)
    except (OSError, UnicodeDecodeError) as error:
        raise OutputError(f"{path}: cannot be read ({error}).") from None


def _decision(path: Path, number: int, line: str, model: str) -> Decision:
    try:
        decision = Decision.from_dict(json.loads(line))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise OutputError(
            f"{path}, line {number}: no decision in JSON ({type(error).__name__}: {str(error)[:120]}). "
            "Was the file written by predict --format jsonl?"
        ) from None
    if decision.model != model:
        raise OutputError(
            f"{path}, line {number}: made by the model '{decision.model}', this package is '{model}'. "
            "Answers of two models do not go into one file; give another --output."
        )
    return decision


def merge(parts: Sequence[Path], model: str) -> Iterator[Decision]:
    """Yield the decisions of all parts, in the order given. Raises OutputError on a specimen that comes twice."""
    seen: dict[str, Path] = {}
    for part in parts:
        for decision in read(part, model):
            if decision.specimen_id in seen:
                raise OutputError(
                    f"{part}: specimen '{decision.specimen_id}' is also in {seen[decision.specimen_id]}. Were the "
                    "parts made from one list with --shard 1/n to n/n?"
                )
            seen[decision.specimen_id] = part
            yield decision
