"""Files of predictions, read again."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

from doors.small_package import TAXA

MODULES = ("tickvision.deployment", "tickvision.review.intake", "json")


def attempt(content: bytes, folder: Path) -> str:
    """A file of predictions: read by the desk, and written in every form; no spreadsheet or browser runs any of it."""
    from tickvision.deployment import darwin_core, gallery, outputs
    from tickvision.review.intake import read_predictions

    path = folder / "answers.jsonl"
    path.write_bytes(content)
    decisions = list(read_predictions(path))
    text = io.StringIO(newline="")
    outputs.write_csv(decisions, text)
    rows = list(csv.reader(io.StringIO(text.getvalue(), newline="")))
    if [len(r) for r in rows] != [len(outputs.CSV_COLUMNS)] * (len(decisions) + 1):
        raise AssertionError("the CSV has other rows than there are decisions")
    if any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for row in rows for cell in row):
        raise AssertionError("a cell that a spreadsheet would run")
    outputs.table(decisions)
    darwin_core.write_csv(decisions, io.StringIO())
    page = io.StringIO()
    gallery.write_html(iter(decisions), page, None)
    if re.search(r"<(img|svg|script)[^>]*onerror", page.getvalue()):
        raise AssertionError("markup of the input in the page")
    return f"{min(len(decisions), 3)} decisions"


def seeds() -> list[bytes]:
    """A named and a referred specimen with hostile names."""
    named = {
        "specimen_id": "=cmd|' /C calc'!A0", "state": "named", "scientific_name": TAXA[0], "taxon_rank": "species",
        "life_stage": "adult", "sex": "female", "confidence": 0.98, "promise": "species_stage_sex", "reason": "",
        "shortlist": [], "look_at": [], "refer_to": "room 2", "model": "m 1", "caution": "no diagnosis",
        "photographs": [{"path": "<img src=x onerror=alert(1)>.jpg", "status": "ok", "region": [0, 0, 0.5, 0.5]}],
        "removed_at": "2026-05-03T18:30", "preventive_care_until": "2026-05-06T18:30",
    }  # fmt: skip
    listed = [
        {"scientific_name": TAXA[1], "taxon_rank": "species", "life_stage": "nymph", "sex": "", "probability": 0.5}
    ]
    referred = named | {"state": "referred", "scientific_name": "", "shortlist": listed, "look_at": ["scutum"]}
    return [json.dumps(named).encode() + b"\n" + json.dumps(referred).encode() + b"\n", json.dumps(referred).encode()]
