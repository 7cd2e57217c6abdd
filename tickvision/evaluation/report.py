"""First report: headline, figures, and card. To be replaced by a designed page."""

from __future__ import annotations

import html
import json
from typing import Any

from tickvision.domain import cautions
from tickvision.domain.taxonomy import Taxonomy
from tickvision.evaluation.policy import Policy


def headline(figures: dict[str, Any]) -> list[str]:
    """Return the first lines for a person."""
    d = figures["decisions"]
    lines = []
    if figures.get("heads"):
        a = figures["heads"]["all"]
        lines.append(f"macro recall, all together: {a['macro_recall']:.3f} (n = {a['n']})")
    if d["answered"]:
        lines.append(f"named {d['answered']} of {figures['test_specimens']} test specimens, {d['wrong']} wrong; "
                     f"{d['referred']} referred")
    return lines


def render(figures: dict[str, Any]) -> str:
    """Return the page."""
    return f"<html><body><p>{cautions.SHORT}</p><pre>{html.escape(json.dumps(figures, indent=1))}</pre></body></html>"


def card(figures: dict[str, Any], taxonomy: Taxonomy, policy: Policy) -> str:
    """Return the model card as Markdown."""
    return f"# Model card\n\n{cautions.SHORT}\n"
