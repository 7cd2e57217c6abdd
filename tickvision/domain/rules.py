"""The structural rules of the trade that a tick label can break (R1-R18; sources beside each).

A hard rule makes the label a contradiction: the photograph is kept but teaches nothing until a person mends it.
A soft rule only asks for a second look.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from datetime import date

from tickvision.domain.names import genera

LEGS = {"larva": 6, "nymph": 8, "adult": 8}  # R1: KU-RIC, EOL514561, NYSIPM
SOFT_GENERA = frozenset(g for g, family in genera().items() if family == "Argasidae")
NIDICOLOUS = frozenset(["Ixodes cookei", "Ixodes texanus", "Ixodes marxi", "Otobius megnini", "Ornithodoros kelleyi"])


@dataclass(frozen=True)
class Breach:
    """One broken rule: its id, "hard" or "soft", and a message for the person who can mend it."""

    rule: str
    level: str
    message: str


def check_label(
    scientific_name: str,
    taxon_rank: str,
    life_stage: str,
    sex: str,
    feeding: str = "",
    leg_count: str = "",
    attached: str = "",
    host: str = "",
) -> list[Breach]:
    """Return the rules that one tick label breaks; an empty list if none."""
    breaches = _hard(scientific_name, taxon_rank, life_stage, sex, leg_count)
    return breaches + _soft(scientific_name, life_stage, sex, feeding, attached.lower(), host.lower())


def _hard(name: str, rank: str, stage: str, sex: str, leg_count: str) -> list[Breach]:
    found = []
    if leg_count.strip() and stage and leg_count.strip() != str(LEGS[stage]):
        found.append(Breach("R1", "hard", f"a {stage} has {LEGS[stage]} legs, the record says {leg_count.strip()}"))
    if stage in ("larva", "nymph") and sex:
        found.append(Breach("R2", "hard", f"a {stage} has no sex, the record says {sex}; leave sex blank"))
    if rank and name and (rank == "species") != (" " in name):
        found.append(Breach("R18", "hard", f"taxon_rank '{rank}' does not fit the name '{name}'"))
    return found


def _soft(name: str, stage: str, sex: str, feeding: str, attached: str, host: str) -> list[Breach]:
    found = []
    on_person = "human" in host or "homo" in host or host == "person"
    if sex == "male" and feeding == "fully" and name.split(" ")[0] not in SOFT_GENERA:
        found.append(Breach("R4", "soft", "males change little in size: a fully engorged male needs a second look"))
    if name == "Otobius megnini" and stage == "adult" and host:
        found.append(Breach("R8", "soft", "adults of O. megnini do not feed: on a host expect a larva or nymph"))
    if name == "Haemaphysalis longicornis" and sex == "male":
        found.append(Breach("R10", "soft", "males of H. longicornis are rare in North America: second reader"))
    if name == "Dermacentor variabilis" and stage in ("larva", "nymph") and on_person:
        found.append(Breach("R11", "soft", "immature D. variabilis on a person is rare: second look"))
    if name in NIDICOLOUS and attached in ("crawling", "crawling outdoors", "questing"):
        found.append(Breach("R12", "soft", f"{name} lives in nests and burrows, seldom found questing: second look"))
    if name == "Ixodes scapularis" and sex == "male" and attached in ("attached", "yes"):
        found.append(Breach("R13", "soft", "male I. scapularis is rarely attached: second look"))
    return found


def check_dates(bite: date | None, found: date | None, removed: date | None) -> list[Breach]:
    """Return R17 breaches: bite date <= found date <= removal date (IDSA20 for the clock that starts at removal)."""
    order = [("bite", bite), ("found", found), ("removal", removed)]
    known = [(n, d) for n, d in order if d is not None]
    return [
        Breach("R17", "hard", f"{later} date {d2} lies before {earlier} date {d1}")
        for (earlier, d1), (later, d2) in itertools.pairwise(known)
        if d2 < d1
    ]
