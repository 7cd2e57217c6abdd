"""Kill -9 of the desk in a short loop, and that the loop's check would find a loss. 1,000 kills: scripts/benchmarks."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "scripts" / "benchmarks" / "desk_kill"


def run(*options: str) -> tuple[int, dict[str, object]]:
    done = subprocess.run([sys.executable, SCRIPT, *options], capture_output=True, text=True, check=False)
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


@pytest.mark.parametrize("killed", [("--rounds", "12", "--longest", "120"), ("--rounds", "6", "--server")])
def test_no_confirmed_decision_is_missing_after_kills(killed: tuple[str, ...]) -> None:
    code, found = run(*killed)
    assert found["confirmed"]
    assert (code, found["confirmed_but_missing"], found["kept_by_halves"]) == (0, 0, 0)
    assert (found["integrity_check"], found["statuses_that_do_not_fit_their_chain"]) == ("ok", 0)


@pytest.mark.parametrize("killed", [("--rounds", "15", "--longest", "60"), ("--rounds", "6", "--server")])
def test_the_check_finds_decisions_that_were_confirmed_too_early(killed: tuple[str, ...]) -> None:
    code, found = run(*killed, "--careless")
    assert code == 1
    assert found["confirmed_but_missing"]
