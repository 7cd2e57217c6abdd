"""What goes back to the data: which specimens may calibrate and test, and every earlier name."""

from __future__ import annotations

import csv
import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from desk_days import PLAIN, decision, named, read

from tickvision.data import manifest
from tickvision.data.ingest import ingest
from tickvision.data.sources import read_csv
from tickvision.deployment.decision import Photograph
from tickvision.errors import DataError
from tickvision.review import (
    audit,
    chain,
    export,
    intake,
    store,
    worklist,
)


def test_only_specimens_drawn_on_arrival_may_calibrate_or_test(tmp_path: Path, folder: Path) -> None:
    connection = store.open_store(tmp_path / "desk", create=True)
    come = [
        d(f"{k}{n}", photographs=decision("a").photographs)
        for n in range(30)
        for d, k in ((decision, "r"), (named, "n"))
    ]
    intake.take_in(connection, come, replace(PLAIN, audit_share=0.4), folder)
    for entry in worklist.entries(connection, "Ann"):
        if read(connection, entry.specimen_id, "Ann").status == chain.TO_READ_AGAIN:
            read(connection, entry.specimen_id, "Ben")
    done = export.write_labels(connection, tmp_path / "labels.csv")
    with (tmp_path / "labels.csv").open(encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    random = {r[0] for r in connection.execute("SELECT specimen_id FROM specimen WHERE is_random")}
    assert done.specimens == len(rows) > 30
    assert {r["specimen_id"] for r in rows if r["use"] == ""} == random
    assert {r["use"] for r in rows if r["specimen_id"] not in random} == {"train"}
    assert all(r["drawn"] == ("random" if r["use"] == "" else "referred") for r in rows)
    assert all("model test-model" in r["identification_chain"] for r in rows)
    frame, findings = ingest(read_csv(tmp_path / "labels.csv"), folder, "ticks", "not a tick")
    assert set(frame["status"]) == {manifest.USABLE}, findings[:3]
    assert set(frame["x_drawn"]) == {"random", "referred"}
    assert set(frame["identified_by"]) <= {"Ann", "Ann | Ben"}


def test_what_was_picked_is_read_and_trains_only(tmp_path: Path, folder: Path) -> None:
    connection = store.open_store(tmp_path / "desk", create=True)
    everything = replace(PLAIN, audit_share=1.0)
    intake.take_in(connection, [named("p"), named("n")], everything, folder, picked=frozenset(["p"]))
    for specimen in ("p", "n"):
        for reader in ("Ann", "Ben"):
            if worklist.is_in_work(connection, specimen, reader) == worklist.READ:
                read(connection, specimen, reader)
    found = {c.specimen_id: (c.drawn, export.use_of(c)) for c in export.concluded(connection)}
    assert found == {"p": ("picked", "train"), "n": ("random", "")}
    assert audit.watch_promise(connection, PLAIN).alarm.n == 1
    with pytest.raises(sqlite3.IntegrityError, match="no random draw"):
        connection.execute(
            "INSERT INTO specimen SELECT 'x', imported_at, received_at, removed_at, due_at, machine_state, prediction, "
            "facts, 1, 1, 1, costly, informativeness, second_drawn, status, concluded_at, NULL, embedding FROM specimen"
        )


def test_darwin_core_keeps_every_earlier_identification(desk: sqlite3.Connection, tmp_path: Path) -> None:
    desk.execute("UPDATE specimen SET second_drawn = 1")
    read(desk, "a", "Ann")
    read(desk, "a", "Ben", taxon="Dermacentor andersoni")
    read(desk, "a", "Cid", taxon="Dermacentor", based_on="microscope", qualifier="")
    assert export.write_darwin_core(desk, tmp_path / "dwc.csv", drawn=False) == 1
    with (tmp_path / "dwc.csv").open(encoding="utf-8") as handle:
        (row,) = csv.DictReader(handle)
    assert (row["scientificName"], row["taxonRank"], row["identifiedBy"]) == ("Dermacentor", "genus", "Cid")
    # https://dwc.tdwg.org/terms/: lists are separated by space, vertical bar, space
    earlier = row["previousIdentifications"].split(" | ")
    assert [e.split(" (")[0] for e in earlier] == [
        "referred",
        "Dermacentor variabilis, adult female",
        "Dermacentor andersoni, adult female",
    ]
    assert "suggested by a model: test-model" in earlier[0]
    assert row["identificationVerificationStatus"] == "verified from specimen"
    assert "not a diagnosis" in row["identificationRemarks"]
    assert "not a diagnosis" in json.loads(row["dynamicProperties"])["caution"]


def test_nothing_settled_is_said_and_leaves_no_file(desk: sqlite3.Connection, tmp_path: Path) -> None:
    with pytest.raises(DataError, match="Nothing is concluded"):
        export.write_labels(desk, tmp_path / "labels.csv")
    assert list(tmp_path.glob("labels*")) == []


def test_settled_cases_whose_photographs_lie_elsewhere_are_told_from_none(
    desk: sqlite3.Connection, tmp_path: Path, folder: Path
) -> None:
    intake.take_in(desk, [decision("d", photographs=(Photograph("day.zip/d.jpg", "ok"),))], PLAIN, folder)
    read(desk, "d", "Ann", outcome="not_a_tick")
    with pytest.raises(DataError, match="None of the 1 photographs"):
        export.write_labels(desk, tmp_path / "labels.csv")
