"""Who sent a submission: camera, lamp and table, which know nothing of the tick."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from tickvision.drawing.specimen import SUBMITTER_STREAM

BACKGROUNDS = ("paper", "cloth", "skin", "tray", "leaf")
DISTRICTS = ("Upper Larkmoor", "Nether Larkmoor", "Pellow Fen", "Marrick Edge", "Sallow Down", "Tarn Hatch")
RETURNING_SHARE = 0.25
OLDER_SHARE = 0.4


@dataclass(frozen=True)
class Submitter:
    """Camera and habits of one invented sender."""

    creator: int
    device: str
    background: str
    base_tone: tuple[float, float, float]
    grain_zoom: float
    pattern: int
    is_ring_lit: bool
    ambient: float
    warmth: float
    vignette: float
    noise: float
    sharpness: float
    contrast: float
    quality: tuple[int, int]
    turns_camera: bool
    district: str


PAPERS = ((246, 244, 238), (238, 232, 218), (250, 250, 250), (226, 230, 236), (240, 226, 190), (214, 206, 196))
CLOTHS = (
    (232, 228, 220),
    (120, 134, 158),
    (150, 92, 84),
    (96, 112, 96),
    (196, 178, 150),
    (70, 74, 86),
    (206, 186, 196),
)
SKINS = ((242, 208, 186), (228, 184, 156), (208, 158, 124), (178, 124, 92), (138, 92, 66), (98, 64, 48), (70, 46, 36))
TRAYS = (
    (236, 238, 238),
    (206, 214, 220),
    (150, 176, 196),
    (226, 222, 210),
    (110, 118, 124),
    (44, 46, 50),
    (190, 204, 190),
)
LEAVES = ((96, 138, 60), (70, 112, 52), (132, 158, 84), (150, 130, 78), (118, 96, 60), (84, 128, 84))
TONES = {"paper": PAPERS, "cloth": CLOTHS, "skin": SKINS, "tray": TRAYS, "leaf": LEAVES}


@cache
def creator_of(submission: int, seed: int) -> int:
    """Return the sender's number; one in four submissions comes from an earlier sender."""
    rng = np.random.default_rng([seed, SUBMITTER_STREAM, submission, 0])
    if submission and rng.random() < RETURNING_SHARE:
        return int(rng.integers(submission))
    return submission


@cache
def is_older_record(submission: int, seed: int) -> bool:
    """Return whether a submission is an older record, partly and carelessly labelled, fit for training only.

    The others were named in full by the bench's identifier. It does not depend on what was sent in, nor by whom.
    """
    return bool(np.random.default_rng([seed, SUBMITTER_STREAM, submission, 4]).random() < OLDER_SHARE)


@cache
def submitter_of(submission: int, seed: int) -> Submitter:
    """Return the sender of a submission."""
    creator = creator_of(submission, seed)
    rng = np.random.default_rng([seed, SUBMITTER_STREAM, creator, 1])
    device = "microscope" if rng.random() < 0.32 else "phone"
    shares = (0.30, 0.15, 0.22, 0.22, 0.11) if device == "phone" else (0.34, 0.10, 0.06, 0.44, 0.06)
    background = BACKGROUNDS[int(rng.choice(5, p=shares))]
    tones = TONES[background]
    tone = np.array(tones[int(rng.integers(len(tones)))]) * rng.normal(1, 0.03, 3)
    low = int(rng.integers(58, 92))
    return Submitter(
        creator=creator,
        device=device,
        background=background,
        base_tone=(float(tone[0]), float(tone[1]), float(tone[2])),
        grain_zoom=float(rng.uniform(0.7, 1.9)),
        pattern=int(rng.integers(6)),
        is_ring_lit=device == "microscope" and rng.random() < 0.55,
        ambient=float(rng.uniform(0.45, 0.72) if device == "microscope" else rng.uniform(0.30, 0.62)),
        warmth=float(rng.normal(0.0, 0.04)),
        vignette=float(rng.uniform(0.15, 0.55) if device == "microscope" else rng.uniform(0.0, 0.28)),
        noise=float(rng.uniform(1.0, 4.0) if device == "microscope" else rng.uniform(1.5, 6.5)),
        sharpness=float(rng.uniform(0.0, 0.6)),
        contrast=float(np.clip(rng.normal(1.06, 0.1), 0.85, 1.3)),
        quality=(low, min(low + 8, 96)),
        turns_camera=device == "phone" and rng.random() < 0.45,
        district=DISTRICTS[int(rng.integers(len(DISTRICTS)))],
    )
