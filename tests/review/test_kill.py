from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).parents[2] / "scripts" / "benchmarks" / "desk_kill"


def run(*options: str) -> tuple[int, dict[str, object]]:
    done = subprocess.run([sys.executable, SCRIPT, *options], capture_output=True, text=True, check=False)
    return done.returncode, json.loads(done.stdout)


def test_no_confirmed_decision_is_missing_after_kills() -> None:
    code, found = run("--rounds", "12", "--longest", "120")
    assert found["confirmed"]
    assert (code, found["confirmed_but_missing"], found["integrity_check"]) == (0, 0, "ok")
    assert found["statuses_that_do_not_fit_their_chain"] == 0


def test_the_check_finds_decisions_that_were_confirmed_too_early() -> None:
    code, found = run("--rounds", "15", "--longest", "60", "--careless")
    assert code == 1
    assert found["confirmed_but_missing"]
