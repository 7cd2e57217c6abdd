"""The report's words for what the program calls by short names, and for what a run can or cannot promise."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

Figures = Mapping[str, Any]

REASONS = {
    "low_confidence": "not sure enough",
    "novel": "unlike anything it was taught",
    "unusable_picture": "picture not usable",
    "no_certificate": "no promise could be made",
}
STANDINGS = {
    "alone": "keeps the target by itself",
    "pooled": "covered by the promise over all names only",
    "never": "do not trust this name alone",
}
SEVERITIES = {"error": "must be mended", "warning": "look at it", "note": "for information"}
HEADS = {
    "taxon": "Name",
    "stage": "Life stage",
    "sex": "Sex",
    "all": "Name, stage and sex together",
    "ladder": "The answer as given",
}


def leaf(figures: Figures) -> str:
    """Return what the finest name is called: "species" for ticks, "name" elsewhere."""
    return "species" if (figures.get("taxonomy") or {}).get("kind") == "ticks" else "name"


def told(figures: Figures) -> str:
    """Return what a full answer tells: "species, life stage and sex", or less where the taxonomy has less."""
    space = figures.get("taxonomy") or {}
    if space.get("has_sexes"):
        return f"{leaf(figures)}, life stage and sex"
    return f"{leaf(figures)} and life stage" if space.get("has_stages") else leaf(figures)


def rung_words(figures: Figures, rung: str) -> str:
    """Return a rung of the ladder in words."""
    has_stages = (figures.get("taxonomy") or {}).get("has_stages", True)
    words = {
        "species_stage_sex": told(figures),
        "species_stage": f"{leaf(figures)} and life stage" if has_stages else leaf(figures),
        "genus_stage": "genus and life stage" if has_stages else "genus",
        "genus": "genus",
    }
    return words.get(rung, rung.replace("_", " "))


def kind_words(figures: Figures, kind: str) -> str:
    """Return a kind of outcome of the ladder in words."""
    space = figures.get("taxonomy") or {}
    is_species, full = leaf(figures) == "species", told(figures).removeprefix("name").removeprefix(", ")
    words = {
        "full": f"named to {full}" if is_species else f"named with {full.removeprefix(' and ')}" if full else "named",
        "species": "named to species, less told" if is_species else "named, less told",
        "genus_stage": "named to genus, with life stage" if space.get("has_stages") else "named to genus",
        "genus": "named to genus only",
        "non_target": f"called \u201c{space.get('non_target') or 'not in the list'}\u201d",
        "referred": "passed to a person",
    }
    return words[kind]


def heads_shown(figures: Figures) -> list[str]:
    """Return the heads that the page shows; where there is a name alone, "together" would say the same once more."""
    space = figures.get("taxonomy") or {}
    alone = not (space.get("has_stages", True) or space.get("has_sexes", True))
    return [name for name in HEADS if not (alone and name == "all")]


def state(figures: Figures) -> str:
    """Return which headline fits: "empty" (no test specimen), "promise", "by_hand" or "no_promise"."""
    if not figures.get("test_specimens"):
        return "empty"
    decisions = figures["decisions"]
    if decisions["min_confidence"] is not None:
        return "by_hand"
    return "promise" if decisions["has_promise"] else "no_promise"
