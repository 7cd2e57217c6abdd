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
FEW_TESTED = 30
NEXT = {
    "kept": "Give the names out, pass the rest on, and keep checking a share of the given names by hand.",
    "few": "Put more specimens into the test part before giving names out: so few show almost nothing.",
    "above": "Check most of the given names by hand until more specimens are tested.",
    "broken": "Give no name out unchecked. Find out how the test specimens differ from those of the calibration part.",
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
        "species": "named to species and life stage, without sex" if is_species else "named, less told",
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


def standing_words(figures: Figures, standing: str) -> str:
    """Return the standing of a name among those given in words."""
    if standing == "pooled" and not figures["decisions"]["has_promise"]:
        return "given too seldom to tell"
    return STANDINGS.get(standing, standing)


def kept(figures: Figures) -> str:
    """Return how the promise did in the test: "kept", "broken", "above" or "few".

    broken: the lower 95 % bound of the share wrong lies above the target; above: the share does, but not the bound;
    few: not broken, but too few names were given to tell.
    A promise for another place is judged on the test specimens that were drawn to what is expected there.
    """
    target = figures["decisions"]["max_error"]
    test = (figures.get("expected") or {}).get("test") or figures["decisions"]
    error, bound = test.get("error"), test.get("error_lower_bound_95")
    if (test.get("named", test.get("answered")) or 0) < FEW_TESTED and (bound is None or bound <= target):
        return "few"
    if error is None or error <= target:
        return "kept"
    return "above" if bound is None or bound <= target else "broken"
