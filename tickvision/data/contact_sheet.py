"""The worst of a check on one JPEG, to look at before anything is trained."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from tickvision.data.labels import SEVERITIES, Finding, in_turn
from tickvision.whole_files import whole

CELL_PX, CAPTION_PX, COLUMNS, AT_MOST = 160, 28, 6, 48


def write(
    findings: list[Finding],
    place: dict[str, int],
    squares: NDArray[np.uint8],
    path: Path,
    at_most: int = AT_MOST,
    head: str = "",
) -> int:
    """Write up to at_most pictures, the worst findings first and every kind in turn; return how many stand there.

    place: photo_id -> row of squares (N, S, S, 3). head: a line above all. Nothing is written if no finding has a
    picture.
    """
    chosen = _chosen([f for f in findings if f.photo_id in place], at_most)
    if not chosen:
        return 0
    rows = -(-len(chosen) // COLUMNS)
    above = CAPTION_PX if head else 0
    sheet = Image.new("RGB", (COLUMNS * CELL_PX, above + rows * (CELL_PX + CAPTION_PX)), "white")
    pen = ImageDraw.Draw(sheet)
    pen.text((3, 8), head, fill="black")
    for number, finding in enumerate(chosen):
        left, top = number % COLUMNS * CELL_PX, above + number // COLUMNS * (CELL_PX + CAPTION_PX)
        picture = Image.fromarray(np.asarray(squares[place[finding.photo_id]]))
        sheet.paste(picture.resize((CELL_PX, CELL_PX), Image.Resampling.BILINEAR), (left, top))
        caption = f"{finding.photo_id[-24:]}\n{finding.finding[:24]}".encode("latin-1", "replace").decode("latin-1")
        pen.multiline_text((left + 3, top + CELL_PX), caption, fill="black", spacing=1)
    with whole(path) as temporary:
        sheet.save(temporary, "JPEG", quality=85)
    return len(chosen)


def _chosen(findings: list[Finding], at_most: int) -> list[Finding]:
    """Return findings, every kind in turn and the more severe kinds first, so that no common kind fills the sheet."""
    worst = sorted((f for f in findings if f.severity != "note"), key=lambda f: SEVERITIES.index(f.severity))
    return sorted(in_turn(worst)[:at_most], key=lambda f: SEVERITIES.index(f.severity))
