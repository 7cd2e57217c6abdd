"""Which characters separate candidates, and where to look for them (characters.csv, lookalikes.csv)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tickvision.domain.tables import rows

NOTES = ("note", "likeness", "split_alert", "frequency", "habit", "season")  # of a taxon, not to be seen on it


@dataclass(frozen=True)
class Hint:
    """What separates two candidates, in which view it shows, and the source."""

    between: tuple[str, str]
    look_at: str
    view: str
    source: str


def hints(candidates: Sequence[tuple[str, str, str]]) -> list[Hint]:
    """Return the hints for candidates (name, life_stage, sex), the listed look-alike pairs first.

    Where no pair is listed, the two best candidates are set side by side with the characters in which they differ.
    """
    found = [
        Hint((r["taxon_a"], r["taxon_b"]), r["separating_character"], r["view_needed"], r["source"])
        for r in rows("lookalikes")
        if _matches(r, candidates)
    ]
    if not found and len(candidates) > 1 and candidates[0][0] != candidates[1][0]:
        found = _side_by_side(candidates[0], candidates[1])
    if len({c[0] for c in candidates}) < len(candidates):
        found += _stage_hints(candidates)
    return found


def _matches(row: dict[str, str], candidates: Sequence[tuple[str, str, str]]) -> bool:
    names = {c[0] for c in candidates}
    stages = {c[1] for c in candidates}
    if row["taxon_a"] not in names or row["taxon_b"] not in names:
        return False
    return row["stage"] == "all" or any(s and s in row["stage"] for s in stages)


def _characters(name: str, stage: str, sex: str) -> dict[str, dict[str, str]]:
    """Return character -> row for the taxon and its genus at this stage and sex; the species overrides the genus."""
    found: dict[str, dict[str, str]] = {}
    for taxon in (name.split(" ")[0], name):
        for row in rows("characters"):
            fits_stage = row["lifeStage"] == "any" or not stage or stage in row["lifeStage"].split("|")
            fits_sex = row["sex"] in ("any", "", sex) or not sex
            if row["taxon"] == taxon and fits_stage and fits_sex:
                found[row["character"]] = row
    return found


def _side_by_side(first: tuple[str, str, str], second: tuple[str, str, str]) -> list[Hint]:
    one, two = _characters(*first), _characters(*second)
    return [
        Hint(
            (first[0], second[0]),
            f"{key.replace('_', ' ')}: {one[key]['state']} / {two[key]['state']}",
            "ventral" if "ventral" in one[key]["state"] else "dorsal",
            one[key]["source"],
        )
        for key in one
        if key in two and _is_seen(key) and _differ(one[key]["state"], two[key]["state"])
    ]


def _is_seen(character: str) -> bool:
    return character not in NOTES and not character.endswith("_hint")


def _differ(state: str, other: str) -> bool:
    """Return False for equal states and for those of which one only says more ("inornate in ...", "present, 11")."""
    shorter, longer = sorted((state, other), key=len)
    return not (longer.startswith(shorter) or longer.endswith(f", {shorter}"))


def _stage_hints(candidates: Sequence[tuple[str, str, str]]) -> list[Hint]:
    """Return what separates stages and sexes of one taxon (R1, R3)."""
    stages = {c[1] for c in candidates}
    sexes = {c[2] for c in candidates if c[2]}
    found = []
    if "larva" in stages and len(stages) > 1:
        found.append(Hint(("larva", "nymph or adult"), "number of legs: 6 in the larva, 8 later", "dorsal", "KU-RIC"))
    if len(sexes) > 1:
        found.append(
            Hint(("female", "male"), "scutum: front part of the back only / the whole back", "dorsal", "KU-RIC")
        )
    if {"nymph", "adult"} <= stages:
        found.append(
            Hint(
                ("nymph", "adult female"),
                "size with a scale; two pitted areas on the basis of a female",
                "dorsal, with a scale",
                "PW585",
            )
        )
    return found
