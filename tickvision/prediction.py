"""What `predict` and `info PACKAGE` do: input to decisions to an output form."""

from __future__ import annotations

import itertools
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TextIO

from tickvision.deployment import outputs
from tickvision.deployment.decision import Decision, caution_text
from tickvision.deployment.package import read
from tickvision.deployment.predict import find_photographs, group, load, read_list
from tickvision.errors import DataError, OutputError
from tickvision.progress import Progress


def predict_to(
    package: Path,
    photographs: list[str],
    table: Path | None,
    group_by: str,
    form: str,
    output: Path | None,
    quiet: bool,
) -> int:
    """Predict, write to output or stdout, and return how many photographs could not be used."""
    specimens = read_list(table) if table is not None else group(find_photographs(photographs), group_by)
    if not specimens:
        raise DataError("no photographs: name files, folders or patterns, or give --list TABLE.csv")
    predictor = load(package)
    progress = Progress(quiet or (output is None and sys.stdout.isatty()))
    done = itertools.count(1)
    failed = 0

    def decisions() -> Iterator[Decision]:
        nonlocal failed
        for decision in predictor.stream(specimens):
            failed += sum(p.status != "ok" for p in decision.photographs)
            progress.tick("predicting specimens", next(done), len(specimens), failed)
            yield decision

    with ExitStack() as stack:
        handle: TextIO = sys.stdout if output is None else stack.enter_context(_open(output))
        if form == "jsonl":
            outputs.write_json_lines(decisions(), handle)
        elif form == "csv":
            outputs.write_csv(decisions(), handle)
        else:
            handle.write(outputs.table(list(decisions())))
    if failed:
        print(
            f"tickvision: {failed} photographs could not be used; each is in the output with its reason.",
            file=sys.stderr,
        )
    return failed


def _open(output: Path) -> TextIO:
    try:
        return output.open("w", encoding="utf-8", newline="")
    except OSError as error:
        raise OutputError(f"{output}: cannot be written ({error.strerror}).") from None


def describe(folder: Path) -> tuple[dict[str, object], list[str]]:
    """Return what a package holds, as values and as lines for a person."""
    package = read(folder)
    policy = package.policy
    promises = [f"{r.name}: {r.certificate.statement() if r.certificate else 'no promise'}" for r in policy.rungs]
    result: dict[str, object] = {
        "model": package.model_id,
        "bench": package.bench,
        "contact": package.contact,
        "drawn": package.drawn,
        "taxa": list(package.taxonomy.taxa),
        "states": [" ".join(filter(None, s)) for s in package.taxonomy.states],
        "promises": promises,
        "trained_on_photographs": len(package.trained_on),
        "size_px": package.prepare.size_px,
        "caution": caution_text(package.drawn),
    }
    lines = [
        f"{k.replace('_', ' ')}: {', '.join(v) if isinstance(v, list) and k != 'promises' else v}"
        for k, v in result.items()
        if k != "promises"
    ]
    return result, lines[:-1] + promises + lines[-1:]
