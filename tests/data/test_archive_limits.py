"""Archives that are locked, too large or say nothing usable of their tables; standard: TDWG Darwin Core text guide."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_archive import DWC, take
from test_archive_hostile import META, TABLES, refusal, whole, zipped

from tickvision.data import archive_guard
from tickvision.data.archive_terms import extra_facts


def test_a_member_locked_with_a_password_is_said_to_be(tmp_path: Path) -> None:
    path = zipped(tmp_path, whole())
    content = bytearray(path.read_bytes())
    entry = content.rindex(b"PK\x01\x02")  # PKWARE APPNOTE 4.4.4: bit 0 of the general purpose flag = encrypted
    content[entry + 8] |= 1
    path.write_bytes(content)
    assert "'m.txt' is locked with a password" in refusal(path)


def test_more_files_than_any_archive_needs_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive_guard, "MAX_MEMBERS", 5)
    more = {f"{i}.jpg": b"x" for i in range(4)}
    assert "7 files in the archive; at most 5 are read" in refusal(zipped(tmp_path, whole(), TABLES | more))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("<files><location>o.txt</location></files>", "<files/>", "names no file for"),
        ('<field index="1" term="' + DWC, '<field index="1" name="' + DWC, "a field without a term"),
        ('fieldsTerminatedBy="\\t"', 'fieldsTerminatedBy=""', "fieldsTerminatedBy or fieldsEnclosedBy"),
        ('fieldsEnclosedBy=""', "fieldsEnclosedBy=\"''\"", "fieldsTerminatedBy or fieldsEnclosedBy"),
    ],
)
def test_a_table_that_cannot_be_told_into_cells_is_named(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in META
    assert message in refusal(zipped(tmp_path, whole(META.replace(old, new, 1))))


def test_a_photograph_taken_out_before_is_not_written_again(tmp_path: Path) -> None:
    path = zipped(tmp_path, whole(), TABLES | {"a.jpg": b"0123456789"})
    (first,) = take(path, tmp_path / "out")
    made = Path(first.fields["file"])
    written = made.stat()
    (again,) = take(path, tmp_path / "out")
    assert again.fields["file"] == first.fields["file"]
    assert (made.stat().st_ino, made.stat().st_mtime_ns) == (written.st_ino, written.st_mtime_ns)
    for other in (b"012", b"9876543210"):  # cut off by a kill; as long, but of an older archive
        made.write_bytes(other)
        take(path, tmp_path / "out")
        assert made.read_bytes() == b"0123456789"


def test_one_photograph_that_is_too_large_is_a_row_and_the_others_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive_guard, "MAX_BYTES", 100)
    media = b"i\tf\tl\n1\ta.jpg\t\n1\tb.jpg\t\n"
    path = zipped(tmp_path, whole(), TABLES | {"m.txt": media, "a.jpg": b"0" * 101, "b.jpg": b"0" * 100})
    faults = [r.fields.get("fault", "") for r in take(path, tmp_path / "out")]
    assert "'a.jpg' is 101 bytes; at most 100 are read" in faults[0]
    assert faults[1] == ""


@pytest.mark.parametrize(
    ("text", "facts"),
    [
        ('{"leg_count": 6, "feeding": "fully", "weight_mg": 3}', {"leg_count": "6", "feeding": "fully"}),
        ("feeding=fully", {}),
        ('{"feeding": "fully"', {}),
        ('{"feeding": ["fully"]}', {}),
        ("{" * 100_000, {}),
        ('{"feeding":' * 100_000, {}),
    ],
)
def test_facts_that_cannot_be_read_leave_the_record_as_it_is(text: str, facts: dict[str, str]) -> None:
    # Darwin Core term dynamicProperties: "a list of additional properties", JSON advised, any text allowed
    assert extra_facts(text) == facts
