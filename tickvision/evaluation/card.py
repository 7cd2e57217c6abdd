"""The model card that travels with the package: use, not-use, data, figures, promise, limits, how made.

After Mitchell et al. 2019, "Model Cards for Model Reporting".
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from tickvision.domain import cautions
from tickvision.domain.taxonomy import Taxonomy
from tickvision.evaluation import report_words as words
from tickvision.evaluation.policy import Policy
from tickvision.evaluation.report_format import find, show, templates


def card(figures: Mapping[str, Any], taxonomy: Taxonomy, policy: Policy) -> str:
    """Return the model card as Markdown. figures: of metrics.json, {} if the model was not evaluated.

    Texts of the user are escaped, so that a name with markup stays text where the Markdown is shown as HTML.
    """
    text: str = (
        templates()
        .get_template("card.md.j2")
        .render(
            f=figures,
            v=partial(_value, figures),
            span=partial(_span, figures),
            taxonomy=taxonomy,
            caps=_caps(taxonomy),
            policy=policy,
            cautions=cautions,
            rung_words=partial(words.rung_words, figures or _space(taxonomy)),
            kind_words=partial(words.kind_words, figures or _space(taxonomy)),
            heads=words.HEADS,
            percent=lambda value: show(value, "share"),
        )
    )
    return text.rstrip() + "\n"


def _caps(taxonomy: Taxonomy) -> list[tuple[str, str, str, list[str]]]:
    """Return (life stage, limit, why, taxa) of the caps, taxa of one genus and reason together."""
    groups: dict[tuple[str, str, str], list[str]] = {}
    for cap in taxonomy.caps:
        taxa = groups.setdefault((cap.life_stage, cap.limit, cap.why), [])
        if cap.taxon not in taxa:
            taxa.append(cap.taxon)
    return [(*key, taxa) for key, taxa in groups.items()]


def _value(figures: Mapping[str, Any], pointer: str, how: str = "count") -> str:
    """Return one figure as text, in one line and without the characters that break a Markdown table."""
    return " ".join(show(find(figures, pointer), how).split()).replace("|", "\\|")


def _span(figures: Mapping[str, Any], pointer: str, how: str = "share") -> str:
    ends = find(figures, pointer)
    if not ends or any(end is None for end in ends):
        return "no interval"
    return f"{show(ends[0], how)} to {show(ends[1], how)}"


def _space(taxonomy: Taxonomy) -> dict[str, Any]:
    """Return what the words need of the taxonomy where there are no figures."""
    return {
        "taxonomy": {
            "kind": taxonomy.kind,
            "has_stages": taxonomy.has_stages,
            "has_sexes": taxonomy.has_sexes,
            "non_target": taxonomy.non_target,
        }
    }
