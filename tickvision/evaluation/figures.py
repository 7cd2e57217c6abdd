"""The report's pictures, made from its figures alone: matplotlib Figures, SVG for the page, SVG and PNG for papers."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

MOST_CLASSES = 200  # of a confusion picture
INK, FAINT, FIRST, SECOND = "#1a1b1c", "#8a8b8c", "#0072b2", "#d55e00"
MARK = "drawn specimens, not for identification"
_ON_PAGE = {INK: "var(--ink)", FAINT: "var(--faint)", FIRST: "var(--first)", SECOND: "var(--second)"}
_STYLE = {
    "svg.hashsalt": "tickvision",
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "legend.frameon": False,
}

Figures = Mapping[str, Any]


def draw(figures: Figures, with_confusion: bool = True) -> dict[str, Any]:
    """Return name -> matplotlib Figure of every picture that the figures have data for."""
    import matplotlib

    made: dict[str, Any] = {}
    with matplotlib.rc_context(_STYLE):
        for name, head in (figures.get("reliability") or {}).items():
            if head.get("bins"):
                made[f"reliability_{name}"] = reliability(head)
        if figures.get("curve"):
            made["risk_coverage"] = risk_coverage(figures["curve"], figures["decisions"], figures["test_specimens"])
        if len(figures.get("history") or []) > 1:
            made["history"] = history(figures["history"])
        for name, head in (figures.get("heads") or {}).items():
            if with_confusion and head["n"] and 1 < len(head["classes"]) <= MOST_CLASSES:
                made[f"confusion_{name}"] = confusion(head)
        if (figures.get("novelty") or {}).get("histogram"):
            made["novelty"] = novelty(figures["novelty"]["histogram"])
        if figures.get("drawn"):
            for figure in made.values():
                figure.text(0.995, 0.996, MARK, ha="right", va="top", size=5.5, color=INK)
    return made


def _axes(width: float = 4.4, height: float = 3.3) -> tuple[Any, Any]:
    from matplotlib.figure import Figure

    # fixed margins: the automatic layouts draw each picture several times over
    figure = Figure(figsize=(width, height))
    figure.subplots_adjust(left=0.15, right=0.97, bottom=0.16, top=0.97)
    return figure, figure.add_subplot()


def reliability(head: Figures) -> Any:
    """Return share right against stated confidence, before and after calibration, with the band of a calibrated one."""
    figure, axes = _axes()
    bins = head["bins"]
    x = np.array([b["confidence"] for b in bins])
    axes.plot([0, 1], [0, 1], color=FAINT, linewidth=0.8, linestyle="--")
    low, high = (np.array([b["band"][i] for b in bins]) for i in (0, 1))
    axes.fill_between(x, low, high, color=FAINT, alpha=0.3, linewidth=0, label="to expect if calibrated")
    sizes = sorted({b["n"] for b in bins})
    label = "share right, " + " or ".join(f"{n:,}" for n in sizes) + " specimens a point"
    axes.plot(x, [b["share_right"] for b in bins], "o-", color=FIRST, markersize=4, linewidth=1, label=label)
    before = (head.get("before") or {}).get("bins")
    if before:
        points = [[b[k] for b in before] for k in ("confidence", "share_right")]
        axes.plot(
            *points, "s:", color=SECOND, markersize=3, linewidth=0.9, fillstyle="none", label="before calibration"
        )
    axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.04), xlabel="confidence stated", ylabel="share right")
    axes.legend(loc="lower right", fontsize=8)
    return figure


def risk_coverage(curve: Sequence[Figures], decisions: Figures, n: int) -> Any:
    """Return error among the answered against the share answered, with the ladder's rungs where they are certified."""
    figure, axes = _axes()
    x, y = [p["coverage"] for p in curve], [p["risk"] for p in curve]
    axes.plot(x, y, color=FIRST, linewidth=1.3, label="finest name")
    axes.axhline(decisions["max_error"], color=SECOND, linewidth=1, linestyle="--", label="target")
    answered = wrong = 0
    marked = False
    for rung in decisions["rungs"]:
        answered, wrong = answered + rung["answered"], wrong + rung["wrong"]
        if rung["answered"] and n:
            label = None if marked else "ladder, down to each rung"
            axes.plot(answered / n, wrong / answered, "D", color=SECOND, markersize=5, label=label)
            marked = True
    axes.set(xlim=(0, 1.02), ylim=(0, None), xlabel="share of specimens answered", ylabel="wrong among the answered")
    axes.legend(loc="best", fontsize=8)
    return figure


def history(epochs: Sequence[Figures]) -> Any:
    """Return val macro recall and losses by epoch; the kept epoch is marked."""
    from matplotlib.ticker import MaxNLocator

    figure, axes = _axes()
    x = [e["epoch"] for e in epochs]
    recall = [_gap(e["val_macro_recall"]) for e in epochs]
    axes.plot(x, recall, "o-", color=FIRST, markersize=3, label="val macro recall")
    kept = max((e for e in epochs if e["is_best"]), key=lambda e: e["epoch"], default=None)
    if kept is not None:
        ring = {"color": FIRST, "markersize": 9, "fillstyle": "none", "label": "kept"}
        axes.plot(kept["epoch"], _gap(kept["val_macro_recall"]), "o", **ring)
    axes.set(ylim=(0, 1.02), xlabel="epoch (0 = fitted heads)", ylabel="val macro recall")
    figure.subplots_adjust(right=0.87)
    other = axes.twinx()
    other.spines["right"].set_visible(True)
    other.plot(x, [_gap(e["val_loss"]) for e in epochs], "--", color=SECOND, linewidth=1, label="val loss")
    other.plot(x, [_gap(e["train_loss"]) for e in epochs], ":", color=SECOND, linewidth=1, label="train loss")
    other.set(ylabel="loss")
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    lines = [*axes.get_lines(), *other.get_lines()]
    axes.legend(lines, [line.get_label() for line in lines], loc="lower left", fontsize=7)
    return figure


def _gap(value: float | None) -> float:
    return float("nan") if value is None else value


def confusion(head: Figures) -> Any:
    """Return the confusion table as row shares, for a paper; the page has it as a table."""
    labels = head["classes"]
    counts = np.array(head["confusion"], float)
    totals = counts.sum(1, keepdims=True)
    shares = np.divide(counts, totals, out=np.full(counts.shape, np.nan), where=totals > 0)
    side = float(np.clip(1.8 + 0.22 * len(labels), 3.2, 14))
    figure, axes = _axes(side + 0.9, side)
    figure.set_layout_engine("constrained")
    picture = axes.imshow(shares, cmap="Blues", vmin=0, vmax=1, interpolation="nearest")
    size = 8 if len(labels) <= 30 else 5
    axes.set_xticks(range(len(labels)), labels, rotation=90, size=size)
    axes.set_yticks(range(len(labels)), labels, size=size)
    axes.set(xlabel="named", ylabel="truth")
    if len(labels) <= 30:
        for i, j in zip(*np.nonzero(counts), strict=True):
            shade = "white" if shares[i, j] > 0.5 else "black"
            axes.text(j, i, f"{int(counts[i, j])}", ha="center", va="center", size=6, color=shade)
    figure.colorbar(picture, ax=axes, label="share of the row", shrink=0.7)
    return figure


def novelty(histogram: Figures) -> Any:
    """Return the novelty scores of the test specimens, listed names and non-target apart, and the limit."""
    figure, axes = _axes()
    axes.stairs(histogram["known"], histogram["edges"], color=FIRST, label="listed names")
    if any(histogram["strange"]):
        name = histogram["strange_name"]
        axes.stairs(histogram["strange"], histogram["edges"], color=SECOND, linestyle="--", label=f"labelled {name}")
    if histogram["limit"] is not None:
        axes.axvline(histogram["limit"], color=INK, linewidth=1, linestyle=":", label="set aside beyond")
    axes.set(xlabel="novelty score", ylabel="test specimens")
    axes.legend(loc="upper left", fontsize=8)
    return figure


def svg(figure: Any) -> str:
    """Return the figure as a stand-alone SVG, the same bytes each time."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    held = io.StringIO()
    with matplotlib.rc_context(_STYLE):
        FigureCanvasSVG(figure).print_svg(held, metadata={"Date": None, "Creator": None})
    return held.getvalue()


def png(figure: Any, dpi: int = 200) -> bytes:
    """Return the figure as PNG, the same bytes each time."""
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    held = io.BytesIO()
    figure.set_dpi(dpi)
    with matplotlib.rc_context(_STYLE):
        FigureCanvasAgg(figure).print_png(held, metadata={"Software": None})
    return held.getvalue()


def inline_svg(figure: Any, name: str, alt: str) -> str:
    """Return the figure as an SVG element for the page: its colours follow the page, its ids are its own."""
    from markupsafe import escape

    text = svg(figure)
    body = text[text.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r"<style[^>]*>.*?</style>", "", body, flags=re.DOTALL)
    body = re.sub(r'\bid="', f'id="{name}-', body)
    body = re.sub(r"url\(#", f"url(#{name}-", body)
    body = re.sub(r'href="#', f'href="#{name}-', body)
    for colour, variable in _ON_PAGE.items():
        body = body.replace(colour, variable)
    body = re.sub(r'font: ([^"]*?)\'[^"]*?sans-serif', r"font: \1sans-serif", body)
    box = re.search(r'viewBox="[^"]*"', body)
    opening = f'<svg {box[0] if box else ""} role="img" aria-label="{escape(alt)}" xmlns="http://www.w3.org/2000/svg" '
    opening += 'xmlns:xlink="http://www.w3.org/1999/xlink">'
    return re.sub(r"^<svg[^>]*>", lambda _: opening, body, count=1)
