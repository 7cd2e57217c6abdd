"""Scientific names of ticks: what was written, what it stands for, and why."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from tickvision.domain.tables import rows
from tickvision.domain.vocabulary import clean, is_unknown
from tickvision.errors import did_you_mean

FAMILIES = ("Ixodidae", "Argasidae")
ORDER = "Ixodida"
SLIP_FROM = 6  # shorter words are one slip from too much
AMBIGUOUS_VERNACULAR = frozenset(["wood tick", "deer tick", "sheep tick"])  # CAES, MLDSE: other ticks bear them too
_TWO = re.compile(r"/| (?:or|vs\.?|x|\u00d7) ", re.IGNORECASE)  # no author of a tick's name is called so


@dataclass(frozen=True)
class Name:
    """A name as the program uses it. rank is "" when nothing was resolved; reason says what was changed and why."""

    scientific_name: str
    rank: str
    qualifier: str = ""
    reason: str = ""
    fault: str = ""


@cache
def species() -> dict[str, str]:
    """Return accepted species name -> genus."""
    return {r["scientificName"]: r["genus"] for r in rows("taxa")}


@cache
def genera() -> dict[str, str]:
    """Return genus -> family."""
    return {r["genus"]: r["family"] for r in rows("taxa")}


def _bare(name: str) -> str:
    """Return genus and epithet without authorship, brackets and notes."""
    return " ".join(re.split(r"[(\[,]", name)[0].split()[:2])


@cache
def _synonyms() -> dict[str, tuple[str, str]]:
    """Return lower-case written name -> (accepted name, reason)."""
    table: dict[str, tuple[str, str]] = {}
    for row in rows("taxa"):
        accepted = row["scientificName"]
        for part in filter(None, (p.strip() for p in row["synonyms"].split(";"))):
            kind = "misapplied name" if "misapplied" in part else "older spelling" if "spelling" in part else "synonym"
            if kind == "misapplied name":
                continue  # the same words are the right name of another tick; never resolved silently
            table[_bare(part).lower()] = (accepted, f"{kind} of {accepted} ({row['source'].split(';')[0]})")
        for part in filter(None, (p.strip() for p in row["vernacularName"].split(";"))):
            if part.lower() not in AMBIGUOUS_VERNACULAR:
                table.setdefault(part.lower(), (accepted, f"trade name of {accepted}"))
    return table


def _rank_of(name: str) -> str:
    if name in species():
        return "species"
    if name in genera():
        return "genus"
    if name in FAMILIES:
        return "family"
    return "order" if name == ORDER else ""


def _qualified(words: list[str]) -> Name | None:
    """Return the genus for 'Genus sp.', 'Genus cf. epithet', 'Genus aff. epithet'; None if no qualifier is there."""
    marks = {"sp", "sp.", "spp", "spp.", "cf", "cf.", "aff", "aff.", "indet", "indet."}
    mark = next((w for w in words[1:] if w.lower() in marks), None)
    if mark is None:
        return None
    genus = words[0].capitalize()
    if genus not in genera():
        return Name("", "", fault=f"genus '{words[0]}' is not known.{did_you_mean(genus, genera())}")
    doubt = " ".join(words[words.index(mark) :])
    if mark.lower().rstrip(".") in ("sp", "spp", "indet"):
        return Name(genus, "genus", qualifier="" if mark.lower().startswith("sp") else doubt)
    return Name(genus, "genus", qualifier=doubt, reason=f"'{doubt}' is doubt about the species: lowered to the genus")


def resolve(text: str) -> Name:
    """Return the accepted name and rank for what was written; a fault with the nearest match if it is not known.

    Blank or "unknown" resolves to rank "" without a fault: a tick of unknown name.
    """
    written = clean(text)
    if is_unknown(written):
        return Name("", "")
    if "?" in written:
        return _doubted(resolve(written.replace("?", " ")))
    words = written.replace("_", " ").split()
    if len(words) > 1 and _TWO.search(" ".join(words)):
        both = "give one name, or one that holds both, such as the genus"
        return Name("", "", fault=f"scientific_name '{written}' names more than one; {both}.")
    qualified = _qualified(words)
    if qualified is not None:
        return qualified
    for candidate in (" ".join(words), _bare(" ".join(words)), words[0] if len(words) == 1 else ""):
        plain = candidate.capitalize()
        rank = _rank_of(plain)
        if rank:
            return Name(plain, rank, reason="" if plain == written else f"'{written}' read as {plain}")
        if candidate.lower() in _synonyms():
            accepted, reason = _synonyms()[candidate.lower()]
            return Name(accepted, "species", reason=reason)
    return _abbreviated(words) or _misspelt(words) or Name("", "", fault=_unknown(written))


def _doubted(name: Name) -> Name:
    """Return the genus where a question mark stood behind a species (open nomenclature, Sigovini et al. 2016)."""
    if name.rank != "species":
        return name
    reason = "'?' is doubt about the species: lowered to the genus"
    return Name(species()[name.scientific_name], "genus", qualifier="?", reason=reason)


def _misspelt(words: list[str]) -> Name | None:
    """Return the species or genus that alone is one slip of the pen away (letter, order of letters, missing space)."""
    written = " ".join(words[:2]).lower()
    for count, known in ((2, species()), (1, species()), (1, genera())):
        said = " ".join(words[:count]).lower()
        near = [k for k in known if is_one_slip(said, k.lower())] if len(said) >= SLIP_FROM else []
        if len(near) == 1 and (count == 2 or len(words) == 1):
            return Name(near[0], _rank_of(near[0]), reason=f"'{written}' read as {near[0]}: no other name is as near")
    return None


def is_one_slip(one: str, two: str) -> bool:
    """True if one letter more, less or other, or two neighbours swapped, makes the words equal; False if they are."""
    if one == two or abs(len(one) - len(two)) > 1:
        return False
    same = next((i for i, (a, b) in enumerate(zip(one, two, strict=False)) if a != b), min(len(one), len(two)))
    rest, other = one[same:], two[same:]
    swapped = len(rest) > 1 and len(other) > 1 and rest[:2] == other[1::-1] and rest[2:] == other[2:]
    return rest[1:] == other[1:] or rest[1:] == other or rest == other[1:] or swapped


def _abbreviated(words: list[str]) -> Name | None:
    """Return the species for 'I. scapularis' if one genus alone fits."""
    if len(words) < 2 or not re.fullmatch(r"[A-Za-z]\.", words[0]):
        return None
    fits = [s for s in species() if s[0] == words[0][0].upper() and s.split()[1] == words[1].lower()]
    return Name(fits[0], "species", reason=f"'{' '.join(words[:2])}' read as {fits[0]}") if len(fits) == 1 else None


def _unknown(written: str) -> str:
    if written.lower() in AMBIGUOUS_VERNACULAR:
        return f"'{written}' is used for several ticks; give the scientific name."
    known = [*species(), *genera(), *FAMILIES, *_synonyms()]
    return f"scientific_name '{written}' is not known.{did_you_mean(_bare(written) or written, known)}"
