"""The rows of labels.csv (what the bench knows) and truth.csv (what is so)."""

import csv
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from io import StringIO
from pathlib import Path

import numpy as np

from tickvision.drawing.faults import Label, true_label
from tickvision.drawing.files import write_bytes
from tickvision.drawing.render import PhotoTruth
from tickvision.drawing.specimen import SUBMITTER_STREAM, Specimen
from tickvision.drawing.submitter import is_older_record, submitter_of

LABEL_COLUMNS = (
    "photo_id", "file", "specimen_id", "submission_id", "scientific_name", "life_stage", "sex", "feeding", "view",
    "event_date", "creator", "license_uri", "device", "scale_bar", "place", "host", "damage",
    "use",
)  # fmt: skip
TRUTH_COLUMNS = (
    "photo_id", "file", "specimen_id", "submission_id", "kind", "true_scientific_name", "true_life_stage", "true_sex",
    "true_feeding", "nameable", "name_in_picture", "why_not_nameable", "view", "device", "background", "scale_bar",
    "body_length_mm", "px_per_mm", "fill", "turn_deg", "legs_drawn", "focus_px", "orientation", "planted", "twin_of",
    "wrong_label", "genus_only", "no_sex", "no_stage", "larva_with_sex", "near_duplicate", "exact_duplicate",
    "conflicting_label", "corrupt_file", "missing_file",
)  # fmt: skip
PLANTED_KINDS = TRUTH_COLUMNS[-10:]

# Licences as people write them, and how often the sender of an older record chose each.
LICENCES: tuple[tuple[float, tuple[str, ...]], ...] = (
    (
        0.42,
        (
            "https://creativecommons.org/publicdomain/zero/1.0/",
            "http://creativecommons.org/publicdomain/zero/1.0/legalcode",
            "CC0 1.0",
        ),
    ),
    (
        0.22,
        (
            "https://creativecommons.org/licenses/by/4.0/",
            "CC BY 4.0",
            "http://creativecommons.org/licenses/by/4.0/legalcode",
        ),
    ),
    (0.18, ("https://creativecommons.org/licenses/by-nc/4.0/", "CC BY-NC 4.0")),
    (0.08, ("https://creativecommons.org/licenses/by-nd/4.0/", "CC BY-ND 4.0")),
    (0.10, ("", "all rights reserved", "ask the owner")),
)

BENCH_LICENCES = (0.75, 0.25, 0.0, 0.0, 0.0)

# Hosts are hints, not proofs; what host a taxon comes from: lookalikes and characters tables, in part from memory.
HOSTS: dict[str, tuple[str, ...]] = {
    "Ixodes scapularis": ("person", "dog", "cat", "vegetation"),
    "Ixodes cookei": ("groundhog", "cat", "dog", "raccoon", "person"),
    "Amblyomma americanum": ("person", "dog", "deer", "vegetation"),
    "Amblyomma maculatum": ("dog", "cattle", "person"),
    "Dermacentor variabilis": ("dog", "person", "raccoon", "vegetation"),
    "Dermacentor albipictus": ("horse", "deer", "cattle"),
    "Haemaphysalis longicornis": ("cattle", "dog", "sheep", "vegetation"),
    "Rhipicephalus sanguineus": ("dog", "indoors"),
}
FIRST_DAY = date(2023, 1, 1)
MONTHS = (2, 2, 6, 10, 16, 15, 12, 9, 8, 9, 7, 4)


def submission_facts(submission: int, seed: int) -> dict[str, str]:
    """Return date, sender, licence and place of one submission."""
    rng = np.random.default_rng([seed, SUBMITTER_STREAM, submission, 2])
    weights = np.array(MONTHS, float) / sum(MONTHS)
    start = date(FIRST_DAY.year + int(rng.integers(3)), int(rng.choice(12, p=weights)) + 1, 1)
    older = is_older_record(submission, seed)
    shares = [share for share, _ in LICENCES] if older else BENCH_LICENCES
    group = int(rng.choice(len(LICENCES), p=shares))
    spellings = LICENCES[group][1]
    submitter = submitter_of(submission, seed)
    return {
        "event_date": (start + timedelta(days=int(rng.integers(28)))).isoformat(),
        "creator": f"submitter {submitter.creator + 1:03d}",
        "license_uri": spellings[0] if rng.random() < 0.7 else str(rng.choice(spellings)),
        "place": submitter.district,
        "use": "train" if older else "",
    }


def label_row(specimen: Specimen, label: Label, truth: PhotoTruth, ids: Mapping[str, str], seed: int) -> dict[str, str]:
    """Return one row of labels.csv; ids holds photo_id, file, specimen_id and submission_id."""
    rng = np.random.default_rng([seed, SUBMITTER_STREAM, specimen.number, 3])
    hosts = HOSTS.get(specimen.scientific_name or "", ("person", "dog", "indoors"))
    facts = submission_facts(specimen.submission, seed)
    return {
        **ids,
        "scientific_name": label.scientific_name,
        "life_stage": label.life_stage,
        "sex": label.sex,
        "feeding": label.feeding,
        "view": truth.view,
        "device": truth.device,
        "scale_bar": "yes" if truth.scale_bar else "no",
        "host": str(rng.choice(hosts)),
        "damage": "" if facts["use"] else _damage(specimen),
        **facts,
    }


def _damage(specimen: Specimen) -> str:
    """Return what the bench notes of the tick in the vial, whatever the photograph shows; "" for what is no tick."""
    if specimen.scientific_name is None:
        return ""
    if specimen.spoiled == "crushed":
        return "crushed"
    return "parts missing" if specimen.lost_legs or specimen.lost_palps else "whole"


def truth_row(
    specimen: Specimen, truth: PhotoTruth, ids: Mapping[str, str], planted: tuple[str, ...], twin_of: str
) -> dict[str, str]:
    """Return one row of truth.csv; each planted kind also has its own yes or no column."""
    label = true_label(specimen)
    flags = {kind: "yes" if kind in planted else "no" for kind in PLANTED_KINDS}
    return {
        **ids,
        "kind": specimen.kind,
        "true_scientific_name": label.scientific_name,
        "true_life_stage": label.life_stage,
        "true_sex": label.sex,
        "true_feeding": label.feeding,
        "nameable": "yes" if specimen.nameable else "no",
        "name_in_picture": specimen.name_in_picture if specimen.nameable else "",
        "why_not_nameable": specimen.spoiled,
        "view": truth.view,
        "device": truth.device,
        "background": truth.background,
        "scale_bar": "yes" if truth.scale_bar else "no",
        "body_length_mm": f"{truth.body_length_mm:.4f}",
        "px_per_mm": f"{truth.px_per_mm:.4f}",
        "fill": f"{truth.fill:.4f}",
        "turn_deg": f"{truth.turn_deg:.1f}",
        "legs_drawn": str(truth.legs_drawn),
        "focus_px": f"{truth.focus_px:.2f}",
        "orientation": str(truth.orientation),
        "planted": ";".join(planted),
        "twin_of": twin_of,
        **flags,
    }


def write_table(path: Path, columns: tuple[str, ...], rows: Iterable[Mapping[str, str]]) -> None:
    """Write a CSV table, UTF-8, whole or not at all."""
    text = StringIO(newline="")
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_bytes(path, text.getvalue().encode("utf-8"))
