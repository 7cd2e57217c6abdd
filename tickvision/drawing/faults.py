"""What is wrong with the bench's labels and files, on purpose; all of it is written into truth.csv."""

import itertools
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np

from tickvision.drawing.anatomy import anatomy_of
from tickvision.drawing.specimen import DECK, DECK_SIZE, FAULT_STREAM, Specimen, card_of, submissions_of
from tickvision.drawing.submitter import is_older_record
from tickvision.drawing.textures import Image, Rng

WRONG_PER_DECK = 6  # of 200: at least 40 of 1,500
WRONG_AMONG_NAMED_IN_FULL = 1  # of those 6; the rest stand in older records
NEAR_DUPLICATE_SHARE = 0.02
EXACT_DUPLICATE_SHARE = 0.007
CORRUPT_SHARE = 0.005
MISSING_SHARE = 0.0015
# Of older records; what the bench's identifier has named lacks nothing but the name of larvae.
GENUS_ONLY = {"larva": 0.60, "nymph": 0.18, "adult": 0.14}
NO_SEX_SHARE = 0.15
NO_STAGE_SHARE = 0.06
LARVA_WITH_SEX_SHARE = 0.04
LARVA_TO_GENUS_SHARE = 0.25
CONFLICTING_SHARE = 0.6  # of the duplicates of older records

CORRUPTIONS = ("truncated", "empty", "text")
ALTERATIONS = ("resaved", "resized", "cropped", "turned", "brightened")

# Whom people take a species for; the drawn-alike pairs are left out, as nobody could find those faults.
MISTAKEN_FOR: dict[str, tuple[str, ...]] = {
    "Ixodes scapularis": ("Ixodes cookei", "Rhipicephalus sanguineus", "Amblyomma americanum"),
    "Ixodes cookei": ("Ixodes scapularis", "Haemaphysalis longicornis"),
    "Amblyomma americanum": ("Haemaphysalis longicornis", "Dermacentor variabilis", "Ixodes scapularis"),
    "Amblyomma maculatum": ("Dermacentor variabilis", "Dermacentor albipictus"),
    "Dermacentor variabilis": ("Amblyomma maculatum", "Amblyomma americanum"),
    "Dermacentor albipictus": ("Amblyomma maculatum", "Amblyomma americanum"),
    "Haemaphysalis longicornis": ("Rhipicephalus sanguineus", "Amblyomma americanum"),
    "Rhipicephalus sanguineus": ("Haemaphysalis longicornis", "Ixodes scapularis"),
}


@dataclass(frozen=True)
class Label:
    """What the bench has written down about one specimen, and what is planted in it."""

    scientific_name: str
    life_stage: str
    sex: str
    feeding: str
    planted: tuple[str, ...] = ()


def true_label(specimen: Specimen) -> Label:
    """Return the label without any fault."""
    name = specimen.scientific_name or "not a tick"
    return Label(name, specimen.life_stage, specimen.sex, specimen.feeding)


@cache
def _wrongly_labelled(seed: int, block: int) -> frozenset[int]:
    """Return the specimen numbers of one deck whose label is wrong."""
    rng = np.random.default_rng([seed, FAULT_STREAM, 0, block])
    numbers = [block * DECK_SIZE + int(i) for i in rng.permutation(DECK_SIZE)]
    older = _older_numbers(seed, (block + 1) * DECK_SIZE)
    ticks = [n for n in numbers if card_of(n, seed)[0]]
    careful = [n for n in ticks if n not in older][:WRONG_AMONG_NAMED_IN_FULL]
    return frozenset(careful + [n for n in ticks if n in older][: WRONG_PER_DECK - len(careful)])


@cache
def _older_numbers(seed: int, up_to: int) -> frozenset[int]:
    """Return the specimen numbers below `up_to` that belong to older records."""
    submissions = itertools.islice(submissions_of(seed), up_to)
    return frozenset(n for n, submission in enumerate(submissions) if is_older_record(submission, seed))


def bench_label(specimen: Specimen, seed: int) -> Label:
    """Return what the bench has noted for a specimen: mostly true, sometimes wrong or incomplete."""
    label = true_label(specimen)
    if specimen.scientific_name is None:
        return label
    rng = np.random.default_rng([seed, FAULT_STREAM, 1, specimen.number])
    draws = rng.random(4)
    if specimen.number in _wrongly_labelled(seed, specimen.number // DECK_SIZE):
        return _mistaken(label, rng)
    older = is_older_record(specimen.submission, seed)
    if not older:
        to_genus = label.life_stage == "larva" and draws[0] < LARVA_TO_GENUS_SHARE
        genus = label.scientific_name.split()[0]
        return replace(label, scientific_name=f"{genus} sp.", planted=("genus_only",)) if to_genus else label
    if draws[0] < GENUS_ONLY[label.life_stage]:
        genus = label.scientific_name.split()[0]
        label = replace(label, scientific_name=f"{genus} sp.", planted=(*label.planted, "genus_only"))
    if label.sex and draws[1] < NO_SEX_SHARE:
        label = replace(label, sex="", planted=(*label.planted, "no_sex"))
    if draws[2] < NO_STAGE_SHARE:
        label = replace(label, life_stage="", sex="", planted=(*label.planted, "no_stage"))
    if label.life_stage == "larva" and draws[3] < LARVA_WITH_SEX_SHARE:
        sex = str(rng.choice(("female", "male")))
        label = replace(label, sex=sex, planted=(*label.planted, "larva_with_sex"))
    return label


def _mistaken(label: Label, rng: Rng) -> Label:
    """Return the label with another taxon of the same stage and sex, or with the other sex."""
    drawn = anatomy_of(label.scientific_name, label.life_stage, label.sex)
    stage_and_sex = (label.life_stage, label.sex)
    others = [
        name
        for name in MISTAKEN_FOR[label.scientific_name]
        if (name, *stage_and_sex) in DECK and anatomy_of(name, *stage_and_sex) != drawn
    ]
    if label.sex and (rng.random() < 0.3 or not others):
        other_sex = {"female": "male", "male": "female"}[label.sex]
        return replace(label, sex=other_sex, planted=("wrong_label",))
    return replace(label, scientific_name=others[int(rng.integers(len(others)))], planted=("wrong_label",))


@dataclass(frozen=True)
class FileFaults:
    """What happens to the file of one photo: "" where nothing does."""

    duplicate: str
    conflicting: bool
    corruption: str


def file_faults(specimen: Specimen, photo_number: int, seed: int) -> FileFaults:
    """Return whether a photo comes in twice, or its file is broken."""
    rng = np.random.default_rng([seed, FAULT_STREAM, 2, specimen.number, photo_number])
    draws = rng.random(3)
    duplicate, corruption = "", ""
    if draws[0] < NEAR_DUPLICATE_SHARE:
        duplicate = str(rng.choice(ALTERATIONS))
    elif draws[0] < NEAR_DUPLICATE_SHARE + EXACT_DUPLICATE_SHARE:
        duplicate = "exact"
    elif draws[1] < CORRUPT_SHARE:
        corruption = str(rng.choice(CORRUPTIONS))
    elif draws[1] < CORRUPT_SHARE + MISSING_SHARE:
        corruption = "missing"
    return FileFaults(duplicate, bool(duplicate) and draws[2] < CONFLICTING_SHARE, corruption)


def conflicting_label(specimen: Specimen, label: Label, seed: int) -> Label:
    """Return a label for a duplicate that contradicts the one of its twin."""
    if specimen.scientific_name is None:
        return replace(label, scientific_name="Ixodes sp.", planted=("wrong_label",))
    rng = np.random.default_rng([seed, FAULT_STREAM, 3, specimen.number])
    return _mistaken(true_label(specimen), rng)


def altered(image: Image, alteration: str, rng: Rng) -> Image:
    """Return the picture of a near-duplicate: the same shot, resized, cropped, turned or brightened."""
    size = image.shape[0]
    if alteration == "resized":
        side = int(size * rng.uniform(0.55, 0.85))
        return np.asarray(cv2.resize(image, (side, side), interpolation=cv2.INTER_AREA), np.uint8)
    if alteration == "cropped":
        keep = int(size * 0.9)
        top, left = (int(v) for v in rng.integers(0, size - keep + 1, 2))
        return np.ascontiguousarray(image[top : top + keep, left : left + keep])
    if alteration == "turned":
        return np.ascontiguousarray(np.rot90(image))
    if alteration == "brightened":
        bright = np.clip(image.astype(np.float32) * rng.choice((0.82, 1.16)), 0, 255)
        return np.asarray(bright, np.uint8)
    return image


def corrupted(content: bytes, corruption: str, rng: Rng) -> bytes:
    """Return the broken content of a file."""
    if corruption == "truncated":
        return content[: int(len(content) * rng.uniform(0.25, 0.6))]
    if corruption == "empty":
        return b""
    return b"This is a note of the bench, not a picture: photograph to follow.\n"
