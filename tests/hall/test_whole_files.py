"""Files take their place whole, or the old one stays."""

from __future__ import annotations

import os
import threading
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


def test_a_link_stays_and_its_file_is_written(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("old")
    (tmp_path / "link.txt").symlink_to("a.txt")
    write_text(tmp_path / "link.txt", "new")
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "a.txt").read_text() == "new"
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_what_is_no_file_is_written_to_and_stays(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = threading.Thread(target=lambda: read.append(pipe.read_text()), daemon=True)
    read: list[str] = []
    reader.start()
    write_text(pipe, "through it")
    reader.join(10)
    assert (read, pipe.is_fifo(), len(list(tmp_path.iterdir()))) == (["through it"], True, 1)


def test_a_kill_at_the_first_write_of_a_job_leaves_a_folder_that_the_job_still_takes(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "config.toml.tmp").write_text("half of a conf")
    (tmp_path / "job.toml").write_text(
        'name = "x"\noutput = "run"\n[bench]\ncontact = "x"\n[data]\npath = "labels.csv"\n'
    )
    open_output(config.load(tmp_path / "job.toml"))
    assert [p.name for p in (tmp_path / "run").iterdir()] == ["config.toml"]
