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
    named, wrong: what the ladder did. p: of right against the rest; wrong_p: of wrong among the named against the rest.
    Levels of fewer than 5 are shown but not tested.
    """
    found: list[dict[str, Any]] = []
    for name, values in facets(frame, test, taxonomy):
        levels = _levels(np.array(values), judged)
        found.append({"facet": name, "levels": levels, "compared": len(levels) > 1})
    tests = _p_values(found)
    return {
        "facets": found,
        "tests": tests,
        "level": LEVEL,
        "differing": _differing(found),
        "differing_wrong": _differing(found, "wrong_differs"),
    }


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
    found.append(("specimens from the sender", _sender_sizes(frame, test.ids)))
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


def _sender_sizes(frame: pd.DataFrame, ids: NDArray[np.str_]) -> list[str]:
    """Return how many specimens of the whole set each specimen's sender gave, in three sizes."""
    known = frame[frame["creator"] != ""].drop_duplicates("specimen_id")
    counts = known["creator"].value_counts().to_dict()
    of_specimen = dict(zip(known["specimen_id"], known["creator"], strict=True))
    sizes = [counts.get(of_specimen.get(s, ""), 0) for s in ids]
    return [UNKNOWN if not c else "1 to 4" if c < 5 else "5 to 19" if c < 20 else "20 or more" for c in sizes]


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
                "wrong_p": _fisher(wrong, named, *_rest(here, judged)),
                "wrong_p_holm": None,
                "wrong_differs": False,
            }
        )
    return rows


def _rest(here: NDArray[np.bool_], judged: Judged) -> tuple[int, int]:
    """Return (wrong, named) of all other test specimens."""
    return int((~here & judged.given_wrong).sum()), int((~here & judged.named).sum())


def _order(level: str) -> tuple[int, str]:
    known: Sequence[str] = (*QUARTERS, "larva", "nymph", "adult", "flat", "partly", "fully", "under 480 px", "1 to 4")
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
    """Correct all p-values for the number of looks (Holm 1979) and return that number; two levels are one look.

    There are two looks at each level: right if nothing were passed on, and wrong among the names given.
    """
    looks = [(rows, key) for key in ("p", "wrong_p") for facet in found for rows in _looks(facet["levels"], key)]
    corrected = holm([rows[0][key] for rows, key in looks])
    for (rows, key), p in zip(looks, corrected, strict=True):
        for row in rows:
            row[f"{key}_holm"] = float(p)
            row["differs" if key == "p" else "wrong_differs"] = bool(p <= LEVEL)
    return len(looks)


def _looks(levels: list[dict[str, Any]], key: str) -> list[list[dict[str, Any]]]:
    """Return the levels that are tested; both of two are one look, since each is the rest of the other."""
    tested = [row for row in levels if row[key] is not None]
    return [tested] if len(levels) == 2 and len(tested) == 2 else [[row] for row in tested]


def _differing(found: list[dict[str, Any]], mark: str = "differs") -> list[dict[str, Any]]:
    """Return the slices that differ from the rest after correction, worst first."""
    rows = [{"facet": f["facet"], **row} for f in found for row in f["levels"] if row[mark]]
    return sorted(rows, key=lambda r: r["difference"] if mark == "differs" else -r["error"])
