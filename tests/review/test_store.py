from __future__ import annotations

import gc
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from desk_days import PLAIN, decision, named, read

from tickvision.errors import DataError
from tickvision.review import chain, decisions, intake, store, worklist
from tickvision.review.chain import CONCLUDED, TO_READ, TO_READ_AGAIN, TO_SETTLE, WAITING
from tickvision.review.decisions import NotYoursError


def test_committed_rows_survive_a_power_cut_by_the_files_own_word(desk: sqlite3.Connection) -> None:
    # https://sqlite.org/pragma.html#pragma_synchronous: FULL (2) in WAL mode is durable across power loss
    assert desk.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert desk.execute("PRAGMA synchronous").fetchone()[0] == 2


def test_an_identification_can_neither_be_changed_nor_removed(desk: sqlite3.Connection) -> None:
    read(desk, "a", "Ann", "k1")
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        desk.execute("UPDATE identification SET scientific_name = 'Ixodes cookei'")
    with pytest.raises(sqlite3.IntegrityError, match="never removed"):
        desk.execute("DELETE FROM identification")


def test_who_was_drawn_at_random_cannot_be_changed_later(desk: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="drawn at random"):
        desk.execute("UPDATE specimen SET is_random = 1 WHERE specimen_id = 'c'")


def test_the_chain_keeps_machine_and_reader_in_order(desk: sqlite3.Connection) -> None:
    assert read(desk, "a", "Ann", "k1").status == CONCLUDED
    links = chain.of_specimen(desk, "a")
    assert [(i.kind, i.identified_by) for i in links] == [("machine", "test-model"), ("reading", "Ann")]
    assert links[1].based_on == "photograph"


def test_the_same_form_sent_twice_counts_once(desk: sqlite3.Connection) -> None:
    first = read(desk, "a", "Ann", "k1")
    again = read(desk, "a", "Ann", "k1")
    assert again == first
    assert len(chain.of_specimen(desk, "a")) == 2


def test_two_readers_do_not_get_one_case(desk: sqlite3.Connection) -> None:
    assert worklist.take_lock(desk, "a", "Ann", 10) == ""
    assert worklist.take_lock(desk, "a", "Ben", 10) == "Ann"
    assert worklist.next_case(desk, "Ben") == "b"
    with pytest.raises(NotYoursError, match="Ann"):
        read(desk, "a", "Ben", "k1")


def test_a_lock_runs_out(desk: sqlite3.Connection) -> None:
    worklist.take_lock(desk, "a", "Ann", -1)
    assert worklist.take_lock(desk, "a", "Ben", 10) == ""


def test_the_later_of_two_decisions_on_one_case_is_refused_not_lost(desk: sqlite3.Connection) -> None:
    read(desk, "a", "Ann", "k1")
    with pytest.raises(NotYoursError, match="in the meantime"):
        read(desk, "a", "Ben", "k2")
    assert len(chain.of_specimen(desk, "a")) == 2


def test_a_case_drawn_for_it_is_read_twice_by_different_people(desk: sqlite3.Connection) -> None:
    desk.execute("UPDATE specimen SET second_drawn = 1")
    assert read(desk, "a", "Ann", "k1").status == TO_READ_AGAIN
    with pytest.raises(NotYoursError):
        read(desk, "a", "Ann", "k2")
    assert worklist.is_in_work(desk, "a", "Ann") == ""
    done = read(desk, "a", "Ben", "k3")
    assert done.status == CONCLUDED
    assert done.by == ("Ann", "Ben")


def test_readings_that_differ_are_settled_by_a_further_link(desk: sqlite3.Connection) -> None:
    desk.execute("UPDATE specimen SET second_drawn = 1")
    read(desk, "a", "Ann", "k1")
    assert read(desk, "a", "Ben", "k2", taxon="Dermacentor andersoni").status == TO_SETTLE
    done = read(desk, "a", "Cid", "k3", taxon="Dermacentor")
    assert done.final is not None
    assert desk.execute("SELECT final_id FROM specimen WHERE specimen_id = 'a'").fetchone()[0] == done.final.id
    assert (done.status, done.final.scientific_name, done.by) == (CONCLUDED, "Dermacentor", ("Cid",))
    assert [i.kind for i in chain.of_specimen(desk, "a")] == ["machine", "reading", "reading", "settling"]


@pytest.mark.parametrize(
    ("settings", "form", "why"),
    [
        ({"costly": ("Ixodes",)}, {"taxon": "Ixodes cookei"}, "costly"),
        ({"rare": ("Dermacentor variabilis",)}, {}, "rare"),
        ({}, {"taxon": "Haemaphysalis longicornis", "sex": "male"}, "R10"),
        ({}, {}, "first of its name"),
    ],
)
def test_costly_rare_odd_and_first_names_want_a_second_reader(desk, settings, form, why) -> None:
    done = read(desk, "a", "Ann", "k1", replace(PLAIN, **settings), **form)
    assert done.status == TO_READ_AGAIN
    assert why in done.readings[0].second_wanted


@pytest.fixture(autouse=True)
def _names_seen_before(request: pytest.FixtureRequest) -> None:
    """Let the common names be known at the desk, unless the test asks for the first of its name."""
    if "desk" in request.fixturenames and "first of its name" not in request.node.name:
        desk = request.getfixturevalue("desk")
        intake.take_in(desk, [decision(n) for n in ("old1", "old2")], PLAIN, Path("/nowhere"))
        for i, name in enumerate(("Dermacentor variabilis", "Dermacentor andersoni"), 1):
            link = chain.Identification(0, "reading", "Old", store.now(), "named", name, "species")
            chain.append(desk, f"old{i}", link)
            chain.refresh(desk, f"old{i}", store.now())


def test_contradicting_the_model_wants_a_second_reader(desk: sqlite3.Connection) -> None:
    desk.execute("UPDATE specimen SET is_queued = 1 WHERE specimen_id = 'c'")
    assert (
        "differs from the model" in read(desk, "c", "Ann", "k1", sex="", life_stage="nymph").readings[0].second_wanted
    )


def test_taking_back_is_a_new_link_and_the_case_is_open_again(desk: sqlite3.Connection) -> None:
    read(desk, "a", "Ann", "k1")
    assert decisions.withdraw(desk, "a", "Ann", "w1").status == TO_READ
    assert desk.execute("SELECT final_id FROM specimen WHERE specimen_id = 'a'").fetchone()[0] is None
    assert decisions.withdraw(desk, "a", "Ann", "w1").status == TO_READ
    assert [i.kind for i in chain.of_specimen(desk, "a")] == ["machine", "reading", "withdrawal"]
    assert read(desk, "a", "Ann", "k2", taxon="Dermacentor").status == CONCLUDED
    with pytest.raises(NotYoursError):
        decisions.withdraw(desk, "a", "Ben", "w2")


def test_a_request_for_material_waits_until_a_new_prediction_comes(desk: sqlite3.Connection, folder: Path) -> None:
    assert read(desk, "a", "Ann", "k1", outcome="need_photograph").status == WAITING
    assert worklist.counts(desk, "Ann")[worklist.WAIT] == 1
    intake.take_in(desk, [decision("a", confidence=0.7)], PLAIN, folder)
    assert worklist.is_in_work(desk, "a", "Ann") == worklist.READ
    assert [i.kind for i in chain.of_specimen(desk, "a")] == ["machine", "reading", "machine"]


def test_a_draft_comes_back_and_goes_with_the_decision(desk: sqlite3.Connection) -> None:
    decisions.keep_draft(desk, "a", "Ann", {"taxon": "Derm"})
    assert decisions.draft_of(desk, "a", "Ann") == {"taxon": "Derm"}
    assert decisions.draft_of(desk, "a", "Ben") == {}
    read(desk, "a", "Ann", "k1")
    assert decisions.draft_of(desk, "a", "Ann") == {}


def test_that_the_reader_looked_at_the_shortlist_stands_in_the_chain(desk: sqlite3.Connection) -> None:
    decisions.look(desk, "a", "Ann")
    read(desk, "a", "Ann", "k1")
    read(desk, "b", "Ann", "k2")
    assert [chain.of_specimen(desk, s)[1].looked for s in "ab"] == [True, False]


def test_a_full_disk_keeps_nothing_by_halves(desk: sqlite3.Connection) -> None:
    pages = desk.execute("PRAGMA page_count").fetchone()[0]
    desk.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(sqlite3.OperationalError, match="full"):
        for n in range(200):
            read(desk, "a", f"r{n}", f"k{n}", remarks="x" * 2000)
            decisions.withdraw(desk, "a", f"r{n}", f"w{n}")
    assert desk.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    links = chain.of_specimen(desk, "a")
    status = desk.execute("SELECT status FROM specimen WHERE specimen_id = 'a'").fetchone()[0]
    assert status == chain.conclude(links, False).status


def test_a_folder_without_a_store_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="review import"):
        store.open_store(tmp_path)
    (tmp_path / store.FILE).write_text("no database", encoding="utf-8")
    with pytest.raises(DataError, match="not a desk's store"):
        store.open_store(tmp_path)


def test_a_claim_holds_if_the_finding_says_it_and_open_counts_against_it() -> None:
    def link(name: str, stage: str = "adult", sex: str = "female", outcome: str = "named") -> chain.Said:
        return chain.Said(outcome, name, stage, sex)

    claim = link("Dermacentor", "adult", "")
    assert decisions.holds(claim, link("Dermacentor variabilis"))
    assert not decisions.holds(claim, link("Amblyomma americanum"))
    assert not decisions.holds(claim, link("Dermacentor variabilis", "nymph", ""))
    assert not decisions.holds(claim, link("", "", "", "not_a_tick"))
    fine = link("Dermacentor variabilis")
    assert not decisions.holds(fine, link("Dermacentor"))
    assert decisions.leaves_open(fine, link("Dermacentor"))
    assert decisions.leaves_open(fine, link("Dermacentor variabilis", "adult", ""))
    assert not decisions.leaves_open(fine, link("Dermacentor andersoni"))


def test_named_specimens_are_drawn_at_the_audit_share(tmp_path: Path) -> None:
    connection = store.open_store(tmp_path / "desk", create=True)
    settings = replace(PLAIN, audit_share=0.15)
    done = intake.take_in(connection, [named(f"s{n}") for n in range(1200)], settings, tmp_path)
    assert abs(done.queued / 1200 - 0.15) < 4 * (0.15 * 0.85 / 1200) ** 0.5


def test_a_name_that_was_taken_back_is_the_first_of_its_name_again(desk: sqlite3.Connection) -> None:
    read(desk, "a", "Ann", "k1", taxon="Ixodes cookei")
    decisions.withdraw(desk, "a", "Ann", "w1")
    assert "first of its name" in read(desk, "b", "Ann", "k2", taxon="Ixodes cookei").readings[0].second_wanted


def test_a_further_prediction_leaves_the_time_of_a_conclusion(desk: sqlite3.Connection, folder: Path) -> None:
    read(desk, "a", "Ann", "k1")
    desk.execute("UPDATE specimen SET concluded_at = '2026-01-02T03:04:05.678Z' WHERE specimen_id = 'a'")
    intake.take_in(desk, [decision("a", model="a newer one")], PLAIN, folder)
    row = desk.execute("SELECT status, concluded_at FROM specimen WHERE specimen_id = 'a'").fetchone()
    assert tuple(row) == (CONCLUDED, "2026-01-02T03:04:05.678Z")


def test_a_store_that_cannot_be_opened_is_told_and_one_left_open_is_closed_without_a_warning(tmp_path: Path) -> None:
    """pytest makes an error of any warning; Python 3.13 warns of a connection that is dropped open (its docs)."""
    (tmp_path / "a" / store.FILE).mkdir(parents=True)
    with pytest.raises(DataError, match="not a desk's store"):
        store.open_store(tmp_path / "a", create=True)
    store.open_store(tmp_path / "b", create=True)
    gc.collect()
