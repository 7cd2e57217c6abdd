"""Decisions as one HTML page that needs nothing else: a card with a small picture for each specimen."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Iterable
from html import escape
from string import Template
from typing import TextIO

from PIL import Image

from tickvision.deployment.decision import Decision
from tickvision.deployment.explain import Explanation
from tickvision.deployment.looking import Photograph
from tickvision.deployment.reader import Reader
from tickvision.deployment.referral import clock
from tickvision.domain import cautions
from tickvision.errors import ImageError

THUMBNAIL_PX = 220
ITALIC = ("species", "genus")  # the ranks whose names are set so, by the International Code of Zoological Nomenclature
Explain = Callable[[Decision], Explanation | None]

_HEAD = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>Specimens of the day</title><style>
body{font:16px/1.45 system-ui,sans-serif;margin:1.5rem;color:#1c1c1c;background:#fafaf7}
main{display:grid;grid-template-columns:repeat(auto-fill,minmax(19rem,1fr));gap:1rem}
article{background:#fff;border:1px solid #cfcfc6;border-left:.5rem solid #8a8a80;padding:.8rem;overflow-wrap:anywhere}
article.named{border-left-color:#0072b2}article.named_to_genus{border-left-color:#8bbde0}
img{max-width:100%;height:auto;margin:0 .4rem .4rem 0}h1{font-size:1.3rem}h2{font-size:1.05rem;margin:.3rem 0}
p,ul{margin:.3rem 0}
figure{display:flex;gap:.5rem;margin:.3rem 0}figure img{width:5rem}
.caution{border:1px solid #8f2020;padding:.7rem;margin-bottom:1rem;background:#fff}small{color:#555}
</style></head><body><h1>Specimens of the day</h1>
"""
_CAUTION = Template('<p class="caution">$caution</p>\n<main>\n')
_CARD = Template(
    """<article class="$state"><div>$pictures</div><h2>$answer <small>$specimen</small></h2>
<p><b>$state_words</b>$confidence</p>$rest
<p><small>$promise$model. Not a diagnosis: read the top of the page.</small></p></article>
"""
)


def write_html(decisions: Iterable[Decision], handle: TextIO, explain: Explain | None = None) -> None:
    """Write the page card by card. explain: gives what is to stand beside the photograph, or None."""
    handle.write(_HEAD)
    caution = ""
    with Reader() as reader:
        for decision in decisions:
            if not caution:
                caution = decision.caution
                handle.write(_CAUTION.substitute(caution=escape(caution)))
            handle.write(_card(decision, reader, explain))
    if not caution:
        handle.write(_CAUTION.substitute(caution=escape(cautions.SHORT)))
    handle.write("</main></body></html>\n")


def _card(d: Decision, reader: Reader, explain: Explain | None) -> str:
    first = next((p for p in d.photographs if p.status == "ok"), None)
    pictures = _img(thumbnail(reader, first), f"photograph of {d.specimen_id}") if first else ""
    explanation = explain(d) if explain is not None else None
    if explanation is not None:
        pictures += _img(explanation.jpeg, "where the model looked, in orange")
    stage = " ".join(filter(None, (d.life_stage, d.sex)))
    name = f"<i>{escape(d.scientific_name)}</i>" if d.taxon_rank in ITALIC else escape(d.scientific_name)
    answer = f"{name} {escape(stage)}" if d.scientific_name else "no name"
    return _CARD.substitute(
        state=escape(d.state),
        pictures=pictures,
        answer=answer,
        state_words=escape(d.state.replace("_", " ")),
        confidence=f", confidence {d.confidence:.2f}" if d.promise else "",
        promise=escape(f"{d.promise} ") if d.promise else "",
        rest="".join(_lines(d)) + (_nearest(explanation) if explanation is not None else ""),
        specimen=escape(d.specimen_id),
        model=escape(d.model),
    )


def _lines(d: Decision) -> Iterable[str]:
    if d.reason:
        yield f"<p>{escape(d.reason[0].upper() + d.reason[1:])}. Refer to {escape(d.refer_to)}.</p>"
    names = [
        f"{' '.join(filter(None, (c.scientific_name, c.life_stage, c.sex)))} {c.probability:.2f}"
        for c in d.shortlist[:6]
    ]
    bad = [f"{p.path}: {p.status} ({p.reason})" for p in d.photographs if p.status != "ok"]
    known = [p.path for p in d.photographs if p.in_training]
    for title, lines in (
        ("Candidates", names),
        ("Look at", d.look_at),
        ("A further photograph would help", d.further_photographs),
        ("Not read", bad),
        ("In the training set, so no fair test", known),
    ):
        if lines:
            yield f"<p>{title}:</p><ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"
    if d.removed_at:
        yield f"<p>{escape(clock(d.removed_at))}</p>"


def _nearest(explanation: Explanation) -> str:
    if not explanation.nearest:
        return ""
    shown = "".join(
        f"<figure>{_img(one.jpeg, one.caption)}<figcaption><small>{escape(one.caption)}; likeness "
        f"{one.similarity:.2f}</small></figcaption></figure>"
        for one in explanation.nearest
    )
    return f"<p>Training photographs that look most like it to the model, which does not make them alike:</p>{shown}"


def thumbnail(reader: Reader, photo: Photograph) -> bytes | None:
    """Return a small JPEG of a photograph, None if it can no longer be read."""
    try:
        pixels = reader.photo(photo.path, THUMBNAIL_PX, photo.region).pixels
    except ImageError:
        return None
    picture = Image.fromarray(pixels)
    picture.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=82)
    return out.getvalue()


def _img(jpeg: bytes | None, alt: str) -> str:
    if jpeg is None:
        return ""
    return f'<img alt="{escape(alt)}" src="data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}">'
