from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import pytest

from tickvision.deployment import outputs
from tickvision.deployment.decision import Candidate, Decision, Photograph, caution_text
from tickvision.domain import cautions


def decision(**changes: object) -> Decision:
    fields: dict[str, object] = {
        "specimen_id": "s1",
        "state": "named",
        "scientific_name": "Ixodes scapularis",
        "taxon_rank": "species",
        "life_stage": "adult",
        "sex": "female",
        "confidence": 0.97,
        "promise": "at most 0.05 wrong",
        "reason": "",
        "shortlist": (),
        "look_at": (),
        "refer_to": "",
        "photographs": (Photograph("a.jpg", "ok"),),
        "model": "m 1",
        "caution": caution_text(True),
    }
    return Decision(**(fields | changes))  # type: ignore[arg-type]


REFERRED = decision(
    specimen_id="s2",
    state="referred",
    scientific_name="",
    taxon_rank="",
    life_stage="",
    sex="",
    promise="",
    reason="the picture does not settle it",
    refer_to="the identifier, room 2",
    look_at=("A / B: palps (view: dorsal; X)",),
    shortlist=(
        Candidate("Ixodes cookei", "species", "nymph", "", 0.6),
        Candidate("Ixodes scapularis", "species", "nymph", "", 0.3),
    ),
)


def as_text(form: str, decisions: list[Decision]) -> str:
    handle = io.StringIO()
    if form == "table":
        return outputs.table(decisions, width=400)
    (outputs.write_csv if form == "csv" else outputs.write_json_lines)(decisions, handle)
    return handle.getvalue()


@pytest.mark.parametrize("form", ["table", "csv", "jsonl"])
def test_no_form_is_written_without_the_caution_and_the_drawn_mark(form: str) -> None:
    text = as_text(form, [decision()])
    assert cautions.SHORT in text
    assert cautions.DRAWN in text


@pytest.mark.parametrize("form", ["table", "csv", "jsonl"])
def test_a_referral_says_why_whom_to_ask_the_candidates_and_where_to_look(form: str) -> None:
    text = as_text(form, [REFERRED])
    for part in ("does not settle", "the identifier, room 2", "Ixodes cookei", "palps"):
        assert part in text


def test_json_lines_are_one_object_each_and_read_back() -> None:
    lines = as_text("jsonl", [decision(), REFERRED]).splitlines()
    assert [json.loads(line)["state"] for line in lines] == ["named", "referred"]
    assert json.loads(lines[1])["shortlist"][0]["scientific_name"] == "Ixodes cookei"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_cells_that_a_spreadsheet_would_run_are_neutralised(start: str) -> None:
    text = as_text("csv", [decision(specimen_id=f"{start}cmd|' /C calc'!A0")])
    row = next(csv.DictReader(io.StringIO(text, newline="")))
    assert row["specimen_id"].startswith("'")


def test_a_table_fits_the_terminal_and_says_once_what_holds_for_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    trained = decision(specimen_id="s4", photographs=(Photograph("t.jpg", "ok", in_training=True),))
    long = decision(specimen_id="photographs/2026-05-03/T0001-dorsal-view.jpg")
    several = [REFERRED, replace(REFERRED, specimen_id="s3"), long, trained]
    text = outputs.table([replace(d, removed_at="2026-05-03T18:30") for d in several])
    assert max(map(len, text.splitlines())) <= 80
    first = "".join(line.split("┃")[0].split("│")[0].strip() for line in text.splitlines()[2:6])
    assert long.specimen_id[-31:] in first
    said = " ".join(text.split())
    for once in ("room 2", "(IDSA 2020)", "at most 0.05 wrong", "training set, so no fair test of the model: t.jpg"):
        assert said.count(once) == 1
    assert "Look at A / B: palps (view: dorsal)." in said


def test_control_characters_and_markup_in_names_stay_text() -> None:
    text = as_text("table", [decision(specimen_id="[bold]\x1b[31mred\nx")])
    assert "\x1b" not in text
    assert "[bold]" in text


def test_an_unusable_case_names_the_fault_of_the_file() -> None:
    bad = decision(
        state="unusable",
        scientific_name="",
        reason="no photograph of this specimen could be read",
        photographs=(Photograph("a.jpg", "truncated", "image file is truncated"),),
        refer_to="room 2",
    )
    assert "truncated" in as_text("table", [bad])
    assert "a.jpg: truncated" in as_text("csv", [bad])
