"""The columns: what a source may tell of a photograph, and what the manifest keeps of it. One list of each."""

from __future__ import annotations

from collections.abc import Iterable

from tickvision.errors import DataError, did_you_mean

LABEL = ("scientific_name", "life_stage", "sex", "feeding", "view")
CARRIED = (
    "event_date",
    "place",
    "host",
    "source",
    "device",
    "identified_by",
    "creator",
    "rights_holder",
    "region",
    "use",
)  # reach the manifest as they are
READ = (
    "file",
    "photo_id",
    "specimen_id",
    "submission_id",
    *LABEL,
    *CARRIED,
    "license_uri",
    "leg_count",
    "attached",
)
VERBATIM = {"scientific_name": "verbatim_name", "life_stage": "verbatim_stage", "sex": "verbatim_sex"}
MANIFEST = (
    "photo_id",
    "path",
    "specimen_id",
    "group_id",
    *LABEL,
    "taxon_rank",
    "qualifier",
    *CARRIED,
    "license_uri",
    "spdx",
    "status",
    "reason",
    *VERBATIM.values(),
)
USES = ("", "train", "test")  # of the column `use`: dealt freely; picked or partly labelled; a published test part


def check_known(columns: Iterable[str], where: str) -> None:
    """Raise DataError with the nearest name if one of the columns is none that a source may fill."""
    for column in columns:
        if column not in READ:
            raise DataError(
                f"{where}: '{column}' is no column of ours.{did_you_mean(column, READ)} Known: {', '.join(READ)}"
            )
