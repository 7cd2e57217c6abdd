"""The documents that travel with the package: the model card, for people and for programs, and the data sheet.

After Mitchell et al. 2019, "Model Cards for Model Reporting", and Gebru et al. 2021, "Datasheets for Datasets".
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import partial
from typing import Any

from tickvision.domain import cautions
from tickvision.domain.taxonomy import Taxonomy
from tickvision.evaluation import report_words as words
from tickvision.evaluation.policy import Policy
from tickvision.evaluation.report_format import find, show, templates

CARD_SCHEMA = 1
NOT_FOR = (
    "Diagnosis, treatment, or telling whether an animal carried anything.",
    "Anything that is not in the list of names: a stranger may be called one of these names.",
    "Regions, seasons, cameras and senders unlike those of the data below, without testing first.",
    "Work without a human identifier behind it: what it passes on needs a person.",
)
_OF_A_HEAD = (
    "n", "right", "accuracy", "accuracy_interval", "macro_recall", "macro_recall_interval", "macro_f1", "nll", "brier",
    "ece", "ece_null_95", "per_class",
)  # fmt: skip
_OF_DECISIONS = (
    "answered", "wrong", "label_open", "referred", "coverage", "coverage_interval", "error", "error_interval",
    "error_lower_bound_95", "error_upper_bound_95", "referral_reasons", "per_taxon",
)  # fmt: skip


def documents(figures: Mapping[str, Any], taxonomy: Taxonomy, policy: Policy) -> dict[str, str]:
    """Return file name -> text of all that travels with a model: card.md, card.json, datasheet.md.

    figures: of metrics.json, {} if the model was not evaluated.
    """
    return {
        "card.md": card(figures, taxonomy, policy),
        "card.json": json.dumps(card_json(figures, taxonomy, policy), indent=1, ensure_ascii=False),
        "datasheet.md": datasheet(figures, taxonomy),
    }


def card_json(figures: Mapping[str, Any], taxonomy: Taxonomy, policy: Policy) -> dict[str, Any]:
    """Return the card for programs; every figure is the one of metrics.json, None or absent where it is not known."""
    decisions = figures.get("decisions") or {}
    heads = (figures.get("heads") or {}).items()
    return {
        "schema": CARD_SCHEMA,
        "name": figures.get("name"),
        "bench": figures.get("bench"),
        "drawn": bool(figures.get("drawn")),
        "cautions": [*([cautions.DRAWN] if figures.get("drawn") else []), *cautions.LONG],
        "names": list(taxonomy.taxa),
        "states": [{"life_stage": stage, "sex": sex} for stage, sex in taxonomy.states],
        "never_below": [
            {"taxa": taxa, "life_stage": stage, "limit": limit, "why": why}
            for stage, limit, why, taxa in _caps(taxonomy)
        ],
        "not_for": list(NOT_FOR),
        "data": figures.get("data"),
        "test_specimens": figures.get("test_specimens"),
        "test_photographs": figures.get("test_photographs"),
        "heads": {name: {k: head[k] for k in _OF_A_HEAD if k in head} for name, head in heads},
        "answers": {k: decisions.get(k) for k in _OF_DECISIONS},
        "of_100": figures.get("of_100"),
        "promise": {
            "has_promise": policy.has_promise,
            "max_error": policy.max_error,
            "failure_rate": policy.failure_rate,
            "min_confidence": policy.min_confidence,
            "calibration_specimens": policy.calibration_specimens,
            "expected_at": policy.expected_at or None,
            "rungs": [
                {
                    "rung": rung.name,
                    "threshold": policy.threshold(r),
                    "certificate": rung.certificate.to_dict() if rung.certificate else None,
                }
                for r, rung in enumerate(policy.rungs)
            ],
        },
        "novelty": figures.get("novelty"),
        "differing_slices": (figures.get("slices") or {}).get("differing"),
        "without_test_specimens": (figures.get("next") or {}).get("untested"),
        "made": {k: figures.get(k) for k in ("made_by", "commit", "training", "inputs")},
    }


def datasheet(figures: Mapping[str, Any], taxonomy: Taxonomy) -> str:
    """Return the data sheet as Markdown: what the files tell, and which questions the bench has to answer."""
    template = templates().get_template("datasheet.md.j2")
    text: str = template.render(f=figures, v=partial(_value, figures), taxonomy=taxonomy, cautions=cautions)
    return text.rstrip() + "\n"


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
            not_for=NOT_FOR,
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
