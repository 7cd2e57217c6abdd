"""The page of `compare`: runs side by side, paired differences, and the specimens that changed, with photographs."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from typing import Any

import pandas as pd

from tickvision.domain import cautions
from tickvision.evaluation.report_files import to_csv
from tickvision.evaluation.report_format import TEMPLATES, Page, templates

SHOWN = 8  # changed specimens with their photographs, each way

Result = Mapping[str, Any]


def shown(result: Result) -> list[Mapping[str, Any]]:
    """Return the changed specimens that the page shows with a photograph; those most surely wrong now come first."""
    ways = ("right_to_wrong", "wrong_to_right")
    return [pair[way][i] for pair in result["comparisons"] for way in ways for i in order(pair, way)]


def order(pair: Result, way: str) -> list[int]:
    """Return the places of the specimens to show, those first whose wrong answer was the surest."""
    wrong_in = "confidence_b" if way == "right_to_wrong" else "confidence_a"
    rows = pair[way]
    return sorted(range(len(rows)), key=lambda i: (-rows[i][wrong_in], rows[i]["specimen_id"]))[:SHOWN]


def render(result: Result, statistics: Mapping[str, str], thumbnails: Mapping[str, str] | None = None) -> str:
    """Return the page. statistics: what each statistic is called. thumbnails: photo_id -> data URI."""
    from markupsafe import Markup

    script = (TEMPLATES / "report.js").read_text(encoding="utf-8")
    html: str = (
        templates()
        .get_template("compare.html.j2")
        .render(
            f=result,
            p=Page(result),
            statistics=statistics,
            order=order,
            thumbnails=thumbnails or {},
            cautions=cautions,
            style=Markup((TEMPLATES / "report.css").read_text(encoding="utf-8")),  # noqa: S704  our own file
            script=Markup(script),  # noqa: S704  our own file
            digest=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii"),
        )
    )
    return html


def changed_csv(result: Result) -> str:
    """Return all changed specimens as CSV: run, way, specimen, label, and what both runs said."""
    rows = [
        {"run": pair["run"], "against": pair["against"], "change": way, **row}
        for pair in result["comparisons"]
        for way in ("right_to_wrong", "wrong_to_right")
        for row in pair[way]
    ]
    columns = ["run", "against", "change", "specimen_id", "photo_id", "label", "said_a", "said_b"]
    return to_csv(pd.DataFrame(rows, columns=[*columns, "confidence_a", "confidence_b"]))
