"""Predictions as a table for people, CSV and JSON lines. No form can be written without the caution."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import TYPE_CHECKING, TextIO

from tickvision.deployment.decision import TO_GENUS, Decision
from tickvision.deployment.referral import clock
from tickvision.domain.spreadsheet import guarded, row_writer

if TYPE_CHECKING:
    from rich.text import Text

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


def table(decided: Iterable[Decision], width: int = 0, now: datetime | None = None) -> str:
    """Return a table for a terminal: the answers, why the rest is referred and what to look at, and the caution.

    width: in characters, 0 = of the terminal. now: to say how much is left of the 72 hours after a removal.
    """
    import shutil

    from rich.console import Console
    from rich.table import Column, Table

    decisions = list(decided)  # after the imports, which then take their time while the first photograph is decoded
    out = io.StringIO()
    console = Console(file=out, width=width or shutil.get_terminal_size((110, 0)).columns, highlight=False)
    specimen = Column("specimen", overflow="fold")  # not cut: its end tells it from the next
    grid = Table(specimen, "state", "answer", "stage", "sex", "confidence", show_edge=False, pad_edge=False)
    for d in decisions:
        sure = f"{d.confidence:.2f}" if d.scientific_name else "-"
        state = "to genus" if d.state == TO_GENUS else d.state
        cells = (_short(d.specimen_id), state, d.scientific_name, d.life_stage, d.sex, sure)
        grid.add_row(*(_plain(cell or "-") for cell in cells))
    console.print(grid)
    for line in (*_referrals(decisions), *_footer(decisions, now)):
        console.print(_plain(line))
    return out.getvalue()


def _referrals(decisions: list[Decision]) -> Iterator[str]:
    """Yield whom to ask and why, once each, and below it what is known of the specimens."""
    groups: dict[str, list[Decision]] = {}
    for d in decisions:
        if d.reason:
            groups.setdefault(f"Refer to {d.refer_to}: {d.reason}.", []).append(d)
    for heading, some in groups.items():
        yield ""
        yield heading
        for d in some:
            yield f"  {_short(d.specimen_id)}: {_what_is_known(d)}"


def _footer(decisions: list[Decision], now: datetime | None) -> Iterator[str]:
    """Yield what holds for many: the genus answers, the promises, the clocks, the model and the caution."""
    if not decisions:
        return
    yield ""
    if any(d.state == TO_GENUS for d in decisions):
        yield "Named to genus: the species needs a person."
    yield from dict.fromkeys(d.promise for d in decisions if d.promise)
    clocks: dict[str, list[str]] = {}
    for d in decisions:
        if d.removed_at:
            clocks.setdefault(clock(d.removed_at, now), []).append(_short(d.specimen_id))
    for line, names in clocks.items():
        yield f"{_some(names)}: {line}"
    known = [_short(p.path) for d in decisions for p in d.photographs if p.in_training]
    if known:
        yield f"In the training set, so no fair test of the model: {_some(known)}."
    yield f"Model: {decisions[0].model}"
    yield decisions[0].caution


def _some(names: list[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _plain(text: str) -> Text:
    from rich.text import Text

    return Text("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text))


def _short(text: str) -> str:
    return text if len(text) <= 34 else "..." + text[-31:]


def _what_is_known(d: Decision) -> str:
    bad = "; ".join(f"{p.status}: {p.reason}" for p in d.photographs if p.status != "ok")
    names = ", ".join(
        f"{' '.join(filter(None, (c.scientific_name, c.life_stage, c.sex)))} {c.probability:.0%}"
        for c in d.shortlist[:4]
    )
    parts = (
        f"Not read: {bad}." if bad else "",
        f"Candidates: {names}." if names else "",
        f"Look at {_without_source(d.look_at[0])}." if d.look_at else "",
        f"A further photograph would help: {d.further_photographs[0]}" if d.further_photographs else "",
    )
    return " ".join(filter(None, parts))


def _without_source(look_at: str) -> str:
    """Return a character and its view; who says so stands in every other form."""
    return re.sub(r"(\(view: [^;]*);[^()]*\)$", r"\1)", look_at)
