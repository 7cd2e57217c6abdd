"""Queue order, checks of a decision, audits, agreement, season, what goes back to data, what to label next."""

from __future__ import annotations

import csv
import json
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.review.conftest import GOOD, PLAIN, decision, named, write_lines
from tickvision.data import manifest
from tickvision.data.ingest import ingest
from tickvision.data.sources import read_csv
from tickvision.deployment.decision import Candidate
from tickvision.domain.taxonomy import tick_taxonomy
from tickvision.errors import DataError
from tickvision.evaluation.sequential import watch
from tickvision.review import (
    audit,
    chain,
    decisions,
    drift,
    export,
    intake,
    knowledge,
    pairs,
    picking,
    season,
    season_files,
    store,
    worklist,
)


def read(desk: sqlite3.Connection, specimen: str, reader: str, settings=PLAIN, **form: str) -> chain.Conclusion:
    checked = decisions.check(GOOD | form, (), {}, False)
    assert not checked.faults, checked.faults
    return decisions.decide(desk, specimen, reader, checked, f"{specimen}-{reader}", settings)


def ago(hours: float) -> str:
    return (datetime.now(UTC) - timedelta(hours=hours)).isoformat(timespec="minutes")


# --- queue ----------------------------------------------------------------------------------------------------------


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


def test_predictions_that_are_none_are_refused_with_their_line(tmp_path: Path) -> None:
    lines = write_lines(tmp_path / "p.jsonl", [decision("a")])
    lines.write_text(lines.read_text(encoding="utf-8") + '{"specimen_id": "x"}\n', encoding="utf-8")
    with pytest.raises(DataError, match="line 2"):
        list(intake.read_predictions(lines))


def test_a_bad_import_leaves_the_store_as_it_was(desk: sqlite3.Connection, tmp_path: Path, folder: Path) -> None:
    lines = write_lines(tmp_path / "p.jsonl", [decision("new")])
    lines.write_text(lines.read_text(encoding="utf-8") + "torn", encoding="utf-8")
    with pytest.raises(DataError):
        intake.take_in(desk, intake.read_predictions(lines), PLAIN, folder)
    assert desk.execute("SELECT count(*) FROM specimen").fetchone()[0] == 3


# --- decisions ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "field", "word"),
    [
        ({"outcome": ""}, "outcome", "Say first"),
        ({"taxon": ""}, "taxon", "lowest name"),
        ({"taxon": "Ixodes scapulatus"}, "taxon", "Did you mean"),
        ({"taxon": "wood tick"}, "taxon", "several ticks"),
        ({"sex": "male", "life_stage": "nymph"}, "sex", "R2"),
        ({"life_stage": "larva", "sex": ""}, "taxon", "R14"),
        ({"confidence": ""}, "confidence", "Choose"),
        ({"life_stage": "pupa"}, "life_stage", "larva"),
        ({"length_mm": "-3"}, "length_mm", "millimetres"),
        ({"taxon": "Dermacentor", "qualifier": "cf."}, "qualifier", "doubt about a species"),
    ],
)
def test_a_decision_that_cannot_be_is_not_kept(form: dict[str, str], field: str, word: str) -> None:
    assert word in decisions.check(GOOD | form, (), {}, False).faults[field]


def test_synonyms_and_trade_names_are_read_as_the_accepted_name() -> None:
    # Oliver et al. 1993: Ixodes dammini is a junior synonym of I. scapularis
    checked = decisions.check(GOOD | {"taxon": "Ixodes dammini"}, (), {}, False)
    assert checked.link.scientific_name == "Ixodes scapularis"
    assert {"Ixodes dammini", "lone star tick", "Ixodida", "Argasidae"} <= {
        n.written for n in knowledge.choosable_names()
    }


def test_doubt_about_the_species_is_kept_at_the_genus() -> None:
    # open nomenclature, Sigovini et al. 2016: cf. stands before the epithet
    link = decisions.check(GOOD | {"qualifier": "cf."}, (), {}, False).link
    assert (link.scientific_name, link.taxon_rank, link.qualifier) == ("Dermacentor", "genus", "cf. variabilis")


def test_a_larva_may_be_named_under_the_microscope() -> None:
    form = GOOD | {"life_stage": "larva", "sex": "", "based_on": "microscope"}
    assert not decisions.check(form, (), {}, False).faults


def test_other_names_are_taken_as_written_where_the_job_is_not_on_ticks() -> None:
    checked = decisions.check(GOOD | {"taxon": "Sneaker", "sex": "", "life_stage": ""}, (), {}, True)
    assert (checked.faults, checked.link.scientific_name) == ({}, "Sneaker")


def test_every_text_to_a_submitter_holds_the_caution() -> None:
    for outcome in chain.WAITS:
        text = knowledge.ready_text(outcome, decision("a"), {}, "bench", "room 2", False)
        assert "not a diagnosis" in text
        assert "room 2" in text
    removed = decision("a", removed_at="2026-05-03T18:30")
    assert "2026-05-06T18:30" in knowledge.ready_text(chain.NEED_PHOTO, removed, {}, "bench", "room 2", True)


def test_every_character_of_the_checklist_has_states_and_a_source() -> None:
    found = knowledge.general_characters()
    assert {"scutum", "capitulum"} <= {c.name for c in found}
    assert all(source for c in found for _, _, source in c.states)


# --- audit and agreement --------------------------------------------------------------------------------------------


@pytest.fixture
def audited(tmp_path: Path) -> sqlite3.Connection:
    """A desk whose model named 60 specimens, all drawn; Ann has read them all, 12 of them as another species."""
    connection = store.open_store(tmp_path / "audited", create=True)
    settings = replace(PLAIN, audit_share=1.0)
    intake.take_in(connection, [named(f"n{n:02d}") for n in range(60)], settings, tmp_path)
    for n in range(60):
        is_wrong = n % 5 == 4
        read(connection, f"n{n:02d}", "Ann", taxon="Dermacentor andersoni" if is_wrong else "Dermacentor variabilis")
        if chain.conclude(chain.of_specimen(connection, f"n{n:02d}"), False).status == chain.TO_READ_AGAIN:
            read(
                connection, f"n{n:02d}", "Ben", taxon="Dermacentor andersoni" if is_wrong else "Dermacentor variabilis"
            )
    return connection


def test_the_monitor_counts_what_people_found_against_the_models_claim(audited: sqlite3.Connection) -> None:
    seen = audit.watch_promise(audited, PLAIN)
    assert (seen.alarm.n, seen.alarm.errors, seen.waiting) == (60, 12, 0)
    done, _ = audit.audited(audited)
    assert seen.alarm == watch([a.is_wrong for a in done], 0.05)
    assert seen.alarm.raised_at is not None
    assert "certified again" in seen.advice[1]
    assert "Dermacentor variabilis (12 of 60)" in " ".join(seen.advice)


def test_no_alarm_while_the_promise_is_kept(audited: sqlite3.Connection) -> None:
    assert audit.watch_promise(audited, replace(PLAIN, max_error=0.3)).advice == ()


def test_no_tick_is_a_claim_too(desk: sqlite3.Connection, folder: Path) -> None:
    claim = named("d", "not a tick", taxon_rank="none", life_stage="", sex="")
    intake.take_in(desk, [claim], replace(PLAIN, audit_share=1.0), folder)
    read(desk, "d", "Ann", outcome="not_a_tick")
    seen = audit.watch_promise(desk, PLAIN)
    assert (seen.alarm.n, seen.alarm.errors, seen.by_taxon) == (1, 0, {"not a tick": (0, 1)})


def test_specimens_that_were_not_drawn_do_not_count(desk: sqlite3.Connection) -> None:
    desk.execute("UPDATE specimen SET is_queued = 1 WHERE specimen_id = 'c'")
    read(desk, "c", "Ann", taxon="Amblyomma americanum")
    assert audit.watch_promise(desk, PLAIN).alarm.n == 0


def test_kappa_of_a_pair_is_that_of_scikit_learn(audited: sqlite3.Connection) -> None:
    from sklearn.metrics import cohen_kappa_score

    both = [p for p in pairs.agreement(audited) if (p.first, p.second) == ("Ann", pairs.MODEL)]
    assert len(both) == 1
    assert (both[0].n, both[0].raw) == (60, pytest.approx(0.8))
    truth = ["andersoni" if n % 5 == 4 else "variabilis" for n in range(60)]
    assert both[0].kappa is not None
    assert both[0].kappa.value == pytest.approx(cohen_kappa_score(truth, ["variabilis"] * 60))
    blind = [p for p in pairs.agreement(audited) if (p.first, p.second) == ("Ann", "Ben")]
    assert blind[0].raw == 1


def test_a_model_that_names_the_genus_agrees_with_the_reader_of_its_species(tmp_path: Path) -> None:
    connection = store.open_store(tmp_path / "desk", create=True)
    everything = replace(PLAIN, audit_share=1.0)
    claims = [named(f"n{i}", "Dermacentor", taxon_rank="genus", sex="", life_stage="adult") for i in range(2)]
    intake.take_in(connection, claims, everything, tmp_path)
    read(connection, "n0", "Ann")
    read(connection, "n1", "Ann", taxon="Ixodes cookei")
    assert [p.raw for p in pairs.agreement(connection)] == [0.5]


def test_a_reader_who_looked_is_not_compared_with_the_model(desk: sqlite3.Connection) -> None:
    desk.execute("UPDATE specimen SET is_queued = 1 WHERE specimen_id = 'c'")
    decisions.look(desk, "c", "Ann")
    read(desk, "c", "Ann")
    assert pairs.agreement(desk) == []


# --- season -----------------------------------------------------------------------------------------------------------


def test_the_season_counts_weeks_shares_and_turn_round(tmp_path: Path) -> None:
    connection = store.open_store(tmp_path / "desk", create=True)
    come = [decision(f"r{n}") for n in range(6)] + [named(f"n{n}") for n in range(4)]
    facts = {d.specimen_id: {"received_at": f"2026-05-{4 + 7 * (i % 2):02d}T08:00+00:00"} for i, d in enumerate(come)}
    intake.take_in(connection, come, PLAIN, tmp_path, facts)
    read(connection, "r0", "Ann", taxon="Ixodes", life_stage="nymph", sex="")
    found = season.summarise(connection)
    assert [w.week for w in found.weeks] == ["2026-W19", "2026-W20"]  # ISO 8601 weeks of 4 and 11 May 2026
    assert (found.total.specimens, found.total.referred, found.total.concluded) == (10, 6, 1)
    # Clopper-Pearson 95 % for 6 of 10, scipy as the reference
    from scipy.stats import binomtest

    assert found.total.referred_interval == pytest.approx(tuple(binomtest(6, 10).proportion_ci()), abs=1e-6)
    assert found.found["Ixodes"] == {"nymph": 1}
    assert found.found["Dermacentor variabilis"] == {"adult female": 4}
    assert found.found["not concluded yet"] == {"stage open": 5}
    rows = list(csv.DictReader(season_files.weeks_csv(found).splitlines()))
    assert rows[-1]["week"] == "season"
    assert rows[-1]["wrong_share"] == ""
    assert "Ixodes,0,1," in season_files.found_csv(found)


def test_drift_is_seen_where_it_is_and_rarely_where_it_is_not() -> None:
    from scipy.stats import ks_2samp

    rng = np.random.default_rng(1)
    before, after = rng.beta(8, 2, 150), rng.beta(3, 3, 50)
    moved = drift.confidence_drift([*before, *after])
    assert moved.p == pytest.approx(0.001)
    assert moved.size == pytest.approx(ks_2samp(before, after).statistic)
    still = [drift.confidence_drift(rng.beta(8, 2, 120)).p or 1 for _ in range(40)]
    assert sum(p <= 0.05 for p in still) <= 7  # binomial(40, 0.05): more than 7 has probability 0.002
    vectors = rng.normal(0, 1, (120, 8))
    vectors[90:] += 0.8
    assert (drift.embedding_drift(list(vectors)).p or 1) < 0.01
    assert drift.embedding_drift(list(vectors[:30])).p is None


# --- back to data ----------------------------------------------------------------------------------------------------


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
            "facts, 1, 1, 1, costly, informativeness, second_drawn, status, concluded_at, embedding FROM specimen"
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


# --- what to label next ---------------------------------------------------------------------------------------------


TAXA = tick_taxonomy(["Ixodes scapularis", "Amblyomma americanum"])


def probabilities(first: list[float]) -> np.ndarray:
    """Cells of two taxa with four states: `first` is p(first taxon), all in one state."""
    table = np.zeros((len(first), 8))
    table[:, 1], table[:, 5] = first, 1 - np.asarray(first)
    return table


def test_doubt_is_margin_or_entropy() -> None:
    from scipy.stats import entropy

    probs = probabilities([0.9, 0.5])
    assert picking.doubt_of(probs, "margin") == pytest.approx([0.2, 1.0])
    assert picking.doubt_of(probs, "entropy") == pytest.approx(entropy(probs.T) / np.log(8))
    with pytest.raises(DataError, match="margin, entropy"):
        picking.doubt_of(probs, "luck")


def test_picks_are_doubted_unlike_each_other_and_no_taxon_takes_all() -> None:
    rng = np.random.default_rng(0)
    first = [0.55] * 20 + [0.45] * 5 + [0.99] * 5
    vectors = rng.normal(0, 1, (30, 6))
    vectors[1:10] = vectors[0] + rng.normal(0, 1e-3, (9, 6))  # near copies of one specimen
    picks = picking.pick(probabilities(first), vectors, TAXA, 8)
    rows = [p.row for p in picks]
    assert len(set(rows)) == 8
    assert sum(r < 10 for r in rows) <= 1
    assert sum(p.suggested == "Amblyomma americanum" for p in picks) == 4
    assert not set(rows) & set(range(25, 30))
    assert rows == [p.row for p in picking.pick(probabilities(first), vectors, TAXA, 8)]
    assert len(picking.pick(probabilities(first), vectors, TAXA, 99)) == 30


def test_cells_that_lack_specimens_come_emptiest_first() -> None:
    lacking = picking.lacking_cells(
        {("Ixodes scapularis", "nymph", ""): 12, ("Ixodes scapularis", "larva", ""): 40}, TAXA, 30
    )
    assert [(c.scientific_name, c.state, c.specimens) for c in lacking][-1] == ("Ixodes scapularis", "nymph", 12)
    assert len(lacking) == 7
