from __future__ import annotations

import csv
import io
import json
import re
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from made import scene
from test_outputs import REFERRED, decision

from tickvision.deployment import darwin_core, gallery
from tickvision.deployment.decision import Decision, Photograph, json_schema
from tickvision.deployment.referral import clock, further_photographs, preventive_care_until
from tickvision.domain import cautions
from tickvision.domain.separating import Hint

DWC = "http://rs.tdwg.org/dwc/terms/"


def as_html(decisions: list[Decision]) -> str:
    out = io.StringIO()
    gallery.write_html(decisions, out)
    return out.getvalue()


def test_an_archive_is_read_back_by_an_independent_reader(tmp_path: Path) -> None:
    from dwca.read import DwCAReader

    odd = decision(specimen_id='s "2"\nå, ;', promise="no promise")
    darwin_core.write_archive([decision(), REFERRED, odd], tmp_path / "day.zip")
    with DwCAReader(str(tmp_path / "day.zip")) as archive:
        assert archive.descriptor.core.type == f"{DWC}Occurrence"
        rows = list(archive)
        first, referred, last = (r.data for r in rows)
        pictures = [[e.data["http://purl.org/dc/terms/identifier"] for e in r.extensions] for r in rows]
    assert first[f"{DWC}scientificName"] == "Ixodes scapularis"
    assert (first[f"{DWC}taxonRank"], first[f"{DWC}lifeStage"], first[f"{DWC}sex"]) == ("species", "adult", "female")
    assert first[f"{DWC}identifiedBy"] == ""
    assert first[f"{DWC}identificationVerificationStatus"] == "unverified"
    for part in ("m 1", "0.97", "at most 0.05 wrong"):
        assert part in first[f"{DWC}identificationRemarks"]
    assert referred[f"{DWC}scientificName"] == ""
    assert "does not settle" in referred[f"{DWC}identificationRemarks"]
    assert "Ixodes cookei nymph (m 1, 0.600)" in referred[f"{DWC}previousIdentifications"]
    assert "no promise" in last[f"{DWC}identificationRemarks"]
    assert last[f"{DWC}organismID"] == 's "2" å, ;'
    assert pictures == [["a.jpg"]] * 3


def test_a_darwin_core_table_runs_no_formula_and_an_archive_keeps_the_names(tmp_path: Path) -> None:
    from dwca.read import DwCAReader

    odd = decision(specimen_id="=cmd.jpg")
    out = io.StringIO()
    darwin_core.write_csv([odd], out)
    assert next(csv.DictReader(io.StringIO(out.getvalue())))["organismID"] == "'=cmd.jpg"
    darwin_core.write_archive([odd], tmp_path / "day.zip")
    with DwCAReader(str(tmp_path / "day.zip")) as archive:
        assert next(iter(archive)).data[f"{DWC}organismID"] == "=cmd.jpg"


@pytest.mark.parametrize("one", [decision(), REFERRED])
def test_every_darwin_core_record_carries_the_caution(one: Decision) -> None:
    out = io.StringIO()
    darwin_core.write_csv([one], out)
    row = next(csv.DictReader(io.StringIO(out.getvalue())))
    assert json.loads(row["dynamicProperties"])["caution"] == one.caution
    assert cautions.SHORT in row["identificationRemarks"]


def test_the_gallery_shows_each_specimen_with_its_caution_and_needs_no_other_file(tmp_path: Path) -> None:
    scene((400, 300)).save(tmp_path / "a.jpg")
    shown = decision(photographs=(Photograph(str(tmp_path / "a.jpg"), "ok"),), promise="no promise")
    text = as_html([shown, REFERRED])
    assert text.count("<article") == 2
    assert text.count(cautions.SHORT) == 1
    assert text.count("Not a diagnosis: read the top of the page.") == 2
    assert text.count("data:image/jpeg") == 1
    assert ", confidence 0.97</p>" in text
    assert "<small>no promise " in text
    assert "the identifier, room 2" in text
    assert not re.search(r'(src|href)="(?!data:)', text)


def test_markup_in_names_stays_text_in_the_gallery() -> None:
    bad = decision(specimen_id="<script>alert(1)</script>", model='"><img src=x>', caution=f"<b>{cautions.SHORT}")
    text = as_html([bad])
    assert "<script" not in text
    assert "<img src=x" not in text


def test_a_decision_fits_its_schema_and_comes_back_equal() -> None:
    jsonschema = pytest.importorskip("jsonschema")
    region = decision(photographs=(Photograph("a.jpg", "ok", "", False, (0.0, 0.0, 0.5, 0.5)),))
    for one in (decision(), REFERRED, region):
        form = json.loads(json.dumps(one.to_dict()))
        jsonschema.validate(form, json_schema())
        assert Decision.from_dict(form) == one
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"specimen_id": "s1"}, json_schema())


def test_a_record_without_its_caution_is_no_decision() -> None:
    with pytest.raises(ValueError, match="caution"):
        Decision.from_dict(decision().to_dict() | {"caution": " "})


def test_the_clock_runs_72_hours_from_removal() -> None:
    assert preventive_care_until("2026-05-03T18:30") == "2026-05-06T18:30"
    assert preventive_care_until("") == clock("") == ""
    now = datetime(2026, 5, 4, 16, 30, tzinfo=UTC)
    assert "in 48 h" in clock("2026-05-03T18:30+02:00", now)
    assert "past" in clock("2026-05-01T18:30+02:00", now)


@pytest.mark.parametrize(
    ("removed", "until", "now"),
    [  # from memory (US Energy Policy Act of 2005): clocks change at 2:00, in 2026 on 8 March and 1 November
        ("2026-10-31T12:00", "2026-11-03T11:00", datetime(2026, 11, 1, 16, tzinfo=UTC)),
        ("2026-03-07T12:00", "2026-03-10T13:00", datetime(2026, 3, 8, 17, tzinfo=UTC)),
    ],
)
def test_a_local_time_of_removal_runs_by_the_local_clock(
    monkeypatch: pytest.MonkeyPatch, removed: str, until: str, now: datetime
) -> None:
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "EST5EDT,M3.2.0,M11.1.0")
        time.tzset()
        assert preventive_care_until(removed) == until
        assert "in 48 h" in clock(removed, now)
    time.tzset()


def test_what_is_no_tick_has_no_scientific_name_in_darwin_core() -> None:
    out = io.StringIO()
    none = decision(scientific_name="not a tick", taxon_rank="none", life_stage="", sex="")
    darwin_core.write_csv([none], out)
    row = next(csv.DictReader(io.StringIO(out.getvalue())))
    assert (row["scientificName"], row["taxonRank"], row["genus"]) == ("", "", "")
    assert row["identificationRemarks"].startswith("not a tick; suggested by a model")
    assert row["previousIdentifications"].startswith("not a tick (m 1")


def test_no_sentence_of_a_referral_advises_treatment() -> None:
    views = ("dorsal", "ventral", "lateral", "microscope", "place", "dorsal, with a scale", "host", "season")
    hints = [Hint(("a", "b"), "x", v, "s") for v in views]
    reasons = ("novel", "low_confidence", "unreadable", "unusable_picture", "no_certificate")
    said = " ".join(s for r in reasons for s in further_photographs(r, hints, 100))
    said += clock("2026-05-03T18:30", datetime(2026, 5, 4, tzinfo=UTC))
    assert not re.search(r"doxy|antibiotic|dose|prescri|take |drug|should", said, re.IGNORECASE)
    assert "clinician's decision" in said


@pytest.mark.parametrize(
    ("reason", "view", "size", "word"),
    [
        ("low_confidence", "ventral", 900, "From below"),
        ("low_confidence", "dorsal, close-up of capitulum", 900, "mouthparts"),
        ("low_confidence", "dorsal", 120, "Closer: the largest picture is 120 pixels"),
        ("low_confidence", "microscope", 900, "send the specimen"),
        ("low_confidence", "place", 900, "where it was picked up"),
        ("unusable_picture", "dorsal", 900, "in focus"),
        ("novel", "dorsal", 900, "ruler"),
    ],
)
def test_what_to_photograph_next_follows_from_what_separates(reason: str, view: str, size: int, word: str) -> None:
    assert any(word in s for s in further_photographs(reason, [Hint(("a", "b"), "x", view, "s")], size))


def test_without_hints_two_views_are_asked_for() -> None:
    assert len(further_photographs("low_confidence", [], 900)) == 2


def test_a_gallery_of_nothing_is_whole_and_has_its_caution() -> None:
    page = as_html([])
    assert cautions.SHORT in page
    assert page.count("<main>") == page.count("</main>") == 1
