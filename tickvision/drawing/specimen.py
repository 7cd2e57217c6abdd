"""The plan of the bench: which specimens came in, with whom, and what each looks like."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np

from tickvision.drawing.anatomy import LEG_COUNT, Anatomy, anatomy_of
from tickvision.drawing.sizes import size_of

# The first number after the seed tells the streams apart.
SPECIMEN_STREAM, PHOTO_STREAM, SUBMITTER_STREAM, DECK_STREAM, SIZE_STREAM, FAULT_STREAM = range(1, 7)

SPOILS = ("blurred", "hidden", "crushed", "covered", "glare")
NOT_NAMEABLE_SHARE = 0.08
COLOUR_OVERLAP = 0.28  # 0 would make colour alone decide most names
DECK_SIZE = 200

# Cards of one deck. Long-tailed, but every class that a picture can name has at least four of 200.
# Left out as seldom seen: I. cookei males (on or near the burrow), H. longicornis males (EGIZI19).
DECK: dict[tuple[str, str, str], int] = {
    ("Ixodes scapularis", "adult", "female"): 20,
    ("Ixodes scapularis", "adult", "male"): 10,
    ("Ixodes scapularis", "nymph", ""): 16,
    ("Ixodes scapularis", "larva", ""): 4,
    ("Ixodes cookei", "adult", "female"): 8,
    ("Ixodes cookei", "nymph", ""): 5,
    ("Ixodes cookei", "larva", ""): 2,
    ("Amblyomma americanum", "adult", "female"): 13,
    ("Amblyomma americanum", "adult", "male"): 8,
    ("Amblyomma americanum", "nymph", ""): 9,
    ("Amblyomma americanum", "larva", ""): 3,
    ("Amblyomma maculatum", "adult", "female"): 6,
    ("Amblyomma maculatum", "adult", "male"): 5,
    ("Amblyomma maculatum", "nymph", ""): 4,
    ("Amblyomma maculatum", "larva", ""): 2,
    ("Dermacentor variabilis", "adult", "female"): 9,
    ("Dermacentor variabilis", "adult", "male"): 7,
    ("Dermacentor variabilis", "nymph", ""): 4,
    ("Dermacentor variabilis", "larva", ""): 3,
    ("Dermacentor albipictus", "adult", "female"): 3,
    ("Dermacentor albipictus", "adult", "male"): 3,
    ("Dermacentor albipictus", "nymph", ""): 2,
    ("Dermacentor albipictus", "larva", ""): 2,
    ("Haemaphysalis longicornis", "adult", "female"): 8,
    ("Haemaphysalis longicornis", "nymph", ""): 7,
    ("Haemaphysalis longicornis", "larva", ""): 5,
    ("Rhipicephalus sanguineus", "adult", "female"): 6,
    ("Rhipicephalus sanguineus", "adult", "male"): 5,
    ("Rhipicephalus sanguineus", "nymph", ""): 5,
    ("Rhipicephalus sanguineus", "larva", ""): 4,
    ("", "spider", ""): 3,
    ("", "beetle", ""): 3,
    ("", "seed", ""): 3,
    ("", "scab", ""): 3,
}


@dataclass(frozen=True)
class Specimen:
    """One thing that came in: a drawn tick, or a drawn thing that is none.

    scientific_name is None and life_stage "" for `kind` other than "tick"; sex is "" before adult.
    body_length_mm runs from palp tip to hind end; unit_mm is the unfed body without mouthparts.
    length_growth and width_growth say how far feeding stretched the body (1.0 = flat).
    plainness is how far its colours lean to the common brown of all ticks, 0 to COLOUR_OVERLAP.
    spoiled names what keeps the name out of every picture ("" when nameable).
    """

    number: int
    submission: int
    kind: str
    scientific_name: str | None
    life_stage: str
    sex: str
    feeding: str
    photo_count: int
    body_length_mm: float
    unit_mm: float
    length_growth: float
    width_growth: float
    nameable: bool
    spoiled: str
    brightness: float
    tint: tuple[float, float, float]
    plainness: float
    slimness: float
    palp_factor: float
    scutum_factor: float
    lost_legs: tuple[int, ...]
    lost_palps: tuple[int, ...]

    @property
    def anatomy(self) -> Anatomy:
        """The drawn characters; only a tick has them."""
        if self.scientific_name is None:
            raise ValueError(f"specimen {self.number} is a {self.kind}, it has no tick's anatomy")
        return anatomy_of(self.scientific_name, self.life_stage, self.sex)

    @property
    def leg_count(self) -> int:
        """Legs that its stage has, lost ones included; 0 for a thing that is no tick."""
        return LEG_COUNT.get(self.life_stage, 0)

    @property
    def scutum_length_mm(self) -> float:
        """Length of the plate; feeding leaves it as it is (CAES)."""
        if self.scientific_name is None:
            return 0.0
        anatomy = self.anatomy
        stretch = self.length_growth if anatomy.covers_back else 1.0
        return anatomy.scutum_length * self.scutum_factor * stretch * self.unit_mm

    @property
    def name_in_picture(self) -> str:
        """The lowest name that a good picture from above can carry: the species, or only its genus."""
        if self.scientific_name is None:
            return "not a tick"
        genus = self.scientific_name.split()[0]
        alike = self.life_stage == "larva" or genus == "Dermacentor"
        alike = alike or (genus == "Amblyomma" and self.life_stage == "nymph")
        return genus if alike else self.scientific_name


def plan_specimens(n: int, seed: int) -> list[Specimen]:
    """Return the first n specimens of the bench drawn from `seed`; specimen k is the same for any n."""
    return [_specimen(k, submission, seed) for k, submission in zip(range(n), submissions_of(seed), strict=False)]


def submissions_of(seed: int) -> Iterator[int]:
    """Yield the submission of each specimen: runs of one to six."""
    submission = 0
    while True:
        rng = np.random.default_rng([seed, SIZE_STREAM, submission])
        size = int(rng.choice(6, p=(0.34, 0.24, 0.17, 0.12, 0.08, 0.05))) + 1
        yield from [submission] * size
        submission += 1


@cache
def _deck(seed: int, block: int) -> list[tuple[str, str, str]]:
    cards = [card for card, count in DECK.items() for _ in range(count)]
    order = np.random.default_rng([seed, DECK_STREAM, block]).permutation(len(cards))
    return [cards[i] for i in order]


def card_of(number: int, seed: int) -> tuple[str, str, str]:
    """Return scientific name, stage and sex of a specimen; the name is "" and the stage a thing's for no tick."""
    block, place = divmod(number, DECK_SIZE)
    return _deck(seed, block)[place]


def _specimen(number: int, submission: int, seed: int) -> Specimen:
    name, stage, sex = card_of(number, seed)
    rng = np.random.default_rng([seed, SPECIMEN_STREAM, number])
    photos = 1 + int(rng.choice(4, p=(0.53, 0.28, 0.13, 0.06)))
    spoiled = str(rng.choice(SPOILS)) if rng.random() < NOT_NAMEABLE_SHARE and name else ""
    feeding = _feeding(rng, stage, sex) if name else ""
    palps = float(np.clip(rng.normal(1.0, 0.06), 0.86, 1.14))
    unit, length, growth, widening = _measure(rng, (name, stage, sex), feeding, palps)
    return Specimen(
        number=number,
        submission=submission,
        kind="tick" if name else stage,
        scientific_name=name or None,
        life_stage=stage if name else "",
        sex=sex,
        feeding=feeding,
        photo_count=photos,
        body_length_mm=length,
        unit_mm=unit,
        length_growth=growth,
        width_growth=widening,
        nameable=not spoiled,
        spoiled=spoiled,
        brightness=float(np.clip(rng.normal(1.0, 0.09), 0.76, 1.26)),
        tint=(float(rng.normal(1, 0.025)), float(rng.normal(1, 0.02)), float(rng.normal(1, 0.03))),
        plainness=float(COLOUR_OVERLAP * rng.beta(1.5, 2.2)),
        slimness=float(np.clip(rng.normal(1.0, 0.035), 0.9, 1.1)),
        palp_factor=palps,
        scutum_factor=float(np.clip(rng.normal(1.0, 0.03), 0.93, 1.07)),
        lost_legs=_lost_legs(rng, stage),
        lost_palps=(int(rng.integers(2)),) if rng.random() < 0.05 else (),
    )


def _feeding(rng: np.random.Generator, stage: str, sex: str) -> str:
    shares = {"nymph": (0.70, 0.22, 0.08), "larva": (0.78, 0.15, 0.07)}.get(stage, (0.66, 0.24, 0.10))
    if sex == "male":
        shares = (0.9, 0.1, 0.0)  # little change in males: CAES
    return ("flat", "partly", "fully")[int(rng.choice(3, p=shares))]


def _measure(
    rng: np.random.Generator, card: tuple[str, str, str], feeding: str, palps: float
) -> tuple[float, float, float, float]:
    """Return unit_mm, body_length_mm and the growth in length and width of one individual."""
    place, swell, widen = rng.beta(2, 2), rng.random(), rng.uniform(0.94, 1.06)
    if not card[0]:
        length = float(2.0 + 2.5 * place)
        return length, length, 1.0, 1.0
    row, anatomy = size_of(*card), anatomy_of(*card)
    head = anatomy.basis_length + anatomy.palp_length * palps
    unfed = row.unfed_mm[0] + place * (row.unfed_mm[1] - row.unfed_mm[0])
    unit = float(unfed / (1 + head))
    if feeding == "flat":
        return unit, float(unfed), 1.0, 1.0
    if row.fed_mm is None:
        growth = 1.0 + 0.05 * swell
        return unit, float(unit * (growth + head)), float(growth), float(1.02 + 0.06 * swell)
    full = row.fed_mm[0] + place * (row.fed_mm[1] - row.fed_mm[0])
    if feeding == "fully":
        length = unfed + (0.55 + 0.40 * swell) * (full - unfed)
    else:
        length = min(unfed * (1.18 + 0.42 * swell), unfed + 0.5 * (full - unfed))
    growth = length / unit - head
    return unit, float(length), float(growth), float(growth * (1.0 + 0.16 * min(growth - 1, 1)) * widen)


def _lost_legs(rng: np.random.Generator, stage: str) -> tuple[int, ...]:
    share, most = (0.22, 2) if stage == "adult" else (0.10, 1)  # a nymph without a pair would pass for a larva
    if rng.random() > share:
        return ()
    lost = rng.choice(LEG_COUNT.get(stage, 8), size=int(rng.integers(1, most + 1)), replace=False)
    return tuple(sorted(int(i) for i in lost))
