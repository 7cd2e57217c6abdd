"""Does it hold for everyone? The same figures by stage, sex, feeding, view, device, source, season and more."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tickvision.domain.taxonomy import Taxonomy
from tickvision.evaluation.compare import holm
from tickvision.evaluation.intervals import wilson
from tickvision.evaluation.report_judged import Judged
from tickvision.evaluation.specimens import Specimens

LEVEL = 0.05
LEAST_TESTED = 5  # of the slice and of the rest
MOST_LEVELS = 12
UNKNOWN = "not recorded"
MIXED = "several"
QUARTERS = ("January to March", "April to June", "July to September", "October to December")

Facet = tuple[str, list[str]]


def slices(frame: pd.DataFrame, test: Specimens, judged: Judged, taxonomy: Taxonomy) -> dict[str, Any]:
    """Return for each facet its levels with counts, intervals and Holm-corrected differences from the rest of the test.

    frame: the manifest. right of n: if nothing were referred, on specimens whose label settles the finest name.
    named, wrong: what the ladder did. Levels of fewer than 5 specimens are shown but not tested.
    """
    found: list[dict[str, Any]] = []
    for name, values in facets(frame, test, taxonomy):
        levels = _levels(np.array(values), judged)
        found.append({"facet": name, "levels": levels, "compared": len(levels) > 1})
    tests = _p_values(found)
    return {"facets": found, "tests": tests, "level": LEVEL, "differing": _differing(found)}


def facets(frame: pd.DataFrame, test: Specimens, taxonomy: Taxonomy) -> list[Facet]:
    """Return (name, one value per test specimen) of each facet that the manifest tells something about."""
    rows = frame[frame["specimen_id"].isin(set(test.ids))]
    found: list[Facet] = []
    for name, column in (
        ("stage", "life_stage"),
        ("sex", "sex"),
        ("feeding", "feeding"),
        ("view", "view"),
        ("device", "device"),
        ("source", "source"),
        *((c.removeprefix("x_").replace("_", " "), c) for c in rows.columns if c.startswith("x_")),
    ):
        found.append((name, _per_specimen(rows, column, test.ids, str)))
    found.append(("season", _per_specimen(rows, "event_date", test.ids, _quarter)))
    found.append(("specimens in the submission", _submission_sizes(frame, test.ids)))
    found.append(("photographs of the specimen", ["4 or more" if p > 3 else str(p) for p in test.photos]))
    if "short_side_px" in rows.columns:
        found.append(("picture size", _per_specimen(rows, "short_side_px", test.ids, _size)))
    if not taxonomy.has_stages:
        found = [f for f in found if f[0] != "stage"]
    if not taxonomy.has_sexes:
        found = [f for f in found if f[0] != "sex"]
    told = [f for f in found if set(f[1]) - {UNKNOWN} and len(set(f[1])) <= MOST_LEVELS]
    return [f for i, f in enumerate(told) if all(f[1] != other[1] for other in told[:i])]


def _per_specimen(rows: pd.DataFrame, column: str, ids: NDArray[np.str_], word: Callable[[str], str]) -> list[str]:
    """Return each specimen's word, "several" where its photographs differ."""
    said: dict[str, set[str]] = {}
    for specimen, value in zip(rows["specimen_id"], rows[column], strict=True):
        said.setdefault(specimen, set()).add(word(str(value)) if str(value) else UNKNOWN)
    found = []
    for specimen in ids:
        words = said.get(specimen, set()) - {UNKNOWN}
        found.append(MIXED if len(words) > 1 else next(iter(words), UNKNOWN))
    return found


def _quarter(date: str) -> str:
    month = date[5:7]
    return QUARTERS[(int(month) - 1) // 3] if month.isdigit() and 1 <= int(month) <= 12 else UNKNOWN


def _size(short_side: str) -> str:
    side = int(float(short_side))
    return "under 480 px" if side < 480 else "480 to 959 px" if side < 960 else "960 px or more"


def _submission_sizes(frame: pd.DataFrame, ids: NDArray[np.str_]) -> list[str]:
    """Return "1", "2 to 3", "4 or more" specimens in each specimen's submission; one without a group is alone."""
    of_specimen = dict(zip(frame["specimen_id"], frame["group_id"], strict=True))
    counts = frame.groupby("group_id")["specimen_id"].nunique().to_dict()
    sizes = [counts.get(of_specimen.get(s, ""), 1) if of_specimen.get(s, "") else 1 for s in ids]
    return ["1" if c <= 1 else "2 to 3" if c <= 3 else "4 or more" for c in sizes]


def _levels(values: NDArray[np.str_], judged: Judged) -> list[dict[str, Any]]:
    known = judged.truth >= 0
    rows = []
    for level in sorted(set(values.tolist()), key=lambda v: (v in (UNKNOWN, MIXED), _order(v))):
        here = values == level
        n, right = int((here & known).sum()), int((here & known & judged.right).sum())
        rest_n, rest_right = int((~here & known).sum()), int((~here & known & judged.right).sum())
        named, wrong, size = int((here & judged.named).sum()), int((here & judged.given_wrong).sum()), int(here.sum())
        rows.append(
            {
                "level": level,
                "specimens": size,
                "n": n,
                "right": right,
                "accuracy": right / n if n else None,
                "interval": list(wilson(right, n)) if n else None,
                "difference": right / n - rest_right / rest_n if n and rest_n else None,
                "difference_interval": newcombe(right, n, rest_right, rest_n) if n and rest_n else None,
                "named": named,
                "coverage": named / size,
                "wrong": wrong,
                "error": wrong / named if named else None,
                "error_interval": list(wilson(wrong, named)) if named else None,
                "p": _fisher(right, n, rest_right, rest_n),
                "p_holm": None,
                "differs": False,
            }
        )
    return rows


def _order(level: str) -> tuple[int, str]:
    known: Sequence[str] = (*QUARTERS, "larva", "nymph", "adult", "flat", "partly", "fully", "under 480 px")
    return (known.index(level) if level in known else len(known), level)


def newcombe(k1: int, n1: int, k2: int, n2: int) -> list[float]:
    """Return the 95 % interval of k1 / n1 - k2 / n2. Source: Newcombe 1998, method 10 (hybrid of Wilson intervals)."""
    p1, p2 = k1 / n1, k2 / n2
    (low1, high1), (low2, high2) = wilson(k1, n1), wilson(k2, n2)
    gap = p1 - p2
    below = float(np.hypot(p1 - low1, high2 - p2))
    above = float(np.hypot(high1 - p1, p2 - low2))
    return [gap - below, gap + above]


def _fisher(k1: int, n1: int, k2: int, n2: int) -> float | None:
    from scipy.stats import fisher_exact

    if min(n1, n2) < LEAST_TESTED:
        return None
    return float(fisher_exact(np.array([[k1, n1 - k1], [k2, n2 - k2]])).pvalue)


def _p_values(found: list[dict[str, Any]]) -> int:
    """Correct all p-values for the number of looks (Holm 1979) and return that number; two levels are one look."""
    looks = []
    for facet in found:
        tested = [row for row in facet["levels"] if row["p"] is not None]
        looks += [tested] if len(facet["levels"]) == 2 and len(tested) == 2 else [[row] for row in tested]
    corrected = holm([rows[0]["p"] for rows in looks])
    for rows, p in zip(looks, corrected, strict=True):
        for row in rows:
            row["p_holm"], row["differs"] = float(p), bool(p <= LEVEL)
    return len(looks)


def _differing(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the slices that differ from the rest after correction, worst first."""
    rows = [{"facet": f["facet"], **row} for f in found for row in f["levels"] if row["differs"]]
    kept = ("facet", "level", "n", "right", "accuracy", "interval", "difference", "difference_interval", "p_holm")
    return [{k: row[k] for k in kept} for row in sorted(rows, key=lambda r: r["difference"])]
