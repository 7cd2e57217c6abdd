"""The report: lines for the terminal, one self-contained HTML page, tables and pictures as files.

Every figure comes from the dictionary that metrics.json holds, and stands on the page with the pointer to it.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from tickvision.domain import cautions
from tickvision.evaluation import report_words as words
from tickvision.evaluation.report_files import write_files
from tickvision.evaluation.report_format import TEMPLATES, Page, show, templates

__all__ = ["headline", "render", "write_files"]

FOLD_CLASSES = 14  # tables of more classes number their columns instead of writing the names on end
DENSE_CLASSES = 20  # and of more still are set smaller
MOST_CLASSES = 200  # larger confusion tables are in tables/ only

Figures = Mapping[str, Any]


def headline(figures: Figures) -> list[str]:
    """Return three to six plain sentences: what of 100 specimens is named, how much is wrong, what is promised."""
    now = words.state(figures)
    if now == "empty":
        return [
            "The test part is empty, so nothing is known about how often a name is wrong.",
            *_promise_lines(figures),
            "Give the test part a share in [split] and run again.",
        ]
    d, n = figures["decisions"], figures["test_specimens"]
    lines = [
        f"{n:,} test specimen{'' if n == 1 else 's'}: {d['answered']:,} named, {d['referred']:,} passed to a person."
    ]
    held = [row for row in figures.get("of_100", []) if row["specimens"]]
    parts = [f"{row['of_100']} {words.kind_words(figures, row['kind'])}" for row in held]
    if parts:
        lines.append(f"Of 100 specimens about {', '.join(parts)}.")
    if d["answered"]:
        low, high = d["error_interval"]
        lines.append(
            f"{d['wrong']:,} of the {d['answered']:,} given names were wrong ({_plain(d['error'])}, 95 % interval "
            f"{_plain(low)} to {_plain(high)})."
        )
    forced = figures.get("forced") or {}
    if forced.get("n"):
        lines.append(
            f"If it had to name them all, {forced['wrong']:,} of {forced['n']:,} would be wrong "
            f"({_plain(forced['error'])})."
        )
    return [*lines, *_promise_lines(figures)][:6]


def _plain(value: float) -> str:
    return show(value, "share").replace("\u00a0", " ")


def _promise_lines(figures: Figures) -> list[str]:
    """Return the promise in one sentence, or why there is none and how many specimens are missing."""
    d = figures["decisions"]
    if d["min_confidence"] is not None:
        return [f"The threshold {d['min_confidence']:g} was set by hand: no promise."]
    if d["has_promise"]:
        where = f" for {d['expected_at']}" if d.get("expected_at") else ""
        held = [words.rung_words(figures, r["rung"]) for r in d["rungs"] if r["threshold"] is not None]
        return [
            f"Promise{where}: at most {_plain(d['max_error'])} of the names given are wrong ({'; '.join(held)}); "
            f"{d['calibration_specimens']:,} calibration specimens; the procedure fails in at most "
            f"{_plain(d['failure_rate'])} of calibrations."
        ]
    lacks = figures.get("missing") or {}
    if not d["calibration_specimens"] or lacks.get("needed") is None:
        return ["No promise can be made: there are no calibration specimens. Every specimen goes to a person."]
    more = (
        f"about {lacks['needed']:,} more calibration specimens are missing."
        if lacks["helps"]
        else f"too many names are wrong; it would take {lacks['needed']:,} more calibration specimens, all named right."
    )
    return [f"No promise of at most {_plain(d['max_error'])} wrong can be made: {more}"]


def render(
    figures: Figures, thumbnails: Mapping[str, str] | None = None, looked: Mapping[str, str] | None = None
) -> str:
    """Return the report as one HTML page that needs no network and no script.

    thumbnails, looked: photo_id -> data URI of the photograph, and of the same with the place where the network looked.
    """
    from markupsafe import Markup

    script = (TEMPLATES / "report.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    page = Page(figures)
    html: str = (
        templates()
        .get_template("report.html.j2")
        .render(
            f=figures,
            p=page,
            thumbnails=thumbnails or {},
            looked=looked or {},
            pictures=_pictures(figures),
            style=Markup((TEMPLATES / "report.css").read_text(encoding="utf-8")),  # noqa: S704  our own file
            script=Markup(script),  # noqa: S704  our own file
            digest=digest,
            cautions=cautions,
            state=words.state(figures),
            kept=words.kept(figures),
            words=words,
            rung_words=partial(words.rung_words, figures),
            kind_words=partial(words.kind_words, figures),
            loop_index=_place,
            fold_classes=FOLD_CLASSES,
            dense_classes=DENSE_CLASSES,
            most_classes=MOST_CLASSES,
        )
    )
    return html


def _place(rows: Sequence[Any], row: Any) -> int:
    """Return where this very row stands, for the pointer to it."""
    return next(i for i, other in enumerate(rows) if other is row)


def _pictures(figures: Figures) -> dict[str, Any]:
    """Return name -> SVG element for the page; confusion tables are HTML tables there."""
    from markupsafe import Markup

    from tickvision.evaluation.figures import draw, inline_svg

    shown = draw(figures, with_confusion=False)
    return {name: Markup(inline_svg(f, name, _alt(figures, name))) for name, f in shown.items()}  # noqa: S704  ours


def _alt(figures: Figures, name: str) -> str:
    """Return what a picture shows, in words."""
    kind, _, head = name.partition("_")
    if kind == "reliability":
        held = figures["reliability"][head]["bins"]
        outside = sum(not b["band"][0] <= b["share_right"] <= b["band"][1] for b in held)
        return (
            f"Reliability of {words.HEADS[head].lower()}: share right against stated confidence in {len(held)} bins; "
            f"{outside} of them lie outside the band to expect of a calibrated model. The table below has the numbers."
        )
    if name == "risk_coverage":
        return (
            "Share of wrong answers against the share of specimens answered, the surest first, with the target as a "
            "dashed line. The table of the ladder has the numbers."
        )
    if name == "history":
        best = max((e["val_macro_recall"] or 0.0 for e in figures["history"]), default=0.0)
        return f"Val macro recall and losses over {len(figures['history'])} epochs; the best recall is {best:.3f}."
    return "Novelty scores of the test specimens; those beyond the limit are set aside. The counts stand in the text."
