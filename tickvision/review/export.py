"""What the desk gives back: labels for the next training, and Darwin Core with every earlier identification."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tickvision.domain import cautions, names
from tickvision.domain.spreadsheet import guarded, row_writer
from tickvision.errors import DataError
from tickvision.review import chain
from tickvision.review.chain import Conclusion, Identification
from tickvision.review.intake import ELSEWHERE, OUTSIDE
from tickvision.whole_files import whole

RANDOM, PICKED, REFERRED = "random", "picked", "referred"
FREE, TRAIN = "", "train"  # of the column `use`
LABEL_COLUMNS = (
    "file", "photo_id", "specimen_id", "submission_id", "scientific_name", "life_stage", "sex", "feeding", "view",
    "event_date",
    "place", "host", "device", "identified_by", "license_uri", "creator", "rights_holder", "region", "use",
    "drawn", "identified_at", "based_on", "readings", "qualifier", "identification_chain", "model",
)  # fmt: skip
OCCURRENCE = (
    "occurrenceID", "organismID", "basisOfRecord", "scientificName", "taxonRank", "genus", "identificationQualifier",
    "lifeStage", "sex", "identifiedBy", "dateIdentified", "identificationVerificationStatus",
    "identificationRemarks", "previousIdentifications", "eventDate", "verbatimLocality", "associatedTaxa",
    "associatedMedia", "dynamicProperties",
)  # fmt: skip
STATUS = {
    "photograph": "verified from image",
    "specimen": "verified from specimen",
    "microscope": "verified from specimen",
}


@dataclass(frozen=True)
class Concluded:
    """A specimen that people have settled. is_random: drawn on arrival, before anyone knew what the model says."""

    specimen_id: str
    is_random: bool
    is_picked: bool
    facts: dict[str, str]
    prediction: dict[str, Any]
    links: list[Identification]
    conclusion: Conclusion
    final: Identification
    photographs: list[sqlite3.Row]

    @property
    def drawn(self) -> str:
        """How the specimen came to be read."""
        return RANDOM if self.is_random else PICKED if self.is_picked else REFERRED


def concluded(connection: sqlite3.Connection) -> Iterator[Concluded]:
    """Yield the specimens that are settled by people, in order of their ids."""
    chains = chain.all_chains(connection)
    query = "SELECT * FROM specimen WHERE status = 'concluded' ORDER BY specimen_id"
    for row in connection.execute(query).fetchall():
        links = chains[row["specimen_id"]]
        result = chain.conclude(links, bool(row["second_drawn"]))
        if result.final is None:
            continue
        photographs = connection.execute(
            "SELECT * FROM photograph WHERE specimen_id = ? ORDER BY position", (row["specimen_id"],)
        ).fetchall()
        yield Concluded(
            row["specimen_id"],
            bool(row["is_random"]),
            bool(row["is_picked"]),
            json.loads(row["facts"]),
            json.loads(row["prediction"]),
            links,
            result,
            result.final,
            photographs,
        )


def use_of(one: Concluded) -> str:
    """Return what a specimen may be used for: all parts only if it was drawn at random on arrival, else training.

    A referred case is there for the model's doubt; a share of error counted on such cases is no share of error.
    """
    return FREE if one.is_random else TRAIN


@dataclass(frozen=True)
class Labels:
    """What label rows were written: specimens, photographs, those free for calibration and test, and left out."""

    specimens: int
    photographs: int
    free: int
    not_shown: int
    waiting_random: int


def write_labels(connection: sqlite3.Connection, path: Path, non_target: str = "not a tick") -> Labels:
    """Write labels as `tickvision import` reads them, one row a photograph, with where each name is from.

    Raises DataError if nothing is concluded yet, or no photograph of it could be shown.
    """
    rows: list[list[str]] = []
    specimens = free = hidden = 0
    for one in concluded(connection):
        shown = [p for p in one.photographs if p["status"] not in (OUTSIDE, ELSEWHERE)]
        hidden += len(one.photographs) - len(shown)
        rows += [[guarded(_label_cells(one, photo, non_target)[c]) for c in LABEL_COLUMNS] for photo in shown]
        specimens += bool(shown)
        free += bool(shown) and use_of(one) == FREE
    if hidden and not rows:
        raise DataError(
            f"None of the {hidden:,} photographs of what is concluded lies in a folder of this desk: nothing can be "
            "exported as labels. Unpack them, or import again with --photographs."
        )
    _write(path, LABEL_COLUMNS, rows)
    waiting = connection.execute("SELECT count(*) FROM specimen WHERE is_random AND status <> 'concluded'").fetchone()
    return Labels(specimens, len(rows), free, hidden, waiting[0])


def _write(path: Path, header: tuple[str, ...], rows: list[list[str]]) -> None:
    if not rows:
        raise DataError("Nothing is concluded yet at this desk: there is nothing to export.")
    with whole(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as handle:
        write_row = row_writer(handle)
        for row in (header, *rows):
            write_row(row)


def _label_cells(one: Concluded, photo: sqlite3.Row, non_target: str) -> dict[str, str]:
    final, facts = one.final, one.facts
    not_a_tick = final.outcome == chain.NOT_A_TICK
    return {
        "file": photo["path"],
        "photo_id": f"{one.specimen_id}-{photo['position'] + 1}",  # one photograph may show several specimens
        "specimen_id": one.specimen_id,
        "submission_id": facts.get("submission_id", ""),
        "scientific_name": non_target if not_a_tick else final.scientific_name,
        "life_stage": final.life_stage,
        "sex": final.sex,
        "feeding": final.feeding,
        "region": photo["region"],
        "identified_by": " | ".join(one.conclusion.by),
        "use": use_of(one),
        "drawn": one.drawn,
        "identified_at": final.at,
        "based_on": final.based_on,
        "readings": str(len(one.conclusion.readings)),
        "qualifier": final.qualifier,
        "identification_chain": _told(
            one, one.links, lambda i: f"{'model' if i.kind == 'machine' else i.kind} {i.identified_by}"
        ),
        "model": str(one.prediction.get("model", "")),
    } | {
        c: facts.get(c, "")
        for c in ("view", "event_date", "place", "host", "device", "license_uri", "creator", "rights_holder")
    }


def _told(one: Concluded, links: list[Identification], who: Callable[[Identification], str]) -> str:
    """Return these links of a chain as one text, oldest first: the name, by whom, when and from what."""
    gone = {i.withdraws for i in one.links}
    return " | ".join(
        f"{i} ({who(i)}, {i.at}, from the {i.based_on}{', withdrawn' if i.id in gone else ''})".replace("|", "/")
        for i in links
        if i.kind != "withdrawal"
    )


def write_darwin_core(connection: sqlite3.Connection, path: Path, drawn: bool) -> int:
    """Write one occurrence a settled specimen, every earlier name in previousIdentifications; return how many."""
    found = [_occurrence(one, drawn) for one in concluded(connection)]
    _write(path, OCCURRENCE, [[" ".join(cells[c].split()) for c in OCCURRENCE] for cells in found])
    return len(found)


def _occurrence(one: Concluded, drawn: bool) -> dict[str, str]:
    final, facts = one.final, one.facts
    name = final.scientific_name if final.outcome == chain.NAMED else ""
    rank = final.taxon_rank if name else ""
    genus = name.split(" ")[0] if rank in ("species", "genus") else ""
    caution = f"{cautions.DRAWN} {cautions.SHORT}" if drawn else cautions.SHORT
    host = facts.get("host", "")
    extra = {
        "characters": list(final.characters),
        "lengthInMillimetres": final.length_mm,
        "feeding": final.feeding,
        "confidence": final.confidence,
        "drawn": one.drawn,
        "caution": caution,
    }
    return dict.fromkeys(OCCURRENCE, "") | {
        "occurrenceID": one.specimen_id,
        "organismID": one.specimen_id,
        "basisOfRecord": "HumanObservation" if final.based_on == "photograph" else "PreservedSpecimen",
        "scientificName": name,
        "taxonRank": rank,
        "genus": genus if genus in names.genera() else "",
        "identificationQualifier": final.qualifier,
        "lifeStage": final.life_stage,
        "sex": final.sex,
        "identifiedBy": " | ".join(one.conclusion.by),
        "dateIdentified": final.at,
        "identificationVerificationStatus": STATUS.get(final.based_on, "verified from image"),
        "identificationRemarks": "; ".join(
            filter(None, ("not a tick" if final.outcome == chain.NOT_A_TICK else "", final.remarks, caution))
        ),
        "previousIdentifications": _told(
            one,
            [i for i in one.links if i.id != final.id],
            lambda i: f"{'suggested by a model: ' if i.kind == 'machine' else ''}{i.identified_by}",
        ),
        "eventDate": facts.get("event_date", ""),
        "verbatimLocality": facts.get("place", ""),
        "associatedTaxa": f'"host":"{host}"' if host else "",
        "associatedMedia": " | ".join(p["path"] for p in one.photographs),
        "dynamicProperties": json.dumps(extra, ensure_ascii=False),
    }
