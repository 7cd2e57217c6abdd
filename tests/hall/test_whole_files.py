"""Files take their place whole, or the old one stays."""

from __future__ import annotations

from pathlib import Path

import pytest

from tickvision import config
from tickvision.whole_files import whole, write_bytes, write_text
from tickvision.workplace import open_output


def test_an_error_while_writing_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_text(path, "old\r\n")
    with pytest.raises(KeyboardInterrupt), whole(path) as temporary:
        temporary.write_text("half of the n")
        raise KeyboardInterrupt
    assert path.read_bytes() == b"old\r\n"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
    write_bytes(path, b"new")
    assert path.read_bytes() == b"new"


def test_a_kill_at_the_first_write_of_a_job_leaves_a_folder_that_the_job_still_takes(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "config.toml.tmp").write_text("half of a conf")
    (tmp_path / "job.toml").write_text(
        'name = "x"\noutput = "run"\n[bench]\ncontact = "x"\n[data]\npath = "labels.csv"\n'
    )
    open_output(config.load(tmp_path / "job.toml"))
    assert [p.name for p in (tmp_path / "run").iterdir()] == ["config.toml"]
