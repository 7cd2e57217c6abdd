"""Predictions as a table for people, CSV and JSON lines. No form can be written without the caution."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable
from datetime import datetime
from typing import TextIO

from tickvision.deployment.decision import REFERRED, TO_GENUS, UNUSABLE, Decision
from tickvision.deployment.referral import clock
from tickvision.domain.spreadsheet import guarded, row_writer

CSV_COLUMNS = (
    "specimen_id",
    "state",
    "scientific_name",
    "taxon_rank",
    "life_stage",
    "sex",
    "confidence",
    "promise",
    "reason",
    "shortlist",
    "look_at",
    "further_photographs",
    "refer_to",
    "removed_at",
    "preventive_care_until",
    "photographs",
    "photographs_not_read",
    "in_training",
    "model",
    "caution",
)


def write_json_lines(decisions: Iterable[Decision], handle: TextIO) -> None:
    """Write one JSON object a line, flushed, so that a reader at the other end of a pipe sees each at once."""
    for decision in decisions:
        handle.write(json.dumps(decision.to_dict(), ensure_ascii=False) + "\n")
        handle.flush()


def write_csv(decisions: Iterable[Decision], handle: TextIO) -> None:
    """Write CSV_COLUMNS, lists joined by ' | '. Cells that a spreadsheet would run as a formula get a leading quote."""
    write_row = row_writer(handle)
    write_row(CSV_COLUMNS)
    for decision in decisions:
        write_row(map(guarded, cells(decision)))
        handle.flush()


def cells(d: Decision) -> list[str]:
    """Return the values of CSV_COLUMNS."""
    shortlist = " | ".join(
        f"{' '.join(filter(None, (c.scientific_name, c.life_stage, c.sex)))} {c.probability:.3f}" for c in d.shortlist
    )
    bad = " | ".join(f"{p.path}: {p.status} ({p.reason})" for p in d.photographs if p.status != "ok")
    known = " | ".join(p.path for p in d.photographs if p.in_training)
    return [
        d.specimen_id,
        d.state,
        d.scientific_name,
        d.taxon_rank,
        d.life_stage,
        d.sex,
        f"{d.confidence:.4f}",
        d.promise,
        d.reason,
        shortlist,
        " | ".join(d.look_at),
        " | ".join(d.further_photographs),
        d.refer_to,
        d.removed_at,
        d.preventive_care_until,
        " | ".join(p.path for p in d.photographs),
        bad,
        known,
        d.model,
        d.caution,
    ]


def table(decisions: list[Decision], width: int = 110, now: datetime | None = None) -> str:
    """Return a table for a terminal: the answers, why the rest is referred and what to look at, and the caution.

    now: to say how much is left of the 72 hours after a removal.
    """
    from rich.console import Console
    from rich.table import Table

    out = io.StringIO()
    console = Console(file=out, width=width, highlight=False)
    grid = Table("specimen", "answer", "stage", "sex", "confidence", "what to do", show_edge=False, pad_edge=False)
    for d in decisions:
        grid.add_row(
            _plain(_short(d.specimen_id)),
            _plain(d.scientific_name or "-"),
            d.life_stage or "-",
            d.sex or "-",
            f"{d.confidence:.2f}" if d.state not in (UNUSABLE, REFERRED) else "-",
            _plain(_to_do(d)),
        )
    console.print(grid)
    if decisions:
        promises = dict.fromkeys(d.promise for d in decisions if d.promise)
        clocks = [f"{d.specimen_id}: {clock(d.removed_at, now)}" for d in decisions if d.removed_at]
        for line in (*promises, *clocks, f"Model: {decisions[0].model}", decisions[0].caution):
            console.print(_plain(line))
    return out.getvalue()


def _plain(text: str):  # type: ignore[no-untyped-def]
    from rich.text import Text

    return Text("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text))


def _short(text: str) -> str:
    return text if len(text) <= 34 else "..." + text[-31:]


def _to_do(d: Decision) -> str:
    if d.state == UNUSABLE:
        bad = "; ".join(f"{p.status}: {p.reason}" for p in d.photographs if p.status != "ok")
        wanted = f" {d.further_photographs[0]}" if d.further_photographs else ""
        return f"{d.reason}{f' ({bad})' if bad else ''}.{wanted} Or ask for the specimen: {d.refer_to}"
    if d.state == REFERRED:
        names = ", ".join(
            f"{' '.join(filter(None, (c.scientific_name, c.life_stage, c.sex)))} {c.probability:.0%}"
            for c in d.shortlist[:4]
        )
        look = f" Look at: {d.look_at[0]}." if d.look_at else ""
        look += f" A further photograph would help: {d.further_photographs[0]}" if d.further_photographs else ""
        return f"refer to {d.refer_to}: {d.reason}. Candidates: {names}.{look}"
    return "species needs a person" if d.state == TO_GENUS else ""
