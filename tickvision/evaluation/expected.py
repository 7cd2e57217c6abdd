"""What is to be expected at one place in one month: a table of counts, the shares it stands for, and a fair sample.

The table is a CSV with the columns place, month (1-12), scientific_name, specimens; a blank place or month means all.
Shares are shrunk towards those of the calibration specimens, and never estimated for one photograph.
Certifying again under them: of each taxon's calibration specimens a share is kept by lot such that those left are drawn
like the expected ones, given that each taxon looks there as it does here (label shift). What is promised of them is
then exact again (rejection sampling; von Neumann 1951; for certificates Park, Dobriban, Lee & Bastani 2022).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tickvision.domain import user_tables
from tickvision.domain.taxonomy import Taxonomy
from tickvision.errors import CalibrationError, did_you_mean
from tickvision.evaluation.priors import shrink
from tickvision.evaluation.probabilities import HeadMap

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
COLUMNS = ("place", "month", "scientific_name", "specimens")
KEPT_SEED = 20260503


@dataclass(frozen=True)
class Expected:
    """counts: (T,) specimens of each taxon of the taxonomy. words: where and when, for people."""

    counts: Floats
    words: str


def read(path: Path, taxonomy: Taxonomy, place: str = "", month: int = 0) -> Expected:
    """Return the counts of one place and month; month 0 and place "" take every row.

    Raises CalibrationError naming the line: a missing column, an unknown name, a month outside 1..12, no row that fits.
    """
    counts = np.zeros(len(taxonomy.taxa))
    for line, row in user_tables.read(path, COLUMNS, "a table of expected specimens", CalibrationError):
        own = _month(path, line, row)
        if (place and row["place"].strip() not in ("", place)) or (month and own and own != month):
            continue
        counts[_taxon(path, line, row, taxonomy)] += _number(path, line, row)
    if not counts.sum():
        raise CalibrationError(f"{path}: no specimens for {_words(place, month)}; expected at least one row that fits.")
    return Expected(counts, _words(place, month))


def _words(place: str, month: int) -> str:
    return f"{place or 'all places'}, {f'month {month}' if month else 'all months'}"


def _taxon(path: Path, line: int, row: dict[str, str], taxonomy: Taxonomy) -> int:
    name = row["scientific_name"].strip()
    if name not in taxonomy.taxa:
        hint = did_you_mean(name, taxonomy.taxa)
        raise CalibrationError(f"{path}, line {line}: '{name}' is not among the names this model gives.{hint}")
    return list(taxonomy.taxa).index(name)


def _month(path: Path, line: int, row: dict[str, str]) -> int:
    """Return the month of a row, also of one written "05"; 0 where it is blank."""
    told = row["month"].strip()
    if told and not (told.isdecimal() and 1 <= int(told) <= 12):
        raise CalibrationError(f"{path}, line {line}: month '{row['month']}'; expected 1 to 12, or blank for all.")
    return int(told or 0)


def _number(path: Path, line: int, row: dict[str, str]) -> float:
    try:
        number = float(row["specimens"])
    except ValueError:
        number = float("nan")
    if not 0 <= number < float("inf"):
        raise CalibrationError(f"{path}, line {line}: specimens '{row['specimens']}'; expected a count, 0 or more.")
    return number


def shares_of(taxa: NDArray[np.int64], n_taxa: int) -> Floats:
    """Return the shares (T,) of settled taxa (-1 = unsettled, left out), half a specimen added to each (Jeffreys)."""
    counts = np.bincount(taxa[taxa >= 0], minlength=n_taxa) + 0.5
    return np.asarray(counts / counts.sum(), dtype=np.float64)


def expected_shares(expected: Expected, old: Floats) -> Floats:
    """Return the shares (T,) to work with: those of the counts, shrunk to the old ones as by 100 specimens."""
    total = float(expected.counts.sum())
    return shrink(expected.counts / total, old, round(total))


def shift(head: HeadMap, old: Floats, new: Floats) -> HeadMap:
    """Return the map whose probabilities are those of head re-weighted by new / old (Saerens et al. 2002, eq. 2.4)."""
    bias = np.zeros(len(old)) if head.bias is None else np.asarray(head.bias)
    return replace(head, bias=tuple(float(b) for b in bias + np.log(new / old)))


def fair_sample(taxa: NDArray[np.int64], old: Floats, new: Floats, seed: int = KEPT_SEED) -> Bools:
    """Return (N,) bool: the specimens kept by lot so that their taxa have the shares new instead of old.

    taxa: (N,), -1 where the label leaves the taxon open; those are all kept, to count as wrong. The lot looks at the
    taxon alone, never at what the network said of the specimen.
    """
    ratio = new / old
    keep = np.where(taxa >= 0, ratio[np.maximum(taxa, 0)] / ratio.max(), 1.0)
    return np.asarray(np.random.default_rng(seed).random(len(taxa)) < keep)
