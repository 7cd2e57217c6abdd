"""Lengths in mm that the drawing keeps to, with the key of the source of each range.

Keys are those of the project's list of sources; "from memory" has no source and binds nothing.
Lengths are taken from the tip of the palps to the hind end of the body.
"""

from typing import NamedTuple

Range = tuple[float, float]


class SizeRow(NamedTuple):
    """Unfed and fully fed length of one taxon, stage and sex; `fed_mm` is None where feeding changes little."""

    unfed_mm: Range
    fed_mm: Range | None
    unfed_source: str
    fed_source: str


MEMORY = "from memory"

SIZES: dict[tuple[str, str, str], SizeRow] = {
    ("Ixodes scapularis", "adult", "female"): SizeRow((3.0, 3.7), (7.0, 10.0), "CAES", "BIOINS2 (upper end)"),
    ("Ixodes scapularis", "adult", "male"): SizeRow((2.0, 2.7), None, "CAES; BIOINS2", ""),
    ("Ixodes scapularis", "nymph", ""): SizeRow((1.3, 1.7), (2.5, 3.5), MEMORY, MEMORY),
    ("Ixodes scapularis", "larva", ""): SizeRow((0.7, 0.8), (1.1, 1.6), "BIOINS2", MEMORY),
    ("Ixodes ricinus", "adult", "female"): SizeRow((3.0, 3.6), (9.0, 11.0), "AD-IX citing Hillyard 1996", "AD-IX"),
    ("Ixodes ricinus", "adult", "male"): SizeRow((2.4, 2.8), None, "AD-IX citing Hillyard 1996", ""),
    ("Ixodes ricinus", "nymph", ""): SizeRow((1.3, 1.5), (2.5, 3.5), "AD-IX citing Hillyard 1996", MEMORY),
    ("Ixodes ricinus", "larva", ""): SizeRow((0.6, 0.9), (1.1, 1.6), MEMORY, MEMORY),
    ("Ixodes cookei", "adult", "female"): SizeRow((3.0, 4.0), (8.0, 12.0), "WIKIMD", MEMORY),
    ("Ixodes cookei", "adult", "male"): SizeRow((2.2, 2.9), None, MEMORY, ""),
    ("Ixodes cookei", "nymph", ""): SizeRow((1.3, 1.8), (2.5, 3.5), MEMORY, MEMORY),
    ("Ixodes cookei", "larva", ""): SizeRow((0.7, 0.8), (1.1, 1.6), MEMORY, MEMORY),
    ("Dermacentor variabilis", "adult", "female"): SizeRow(
        (5.0, 6.4), (11.0, 15.0), "EOL514561; CAES", "CAES; EOL514561"
    ),
    ("Dermacentor variabilis", "adult", "male"): SizeRow((3.6, 6.4), None, "076MOE; CAES", ""),
    ("Dermacentor variabilis", "nymph", ""): SizeRow((0.9, 1.3), (2.2, 3.2), "GUIDE17 (lower end)", MEMORY),
    ("Dermacentor variabilis", "larva", ""): SizeRow((0.6, 0.7), (1.1, 1.5), MEMORY, MEMORY),
    ("Amblyomma americanum", "adult", "female"): SizeRow((3.0, 4.5), (9.0, 14.0), "CAES; BIOINS2", "GUARD; BIOINS2"),
    ("Amblyomma americanum", "adult", "male"): SizeRow((3.0, 4.0), None, "CAES", ""),
    ("Amblyomma americanum", "nymph", ""): SizeRow((1.5, 2.5), (3.2, 4.5), MEMORY, MEMORY),
    ("Amblyomma americanum", "larva", ""): SizeRow((0.5, 0.9), (1.1, 1.6), MEMORY, MEMORY),
    ("Amblyomma maculatum", "adult", "female"): SizeRow((4.0, 7.0), (12.0, 18.0), MEMORY, MEMORY),
    ("Amblyomma maculatum", "adult", "male"): SizeRow((4.0, 6.0), None, MEMORY, ""),
    ("Haemaphysalis longicornis", "adult", "female"): SizeRow((2.0, 2.6), (6.5, 9.8), "WIKI-HL", "WIKI-HL (upper end)"),
    ("Haemaphysalis longicornis", "adult", "male"): SizeRow((1.8, 2.3), None, MEMORY, ""),
    ("Haemaphysalis longicornis", "nymph", ""): SizeRow((1.3, 1.9), (2.8, 3.8), MEMORY, MEMORY),
    ("Haemaphysalis longicornis", "larva", ""): SizeRow((0.5, 0.7), (1.0, 1.4), MEMORY, MEMORY),
    ("Rhipicephalus sanguineus", "adult", "female"): SizeRow((2.28, 3.18), (7.5, 11.5), "JDRAG", "NWX (upper end)"),
    ("Rhipicephalus sanguineus", "adult", "male"): SizeRow((2.28, 3.18), None, "JDRAG", ""),
    ("Rhipicephalus sanguineus", "nymph", ""): SizeRow((1.1, 1.3), (2.4, 3.2), MEMORY, MEMORY),
    ("Rhipicephalus sanguineus", "larva", ""): SizeRow((0.5, 0.6), (1.0, 1.4), MEMORY, MEMORY),
}

# Drawn alike in every stage (no dorsal picture separates them), so the sizes are one range too.
SAME_SIZE = {
    ("Dermacentor albipictus", "adult", "female"): ("Dermacentor variabilis", "adult", "female"),
    ("Dermacentor albipictus", "adult", "male"): ("Dermacentor variabilis", "adult", "male"),
    ("Dermacentor albipictus", "nymph", ""): ("Dermacentor variabilis", "nymph", ""),
    ("Dermacentor albipictus", "larva", ""): ("Dermacentor variabilis", "larva", ""),
    ("Amblyomma maculatum", "nymph", ""): ("Amblyomma americanum", "nymph", ""),
    ("Amblyomma maculatum", "larva", ""): ("Amblyomma americanum", "larva", ""),
    ("Ixodes cookei", "larva", ""): ("Ixodes scapularis", "larva", ""),
}


def size_of(scientific_name: str, life_stage: str, sex: str) -> SizeRow:
    """Return the lengths drawn for this taxon, stage and sex ("" for larvae and nymphs).

    Raises KeyError for a taxon that is not drawn.
    """
    key = (scientific_name, life_stage, sex)
    return SIZES[SAME_SIZE.get(key, key)]
