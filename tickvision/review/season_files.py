"""The season as CSV."""

from __future__ import annotations

import io
from collections.abc import Sequence

from tickvision.domain.spreadsheet import guarded, row_writer
from tickvision.review.drift import Drift
from tickvision.review.season import STAGES, Season, Week

WEEK_COLUMNS = (
    "week", "submissions", "specimens", "referred", "referred_share", "referred_low", "referred_high", "concluded",
    "hours_to_conclusion_median", "hours_to_conclusion_p90", "audited", "audited_wrong", "wrong_share", "wrong_low",
    "wrong_high",
)  # fmt: skip


def weeks_csv(season: Season) -> str:
    """Return one row a week and one for the season; blank where there is no data. Intervals are 95 %."""
    return _csv(WEEK_COLUMNS, [_week_row(w) for w in (*season.weeks, season.total)])


def found_csv(season: Season) -> str:
    """Return one row a name, a column for each stage and sex."""
    rows = [[guarded(name), *(str(counts.get(s, 0)) for s in STAGES)] for name, counts in season.found.items()]
    return _csv(("scientific_name", *(s.replace(" ", "_") for s in STAGES)), rows)


def stream_csv(drifts: Sequence[Drift]) -> str:
    """Return one row for confidence and one for the embedding: the newest quarter against what came before."""
    rows = [[d.of, d.measure, _number(d.size, 4), _number(d.p, 3), str(d.before), str(d.newest)] for d in drifts]
    return _csv(("of", "measure", "size", "p", "specimens_before", "specimens_newest"), rows)


def _week_row(w: Week) -> list[str]:
    return [
        w.week,
        str(w.submissions),
        str(w.specimens),
        str(w.referred),
        *_share(w.referred, w.specimens, w.referred_interval),
        str(w.concluded),
        _number(w.hours_median, 1),
        _number(w.hours_p90, 1),
        str(w.audited),
        str(w.wrong),
        *_share(w.wrong, w.audited, w.wrong_interval),
    ]


def _share(k: int, n: int, interval: tuple[float, float] | None) -> list[str]:
    return [f"{k / n:.4f}", f"{interval[0]:.4f}", f"{interval[1]:.4f}"] if n and interval else ["", "", ""]


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def _csv(header: tuple[str, ...], rows: list[list[str]]) -> str:
    out = io.StringIO(newline="")
    write_row = row_writer(out)
    for row in (header, *rows):
        write_row(row)
    return out.getvalue()
