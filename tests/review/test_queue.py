"""What comes in, and the order in which it is read."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from desk_days import PLAIN, decision, named, sign_in, write_lines
from starlette.testclient import TestClient

from tickvision import review_commands
from tickvision.deployment.decision import Candidate, Photograph
from tickvision.errors import DataError
from tickvision.review import (
    intake,
    store,
    worklist,
)
from tickvision.review.embedding import Embedded
from tickvision.review.picking import Pick


def ago(hours: float) -> str:
    return (datetime.now(UTC) - timedelta(hours=hours)).isoformat(timespec="minutes")


def test_the_queue_goes_by_clock_then_cost_then_doubt(desk: sqlite3.Connection, folder: Path) -> None:
    costly = (Candidate("Ixodes scapularis", "species", "adult", "female", 0.9),)
    sure = (Candidate("Dermacentor variabilis", "species", "adult", "female", 0.99),)
    come = [
        decision("past", removed_at=ago(100), shortlist=sure),
        decision("late", removed_at=ago(70)),
        decision("early", removed_at=ago(2)),
        decision("costly", shortlist=costly),
        decision("sure", shortlist=sure),
    ]
    intake.take_in(desk, come, replace(PLAIN, costly=("Ixodes",)), folder)
    order = [e.specimen_id for e in worklist.entries(desk, "Ann")]
    assert order[:3] == ["late", "early", "costly"]
    assert order.index("a") < order.index("sure")
    hours = {e.specimen_id: e.hours_left for e in worklist.entries(desk, "Ann")}
    assert hours["late"] == pytest.approx(2, abs=0.1)  # IDSA 2020: 72 h from removal
    assert [e.specimen_id for e in worklist.entries(desk, "Ann", clock="past")] == ["past"]
    assert {e.specimen_id for e in worklist.entries(desk, "Ann", clock="running")} == {"late", "early"}


def test_what_the_model_named_is_not_queued_unless_drawn(desk: sqlite3.Connection) -> None:
    assert {e.specimen_id for e in worklist.entries(desk, "Ann")} == {"a", "b"}
    assert worklist.counts(desk, "Ann") == {"read": 2, "settle": 0, "wait": 0, "done": 0}


def test_audits_stand_anywhere_in_the_queue_not_at_its_end(tmp_path: Path) -> None:
    from scipy.stats import ks_2samp

    connection = store.open_store(tmp_path / "desk", create=True)
    rng = np.random.default_rng(0)
    come = [
        decision(f"r{n}", shortlist=(Candidate("Dermacentor variabilis", "species", "adult", "", float(p)),))
        if n % 2
        else named(f"n{n}")
        for n, p in enumerate(rng.uniform(0.5, 1, 600))
    ]
    intake.take_in(connection, come, replace(PLAIN, audit_share=0.5), tmp_path)
    places = {e.specimen_id: i for i, e in enumerate(worklist.entries(connection, "Ann", limit=1000))}
    audits = [i for s, i in places.items() if s.startswith("n")]
    referred = [i for s, i in places.items() if s.startswith("r")]
    assert len(audits) > 100
    # Kolmogorov-Smirnov: audits and referrals are spread alike (the draw is secret, so this fails once in 10,000)
    assert ks_2samp(audits, referred).pvalue > 1e-4


def test_informativeness_is_the_entropy_of_the_shortlist() -> None:
    from scipy.stats import entropy

    held = decision("x")
    expected = entropy([0.6, 0.3, 0.1]) / np.log(3)
    assert intake.informativeness(held) == pytest.approx(expected)
    assert intake.informativeness(replace(held, shortlist=())) == 1


@pytest.mark.parametrize(
    "form",
    [
        '{"specimen_id": "x"}', "[" * 100_000, '"text"', "torn",
        json.dumps(decision("x").to_dict() | {"removed_at": "9999-12-31T23:59"}),
        json.dumps(decision("x").to_dict() | {"confidence": float("nan")}),
    ],
)  # fmt: skip
def test_predictions_that_are_none_are_refused_with_their_line(tmp_path: Path, form: str) -> None:
    lines = write_lines(tmp_path / "p.jsonl", [decision("a")])
    lines.write_text(lines.read_text(encoding="utf-8") + form + "\n", encoding="utf-8")
    with pytest.raises(DataError, match="line 2"):
        list(intake.read_predictions(lines))


def test_a_bad_import_leaves_the_store_as_it_was(desk: sqlite3.Connection, tmp_path: Path, folder: Path) -> None:
    lines = write_lines(tmp_path / "p.jsonl", [decision("new")])
    lines.write_text(lines.read_text(encoding="utf-8") + "torn", encoding="utf-8")
    with pytest.raises(DataError):
        intake.take_in(desk, intake.read_predictions(lines), PLAIN, folder)
    assert desk.execute("SELECT count(*) FROM specimen").fetchone()[0] == 3


def test_a_removal_that_is_told_later_starts_the_clock(desk: sqlite3.Connection, folder: Path) -> None:
    due = "SELECT removed_at, due_at FROM specimen WHERE specimen_id = ?"
    intake.take_in(desk, [decision("a", removed_at="2026-05-03T18:30+00:00")], PLAIN, folder)
    assert tuple(desk.execute(due, ("a",)).fetchone()) == ("2026-05-03T18:30+00:00", "2026-05-06T18:30:00.000Z")
    said = {"b": {"removed_at": "2026-05-04T08:00+02:00", "place": "Larkmoor"}}
    done = intake.take_in(desk, [decision("b")], PLAIN, folder, said)
    assert (done.unchanged, done.renewed) == (1, 0)
    assert desk.execute(due, ("b",)).fetchone()["due_at"] == "2026-05-07T06:00:00.000Z"
    intake.take_in(desk, [decision("b", confidence=0.5)], PLAIN, folder, {"b": {"host": "dog"}})
    assert desk.execute(due, ("b",)).fetchone()["due_at"] == "2026-05-07T06:00:00.000Z"
    facts = desk.execute("SELECT facts FROM specimen WHERE specimen_id = 'b'").fetchone()[0]
    assert json.loads(facts) == said["b"] | {"host": "dog"}


def test_the_filter_looks_at_what_was_said_not_at_its_headings(desk: sqlite3.Connection, folder: Path) -> None:
    intake.take_in(desk, [decision("d")], PLAIN, folder, {"d": {"host": 'a "small" dog'}})
    found = {text: [e.specimen_id for e in worklist.entries(desk, "Ann", text=text)] for text in ("host", '"small" d')}
    assert found == {"host": [], '"small" d': ["d"]}


def test_a_photograph_that_can_be_read_by_now_is_shown(desk: sqlite3.Connection, folder: Path) -> None:
    for status in ("missing", "ok", "truncated"):  # what was good stays so: it is drawn anew whenever it is looked at
        photo = Photograph("b.jpg", status, "" if status == "ok" else "why")
        intake.take_in(desk, [decision("d", photographs=(photo,), confidence=len(status) / 10)], PLAIN, folder)
    row = desk.execute("SELECT status, reason FROM photograph WHERE specimen_id = 'd'").fetchall()
    assert [tuple(r) for r in row] == [("ok", "")]


def test_photographs_that_come_later_have_places_of_their_own(desk: sqlite3.Connection, folder: Path) -> None:
    for names in ("ab", "abc", "ad"):
        photos = tuple(Photograph(f"{n}.jpg", "ok") for n in names)
        intake.take_in(desk, [decision("d", photographs=photos)], PLAIN, folder)
    places = [r[0] for r in desk.execute("SELECT position FROM photograph WHERE specimen_id = 'd'")]
    assert len(places) == len(set(places)) == 4


def test_a_member_of_an_archive_is_elsewhere_however_it_is_written(folder: Path) -> None:
    assert intake.confine("DAY.ZIP/a.jpg", folder)[1] == intake.ELSEWHERE


def test_the_text_to_the_submitter_keeps_the_clock_of_an_earlier_prediction(
    client: TestClient, desk: sqlite3.Connection, folder: Path
) -> None:
    intake.take_in(desk, [decision("a", removed_at="2026-05-03T18:30")], PLAIN, folder)
    intake.take_in(desk, [decision("a", confidence=0.5)], PLAIN, folder)
    sign_in(client)
    assert "Removed 2026-05-03T18:30; the 72 h" in client.get("/case?id=a").text


def test_picks_run_no_formula_and_are_found_again(tmp_path: Path) -> None:
    looked = Embedded(["=cmd"], ["=cmd.jpg"], np.ones((1, 1)), np.ones((1, 1)))
    review_commands._write_picks(tmp_path / "picked.csv", looked, [Pick(0, "Ixodes cookei", 0.5, 0.5, 1.0)])
    assert "'=cmd.jpg,'=cmd," in (tmp_path / "picked.csv").read_text(encoding="utf-8")
    assert intake.read_picks(tmp_path / "picked.csv") == {"=cmd"}
