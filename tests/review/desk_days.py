"""What the desk's tests share: predictions, a form that is filled in well, a reading."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from starlette.testclient import TestClient

from tickvision.deployment.decision import NAMED, REFERRED, Candidate, Decision, Photograph
from tickvision.domain.cautions import SHORT
from tickvision.review import chain, decisions
from tickvision.review.settings import DeskSettings

PLAIN = DeskSettings(audit_share=0.0, second_share=0.0, costly=(), max_error=0.05)


def decision(specimen_id: str, state: str = REFERRED, name: str = "", **values: object) -> Decision:
    """A prediction of one specimen; a referred one doubts between two Dermacentor."""
    shortlist = (
        (
            Candidate("Dermacentor variabilis", "species", "adult", "female", 0.6),
            Candidate("Dermacentor andersoni", "species", "adult", "female", 0.3),
        )
        if state == REFERRED
        else ()
    )
    made = Decision(
        specimen_id=specimen_id,
        state=state,
        scientific_name=name,
        taxon_rank="species" if name else "",
        life_stage="adult" if name else "",
        sex="female" if name else "",
        confidence=0.97 if name else 0.6,
        promise="of the names given at most 5 % are wrong" if name else "",
        reason="" if name else "the picture does not settle the name",
        shortlist=shortlist,
        look_at=(),
        refer_to="" if name else "the identifier, room 2",
        photographs=(Photograph(f"{Path(specimen_id).name}.jpg", "ok"),),
        model="test-model",
        caution=SHORT,
    )
    return replace(made, **values)  # type: ignore[arg-type]


def named(specimen_id: str, name: str = "Dermacentor variabilis", **values: object) -> Decision:
    """A prediction that gives a name: adult female."""
    return decision(specimen_id, NAMED, name, **values)


def write_lines(path: Path, decisions: Iterable[Decision]) -> Path:
    """Write predictions as predict --format jsonl does."""
    path.write_text("".join(json.dumps(d.to_dict()) + "\n" for d in decisions), encoding="utf-8")
    return path


GOOD = {
    "outcome": "named",
    "taxon": "Dermacentor variabilis",
    "life_stage": "adult",
    "sex": "female",
    "confidence": "sure",
    "based_on": "photograph",
}


def read(
    desk: sqlite3.Connection, specimen: str, reader: str, key: str = "", settings: DeskSettings = PLAIN, **form: str
) -> chain.Conclusion:
    """Decide a case as a reader who sends the good form, changed where told."""
    checked = decisions.check(GOOD | form, (), {}, False)
    assert not checked.faults, checked.faults
    return decisions.decide(desk, specimen, reader, checked, key or f"{specimen}-{reader}", settings)


def token_of(client: TestClient, page: str = "/sign-in") -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', client.get(page).text)
    assert found
    return found[1]


def sign_in(client: TestClient, name: str = "Ann", password: str = "") -> str:
    form = {"form_token": token_of(client), "name": name, "password": password, "back": "/"}
    assert client.post("/sign-in", data=form).status_code == 303
    return token_of(client, "/")


def decide(client: TestClient, token: str, specimen: str = "a", key: str = "k" * 32, **form: str):
    return client.post("/case/decide", data={"form_token": token, "id": specimen, "key": key, **GOOD, **form})
