"""What a key looks at, as numbers: one `Anatomy` for each drawn taxon, stage and sex.

Lengths are shares of the unfed body without mouthparts (the idiosoma), so 1.0 is its length.
Source keys stand beside the facts; proportions without a key are from memory and drawn a little
larger than life, so that they can be seen at 192 px.
"""

from dataclasses import dataclass, replace
from functools import cache

Colour = tuple[int, int, int]

TAXA = (
    "Ixodes scapularis",
    "Ixodes cookei",
    "Amblyomma americanum",
    "Amblyomma maculatum",
    "Dermacentor variabilis",
    "Dermacentor albipictus",
    "Haemaphysalis longicornis",
    "Rhipicephalus sanguineus",
)
DRAWN_TAXA = (*TAXA, "Ixodes ricinus")
LEG_COUNT = {"larva": 6, "nymph": 8, "adult": 8}  # KU-RIC, EOL514561, NYSIPM


@dataclass(frozen=True)
class Palette:
    """RGB of the plate, the soft back when flat, the legs, and the soft back when full."""

    scutum: Colour
    body: Colour
    legs: Colour
    fed: Colour
    pale: Colour = (226, 216, 190)


COMMON_BROWN = Palette((96, 58, 38), (138, 88, 56), (112, 72, 48), (138, 134, 126))


@dataclass(frozen=True)
class Anatomy:
    """The drawn characters of one taxon, stage and sex."""

    genus: str
    life_stage: str
    body_width: float
    widest_at: float
    bluntness: float
    scutum: str
    scutum_length: float
    scutum_width: float
    covers_back: bool
    palps: str
    palp_length: float
    palp_width: float
    basis: str
    basis_length: float
    basis_width: float
    festoons: int
    eyes: bool
    ornament: str
    leg_length: float
    leg_width: float
    leg_count: int
    colours: Palette


_IXODES = Anatomy(
    genus="Ixodes", life_stage="adult", body_width=0.66, widest_at=0.60, bluntness=0.52,
    scutum="oval", scutum_length=0.52, scutum_width=0.47, covers_back=False,
    palps="slender", palp_length=0.27, palp_width=0.062,  # long: IDWIKI, NCVP21
    basis="rectangle", basis_length=0.085, basis_width=0.22,  # KU-RIC
    festoons=0, eyes=False, ornament="",  # MANSON
    leg_length=0.98, leg_width=0.060, leg_count=8,
    colours=Palette((46, 27, 21), (156, 74, 40), (44, 28, 23), (150, 147, 142)),  # CAES, PW495
)  # fmt: skip

_DERMACENTOR = Anatomy(
    genus="Dermacentor", life_stage="adult", body_width=0.66, widest_at=0.62, bluntness=0.46,
    scutum="shield", scutum_length=0.50, scutum_width=0.50, covers_back=False,
    palps="stout", palp_length=0.115, palp_width=0.095,  # short, stout: UALB-ALB, CAES
    basis="rectangle", basis_length=0.095, basis_width=0.27,  # UALB-ALB, MANSON
    festoons=11, eyes=True, ornament="silver marks",  # UALB-ALB, MANSON, EOL514561
    leg_length=0.80, leg_width=0.066, leg_count=8,
    colours=Palette((88, 52, 37), (116, 62, 43), (98, 60, 42), (140, 142, 130), (214, 210, 202)),
)  # fmt: skip

_AMBLYOMMA = Anatomy(
    genus="Amblyomma", life_stage="adult", body_width=0.78, widest_at=0.58, bluntness=0.50,
    scutum="triangle", scutum_length=0.52, scutum_width=0.56, covers_back=False,
    palps="long", palp_length=0.29, palp_width=0.060,  # much longer than basis: CAES, IDWIKI
    basis="rectangle", basis_length=0.09, basis_width=0.21,
    festoons=11, eyes=True, ornament="tip spot",  # IDWIKI, CAES, UF1017
    leg_length=0.95, leg_width=0.060, leg_count=8,
    colours=Palette((108, 52, 31), (128, 66, 41), (134, 76, 47), (150, 138, 124), (238, 228, 196)),
)  # fmt: skip

_HAEMAPHYSALIS = Anatomy(
    genus="Haemaphysalis", life_stage="adult", body_width=0.68, widest_at=0.60, bluntness=0.48,
    scutum="round", scutum_length=0.46, scutum_width=0.48, covers_back=False,
    palps="flared", palp_length=0.14, palp_width=0.145,  # MANSON, PW679
    basis="rectangle", basis_length=0.075, basis_width=0.23,
    festoons=11, eyes=False, ornament="",  # MANSON
    leg_length=0.72, leg_width=0.062, leg_count=8,
    colours=Palette((128, 70, 38), (134, 76, 44), (146, 86, 50), (122, 116, 112)),  # AGRI
)  # fmt: skip

_RHIPICEPHALUS = Anatomy(
    genus="Rhipicephalus", life_stage="adult", body_width=0.52, widest_at=0.64, bluntness=0.44,
    scutum="sinuous", scutum_length=0.50, scutum_width=0.42, covers_back=False,
    palps="short", palp_length=0.095, palp_width=0.085,  # MANSON
    basis="hexagon", basis_length=0.12, basis_width=0.35,  # MANSON, CAES, PW679
    festoons=11, eyes=True, ornament="",  # MANSON, DT24
    leg_length=0.74, leg_width=0.062, leg_count=8,
    colours=Palette((98, 45, 25), (150, 80, 46), (118, 60, 34), (118, 124, 120)),  # EDIS-RS, NWX
)  # fmt: skip

_GENERA = {a.genus: a for a in (_IXODES, _DERMACENTOR, _AMBLYOMMA, _HAEMAPHYSALIS, _RHIPICEPHALUS)}

_COOKEI_TAN = Palette((162, 104, 60), (188, 144, 102), (196, 148, 98), (168, 158, 142))
_MALE_ORNAMENT = {
    "Amblyomma americanum": "edge marks",  # CAES
    "Amblyomma maculatum": "pale network",  # BIOINS
    "Dermacentor variabilis": "silver lines",  # STOPT, EOL514561
    "Dermacentor albipictus": "silver lines",
}
_YOUNG_COLOURS = {
    "Ixodes": Palette((58, 44, 36), (112, 102, 90), (92, 72, 58), (112, 110, 112)),  # PW495
    "Ixodes cookei": _COOKEI_TAN,
    "Amblyomma": Palette((136, 66, 38), (160, 88, 56), (158, 98, 64), (122, 112, 108)),  # CAES
    "Dermacentor": Palette((188, 148, 86), (216, 184, 122), (212, 178, 120), (104, 110, 118)),  # EOL514561
    "Haemaphysalis": Palette((148, 90, 50), (172, 118, 74), (178, 126, 82), (116, 112, 110)),  # AGRI
    "Rhipicephalus": Palette((112, 50, 28), (140, 72, 42), (132, 74, 46), (108, 112, 112)),
}


@cache
def anatomy_of(scientific_name: str, life_stage: str, sex: str) -> Anatomy:
    """Return the drawn characters of a taxon; sex is "" for larvae and nymphs.

    Larvae of one genus, both Dermacentor, and the nymphs of Amblyomma come out equal: no picture
    from above separates them, so nothing in the drawing may.
    Raises KeyError for a genus that is not drawn.
    """
    genus = scientific_name.split()[0]
    if life_stage == "adult":
        return _adult(scientific_name, genus, sex)
    short_palped = scientific_name == "Ixodes cookei" and life_stage == "nymph"
    return _young(genus, life_stage, short_palped)


def _adult(scientific_name: str, genus: str, sex: str) -> Anatomy:
    female = _GENERA[genus]
    if scientific_name == "Ixodes cookei":  # angular longer scutum, short palps: NCVP21
        female = replace(
            female, scutum="angular", scutum_length=0.62, scutum_width=0.46,
            palp_length=0.135, palp_width=0.078, basis_width=0.24, leg_length=0.82, colours=_COOKEI_TAN,
        )  # fmt: skip
    if scientific_name == "Ixodes ricinus":  # small scutum: KU-RIC
        female = replace(female, scutum_length=0.48, scutum_width=0.44)
    if scientific_name == "Amblyomma maculatum":
        tones = Palette((100, 57, 37), (112, 68, 48), (164, 104, 58), (146, 138, 124), (228, 208, 164))
        female = replace(female, ornament="pale patches", body_width=0.72, colours=tones)
    if sex != "male":
        return female
    return _male(scientific_name, female)


def _male(scientific_name: str, female: Anatomy) -> Anatomy:
    """The scutum covers the whole back (KU-RIC, CAES); mouthparts a little shorter."""
    tones = female.colours
    if female.genus == "Ixodes" and scientific_name != "Ixodes cookei":
        tones = Palette((40, 26, 21), (120, 86, 62), (44, 28, 23), (120, 86, 62))  # dark all over: CAES
    return replace(
        female,
        covers_back=True,
        scutum_length=1.0,
        scutum_width=female.body_width,
        body_width=female.body_width * 0.96,
        palp_length=female.palp_length * 0.85,
        ornament=_MALE_ORNAMENT.get(scientific_name, female.ornament),
        colours=tones,
    )


_NYMPH_WIDTH = {"Amblyomma": 0.80, "Ixodes": 0.64, "Dermacentor": 0.76, "Haemaphysalis": 0.74, "Rhipicephalus": 0.56}


def _young(genus: str, life_stage: str, short_palped: bool) -> Anatomy:
    """Nymph or larva: no ornament, scutum over the front only."""
    adult = _adult("Ixodes cookei", "Ixodes", "female") if short_palped else _GENERA[genus]
    tones = _YOUNG_COLOURS["Ixodes cookei" if short_palped else genus]
    if life_stage == "larva":
        return _larva(genus, adult, tones)
    return replace(
        adult,
        life_stage="nymph",
        body_width=_NYMPH_WIDTH[genus],  # tear-drop against rounder: CAES, SPLG
        scutum_length=adult.scutum_length * 0.96,
        scutum_width=adult.scutum_width * 1.04,
        palp_length=adult.palp_length * 1.12,
        palp_width=adult.palp_width * 1.12,
        basis_length=adult.basis_length * 1.15,
        basis_width=adult.basis_width * 1.15,
        ornament="",
        leg_length=adult.leg_length * 0.94,
        leg_width=adult.leg_width * 1.12,
        colours=tones,
    )


def _larva(genus: str, adult: Anatomy, tones: Palette) -> Anatomy:
    """Nearly round, pale, with a broad plate and stout mouthparts; colours and proportions from memory."""
    pale = (222, 190, 138)
    return replace(
        adult,
        life_stage="larva",
        body_width=_NYMPH_WIDTH[genus] * 1.27,
        widest_at=0.54,
        scutum_length=adult.scutum_length * 0.98,
        scutum_width=adult.scutum_width * 1.3,
        palp_length=adult.palp_length * 1.12,
        palp_width=adult.palp_width * 1.25,
        basis_length=adult.basis_length * 1.25,
        basis_width=adult.basis_width * 1.3,
        ornament="",
        festoons=9 if adult.festoons else 0,
        leg_length=adult.leg_length * 1.08,
        leg_width=adult.leg_width * 1.35,
        leg_count=LEG_COUNT["larva"],
        colours=Palette(
            mixed(tones.scutum, pale, 0.42),
            mixed(tones.body, pale, 0.78),
            mixed(tones.legs, pale, 0.68),
            tones.fed,
        ),
    )


def mixed(a: Colour, b: Colour, share: float) -> Colour:
    """Return the colour between a (share 0) and b (share 1)."""
    red, green, blue = (int(x * (1 - share) + y * share) for x, y in zip(a, b, strict=True))
    return red, green, blue
