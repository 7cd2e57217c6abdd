"""Questions to a model in use, what `shares`, `agree` and `monitor` do: a season's taxa, the readers, the audits."""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import partial
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tickvision.domain import user_tables
from tickvision.domain.spreadsheet import row_writer
from tickvision.errors import DataError, MetricError
from tickvision.evaluation import agreement, priors, sequential
from tickvision.whole_files import write_text

Said = tuple[dict[str, object], list[str]]
BLANK = ""


def shares(package: Path, photographs: list[str], table: Path | None, group_by: str, output: Path | None) -> Said:
    """Return how the taxa of unlabelled specimens are shared out, with bootstrap intervals, and lines for a person.

    output: a table of expected specimens that `decide.expected` reads. Nothing is said of any one specimen.
    Raises CalibrationError under 200 readable specimens, or if the model keeps no shares to start from.
    """
    from tickvision.deployment import load
    from tickvision.deployment.specimens import named

    predictor = load(package)
    policy, taxonomy = predictor.package.policy, predictor.package.taxonomy
    if not policy.taxon_shares:
        raise DataError(f"{package}: keeps no shares of its calibration specimens. Calibrate and package it again.")
    old = np.asarray(policy.taxon_shares)
    specimens = named(photographs, table, group_by)
    logits = predictor.taxon_logits(specimens)
    found = priors.estimate_prior(policy.taxon_map.apply(logits), old)
    columns = zip(taxonomy.taxa, old, found.shares, found.low, found.high, found.shrunk, strict=True)
    rows = [
        dict(zip(("taxon", "calibration", "share", "low", "high", "shrunk"), (t, *map(float, v)), strict=True))
        for t, *v in columns
    ]
    lines = [f"{found.n:,} specimens, none of them named here; 95 % intervals by bootstrap"]
    lines += [
        f"  {r['taxon']}: {r['share']:.3f} ({r['low']:.3f} to {r['high']:.3f}); calibration {r['calibration']:.3f}; "
        f"to work with {r['shrunk']:.3f}"
        for r in rows
    ]
    lines.append(
        "Names given under other shares carry no promise until certified again: decide.expected = this table, then "
        "tickvision calibrate CONFIG"
    )
    if output is not None:
        counted = io.StringIO(newline="")
        write_row = row_writer(counted)
        write_row(("place", "month", "scientific_name", "specimens"))
        for r in rows:
            write_row(("", "", r["taxon"], f"{r['share'] * found.n:.2f}"))
        write_text(output, counted.getvalue())
    return {"specimens": found.n, "taxa": rows}, lines


def agree(readings: Path, column: str) -> Said:
    """Return how far the readers of a table agree on a column, each pair and all together, and lines for a person.

    readings: CSV with specimen_id, reader and the column (as scientific_name, life_stage or sex); one row a reading,
    the model may be a reader. Blank = not named. Raises DataError on a missing column or a reader who names one twice.
    """
    readers, specimens, classes, ratings = _ratings(readings, column)
    pairs = [_pair(readers, classes, specimens, ratings, a, b) for a, b in combinations(range(len(readers)), 2)]
    result: dict[str, object] = {"column": column, "specimens": len(specimens), "readers": readers, "pairs": pairs}
    lines = [f"{len(specimens):,} specimens, {len(readers)} readers, column {column}"]
    for pair in pairs:
        lines.append(f"  {pair['readers'][0]} and {pair['readers'][1]}: {pair['n']:,} specimens read by both")
        lines += [f"    {words}: {_told(pair[key])}" for key, words in FIGURES.items()]
    if len(readers) > 2:
        alpha = partial(agreement.with_interval, agreement.krippendorff, specimens, *ratings, n_classes=len(classes))
        everyone = _estimate(alpha, len(specimens))
        result["krippendorff"] = everyone
        lines.append(f"  Krippendorff's alpha of all: {_told(everyone)}")
    known = agreement.EXPERTS_FROM_PHOTOGRAPHS
    result["published"] = known._asdict()
    lines.append(
        f"Published for comparison: {known.measured}: {100 * known.share:.1f} % right "
        f"(95 % interval {100 * known.low:.1f} to {100 * known.high:.1f}); {known.source}."
    )
    return result, lines


FIGURES = {"raw": "named alike", "kappa": "Cohen's kappa"}


def _ratings(path: Path, column: str) -> tuple[list[str], list[str], list[str], NDArray[np.int64]]:
    """Return (readers, specimens, classes, ratings (readers, specimens) with -1 = not named)."""
    table = user_tables.read(path, ("specimen_id", "reader", column), "a CSV table", DataError)
    rows = [(n, r["specimen_id"], r["reader"], r[column].strip()) for n, r in table]
    readers = sorted({reader for _, _, reader, _ in rows})
    specimens = sorted({specimen for _, specimen, _, _ in rows})
    classes = sorted({said for *_, said in rows} - {BLANK})
    if len(readers) < 2:
        raise DataError(f"{path}: {len(readers)} reader(s); agreement needs two or more.")
    ratings = np.full((len(readers), len(specimens)), -1, np.int64)
    place = [{name: i for i, name in enumerate(names)} for names in (readers, specimens, classes)]
    seen: set[tuple[str, str]] = set()
    for line, specimen, reader, said in rows:
        if (specimen, reader) in seen:
            raise DataError(f"{path}, line {line}: '{reader}' reads specimen '{specimen}' a second time.")
        seen.add((specimen, reader))
        if said:
            ratings[place[0][reader], place[1][specimen]] = place[2][said]
    return readers, specimens, classes, ratings


def _pair(
    readers: list[str], classes: list[str], specimens: list[str], ratings: NDArray[np.int64], a: int, b: int
) -> dict[str, Any]:
    both = (ratings[a] >= 0) & (ratings[b] >= 0)
    names = np.asarray(specimens)[both]
    one, two, n_classes = ratings[a][both], ratings[b][both], len(classes)
    by_class = agreement.class_agreement(one, two, n_classes)
    alike = partial(agreement.with_interval, agreement.raw_agreement, names, one, two, n_classes=n_classes)
    return {
        "readers": [readers[a], readers[b]],
        "n": len(names),
        "raw": _estimate(alike, len(names)),
        "kappa": _estimate(partial(agreement.cohen_estimate, one, two, n_classes), len(names)),
        "per_class": {c: _plain(v) for c, v in zip(classes, by_class, strict=True)},
    }


def _estimate(made: Callable[[], agreement.Estimate], n: int) -> dict[str, Any]:
    """Return value, interval and n; None where there is no data or the statistic is undefined."""
    try:
        return {k: _plain(v) for k, v in made()._asdict().items()}
    except MetricError:
        return {"value": None, "low": None, "high": None, "n": n}


def _plain(value: float) -> float | int | None:
    return None if value != value else value


def _told(estimate: dict[str, Any]) -> str:
    if estimate["value"] is None:
        return f"no data (n = {estimate['n']:,})"
    if estimate["low"] is None:
        return f"{estimate['value']:.3f} (n = {estimate['n']:,}, too few for an interval)"
    return f"{estimate['value']:.3f} (95 % interval {estimate['low']:.3f} to {estimate['high']:.3f})"


def monitor(audits: Path, max_error: float, false_alarm: float) -> Said:
    """Return whether a season's audited answers still keep the promise, and lines for a person.

    audits: CSV with specimen_id and wrong (yes or no), a random sample of the answers given, in the order audited.
    """
    wrong, seen = [], set()
    for line, row in user_tables.read(audits, ("specimen_id", "wrong"), "a CSV table", DataError):
        said = row["wrong"].strip().lower()
        if said not in WORDS:
            raise DataError(f"{audits}, line {line}: wrong = '{row['wrong']}'; expected yes or no.")
        if row["specimen_id"] in seen:
            raise DataError(f"{audits}, line {line}: specimen '{row['specimen_id']}' is audited a second time.")
        seen.add(row["specimen_id"])
        wrong.append(WORDS[said])
    alarm = sequential.watch(np.asarray(wrong, bool), max_error, false_alarm)
    lines = [
        f"{alarm.errors:,} of {alarm.n:,} audited answers were wrong; the promise is at most {max_error:.3g}",
        f"evidence against the promise {alarm.evidence:.3g}, highest {alarm.peak:.3g}; alarm from "
        f"{1 / false_alarm:.3g} (raised by mistake in at most {false_alarm:.3g} of seasons)",
    ]
    if alarm.raised_at is not None:
        lines.append(
            f"ALARM at audit {alarm.raised_at:,}: the promise no longer holds. Refer every case, and calibrate anew on "
            "specimens of this season and place."
        )
    else:
        lines.append("no alarm: nothing shows that the promise is broken (few audits show little)")
    return dict(alarm._asdict()), lines


WORDS = {"yes": True, "no": False, "true": True, "false": False, "1": True, "0": False}
