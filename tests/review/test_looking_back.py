"""The promise against what was seen, how far readers agree, the season, and whether the stream has changed."""

from __future__ import annotations

import csv
import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from desk_days import PLAIN, decision, named, read

from tickvision.evaluation.sequential import watch
from tickvision.review import (
    audit,
    chain,
    decisions,
    drift,
    intake,
    pairs,
    season,
    season_files,
    store,
)


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


def test_the_stream_of_the_store_is_compared_in_order_of_receipt(tmp_path: Path) -> None:
    connection = store.open_store(tmp_path / "desk", create=True)
    come = [decision(f"r{n:02d}", confidence=0.9 if n < 60 else 0.3) for n in range(80)]
    facts = {d.specimen_id: {"received_at": f"2026-05-{1 + i // 4:02d}T08:00+00:00"} for i, d in enumerate(come)}
    vectors = {d.specimen_id: np.full(4, i % 5 + 9 * (i >= 60), "<f4").tobytes() for i, d in enumerate(come)}
    rng = np.random.default_rng(0)
    intake.take_in(connection, [come[i] for i in rng.permutation(80)], PLAIN, tmp_path, facts, vectors)
    confidence, embedding = season.drifts(connection)
    assert (confidence.before, confidence.newest, confidence.size, confidence.p) == (60, 20, 1, 0.001)
    assert embedding.p == 0.001
    rows = list(csv.DictReader(season_files.stream_csv((confidence, embedding)).splitlines()))
    assert [(r["of"], r["p"]) for r in rows] == [("confidence", "0.001"), ("embedding", "0.001")]


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
