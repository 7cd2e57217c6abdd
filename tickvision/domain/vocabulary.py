"""Life stages, sexes, feeding classes and views: the words, and what people write for them."""

from __future__ import annotations

import unicodedata

from tickvision.errors import did_you_mean

LIFE_STAGES = ("larva", "nymph", "adult")
SEXES = ("female", "male")
FEEDING_CLASSES = ("flat", "partly", "fully")
VIEWS = ("dorsal", "ventral", "lateral")

UNKNOWN_WORDS = frozenset(
    [
        "",
        "-",
        "?",
        "na",
        "n/a",
        "nan",
        "none",
        "null",
        "unknown",
        "undetermined",
        "indeterminate",
        "indet",
        "indet.",
        "genderunidentified",
        "unidentified",
        "not recorded",
        "unspecified",
    ]
)

_WORDS = {
    "life_stage": {
        "larva": "larva",
        "larvae": "larva",
        "larvas": "larva",
        "nymph": "nymph",
        "nymphs": "nymph",
        "nympha": "nymph",
        "adult": "adult",
        "adults": "adult",
        "imago": "adult",
    },
    "sex": {
        "female": "female",
        "females": "female",
        "f": "female",
        "♀": "female",
        "male": "male",
        "males": "male",
        "m": "male",
        "♂": "male",
    },
    "feeding": {
        "flat": "flat",
        "unfed": "flat",
        "partly": "partly",
        "partially": "partly",
        "partly fed": "partly",
        "partially engorged": "partly",
        "fully": "fully",
        "engorged": "fully",
        "replete": "fully",
        "fully engorged": "fully",
    },
    "view": {"dorsal": "dorsal", "ventral": "ventral", "lateral": "lateral"},
}
_ADULT_SEXES = {
    "adult female": ("adult", "female"),
    "female adult": ("adult", "female"),
    "adult male": ("adult", "male"),
    "male adult": ("adult", "male"),
}


def clean(text: str) -> str:
    """Return the text in NFC form with outer and repeated white space removed."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def is_unknown(text: str) -> bool:
    """True if the text is one of the usual ways to write that nothing is known."""
    return clean(text).lower() in UNKNOWN_WORDS


def read_word(column: str, text: str) -> tuple[str, str]:
    """Return (word of the vocabulary or "", fault or "") for one column of life_stage, sex, feeding or view."""
    found = clean(text).lower()
    if found in UNKNOWN_WORDS:
        return "", ""
    words = _WORDS[column]
    if found in words:
        return words[found], ""
    known = ", ".join(dict.fromkeys(words.values()))
    return "", f"{column} '{text.strip()}' is not in the vocabulary ({known}).{did_you_mean(found, words)}"


def read_stage_and_sex(stage_text: str, sex_text: str) -> tuple[str, str, list[str]]:
    """Return (life_stage, sex, faults); "adult female" in the stage column gives both."""
    both = _ADULT_SEXES.get(clean(stage_text).lower())
    if both and is_unknown(sex_text):
        return both[0], both[1], []
    stage, stage_fault = (both[0], "") if both else read_word("life_stage", stage_text)
    sex, sex_fault = read_word("sex", sex_text)
    faults = [f for f in (stage_fault, sex_fault) if f]
    if both and sex and sex != both[1]:
        faults.append(f"life_stage '{stage_text.strip()}' and sex '{sex_text.strip()}' contradict each other.")
    return stage, sex, faults
