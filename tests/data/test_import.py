from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from made import scene

from tickvision.data import ingest, manifest, mapping, sources
from tickvision.data.labels import Finding
from tickvision.errors import DataError

HEADER = "file,specimen_id,scientific_name,life_stage,sex,license_uri\n"


def write(folder: Path, text: str, photos: int = 3, encoding: str = "utf-8") -> Path:
    for i in range(photos):
        scene(seed=i).save(folder / f"p{i}.jpg")
    path = folder / "labels.csv"
    path.write_text(text, encoding=encoding)
    return path


def take(path: Path, columns: dict[str, str] | None = None, **options: object) -> tuple[pd.DataFrame, list[Finding]]:
    how = mapping.read_mapping(None, columns or {}, {})
    records = mapping.translated(sources.read_csv(path, how), how)
    return ingest.ingest(records, path.parent, "ticks", where=path.name, **options)  # type: ignore[arg-type]


def test_unknown_sex_stage_and_genus_only_names_are_legal(tmp_path: Path) -> None:
    path = write(tmp_path, HEADER + "p0.jpg,a,Ixodes sp.,,,\np1.jpg,b,Ixodes scapularis,adult,,\np2.jpg,c,,nymph,,\n")
    frame, findings = take(path)
    assert list(frame["status"]) == ["ok"] * 3
    assert not [f for f in findings if f.severity == "error"]
    assert list(frame["taxon_rank"]) == ["genus", "species", ""]


def test_a_larva_with_a_sex_is_reported_with_its_line(tmp_path: Path) -> None:
    path = write(
        tmp_path, HEADER + "p0.jpg,a,Ixodes scapularis,adult,female,\np1.jpg,b,Ixodes scapularis,larva,female,\n"
    )
    frame, findings = take(path)
    assert list(frame["status"]) == ["ok", "contradiction"]
    assert [(f.line, f.message[:3]) for f in findings] == [(3, "R2:")]


def test_every_fault_becomes_a_status_and_nothing_is_dropped(tmp_path: Path) -> None:
    rows = [
        "p0.jpg,a,Ixodes scapulariform,adult,,",
        "p1.jpg,b,Ixodes scapularis,nymf,,",
        "gone.jpg,c,Ixodes,,,",
    ]
    frame, findings = take(write(tmp_path, HEADER + "\n".join(rows) + "\n"))
    assert list(frame["status"]) == ["unknown_name", "unknown_value", "missing"]
    assert "Did you mean 'Ixodes scapularis'?" in findings[0].message
    assert frame["verbatim_name"].iloc[0] == "Ixodes scapulariform"


def test_the_licence_policy_leaves_photographs_out_and_says_why(tmp_path: Path) -> None:
    rows = [
        "p0.jpg,a,Ixodes,,,https://creativecommons.org/licenses/by/4.0/",
        "p1.jpg,b,Ixodes,,,CC BY-NC 4.0",
        "p2.jpg,c,Ixodes,,,",
    ]
    frame, _ = take(write(tmp_path, HEADER + "\n".join(rows) + "\n"), licences=("CC0-1.0", "CC-BY"))
    assert list(frame["status"]) == ["ok", "licence", "licence"]
    assert list(frame["spdx"]) == ["CC-BY-4.0", "CC-BY-NC-4.0", "NOASSERTION"]


def test_own_column_names_semicolons_marks_and_accents_are_read(tmp_path: Path) -> None:
    text = "bild;fästing;art;kön\np0.jpg;å1;Ixodes ricinus;♀\n"
    frame, _ = take(write(tmp_path, text, encoding="utf-8-sig"),
                    {"file": "bild", "specimen_id": "fästing", "scientific_name": "art", "sex": "kön"})  # fmt: skip
    assert (frame["specimen_id"][0], frame["sex"][0]) == ("å1", "female")


def test_unknown_columns_are_kept(tmp_path: Path) -> None:
    frame, _ = take(write(tmp_path, "file,specimen_id,vial\np0.jpg,a,V7\n"))
    assert frame["x_vial"][0] == "V7"


def test_a_missing_column_is_named_with_the_nearest_and_the_header(tmp_path: Path) -> None:
    path = write(tmp_path, "photo,specimen_id\np0.jpg,a\n")
    with pytest.raises(DataError, match=r"no column 'file'.*photo, specimen_id"):
        take(path)
    with pytest.raises(DataError, match="Did you mean 'photo'"):
        take(path, {"file": "photos"})
    with pytest.raises(DataError, match="no column of ours"):
        take(path, {"files": "photo"})


def test_photographs_without_specimen_ids_are_refused_unless_the_config_says_so(tmp_path: Path) -> None:
    path = write(tmp_path, "file,scientific_name\np0.jpg,Ixodes\np1.jpg,Ixodes\n")
    with pytest.raises(DataError, match="photo_is_specimen"):
        take(path)
    frame, _ = take(path, photo_is_specimen=True)
    assert frame["specimen_id"].nunique() == 2


def test_one_specimen_with_two_names_is_a_contradiction_and_a_coarser_name_is_not(tmp_path: Path) -> None:
    rows = [
        "p0.jpg,a,Ixodes scapularis,adult,female,",
        "p1.jpg,a,Ixodes cookei,adult,female,",
        "p2.jpg,b,Ixodes,adult,,",
    ]
    frame, _ = take(write(tmp_path, HEADER + "\n".join(rows) + "\n"))
    assert list(frame["status"]) == ["contradiction", "contradiction", "ok"]


@pytest.mark.parametrize(
    ("two", "status"),
    [("Dermacentor variabilis", "contradiction"), ("Dermacentor sp.", "contradiction"), ("not a tick", "contradiction"),
     ("Ixodes scapularis", "ok"), ("", "ok")],
)  # fmt: skip
def test_a_genus_beside_another_genus_is_a_contradiction_and_beside_its_own_species_is_none(
    tmp_path: Path, two: str, status: str
) -> None:
    text = HEADER + f"p0.jpg,a,Ixodes sp.,,,\np1.jpg,a,{two},,,\n"
    frame, findings = take(write(tmp_path, text), non_target="not a tick")
    assert list(frame["status"]) == [status, status]
    assert all("scientific_name is " in f.message for f in findings if f.finding == "contradiction")


def test_separators_behind_the_last_column_are_no_cells(tmp_path: Path) -> None:
    frame, _ = take(write(tmp_path, HEADER + "p0.jpg,a,Ixodes,,,CC0-1.0,, \n"))
    assert (frame["specimen_id"][0], frame["spdx"][0]) == ("a", "CC0-1.0")


def test_a_repeated_photo_id_keeps_the_first_row(tmp_path: Path) -> None:
    frame, _ = take(write(tmp_path, HEADER + "p0.jpg,a,Ixodes,,,\np0.jpg,a,Ixodes,,,\n"))
    assert list(frame["status"]) == ["ok", "duplicate_id"]


@pytest.mark.parametrize(
    ("content", "message"),
    [(b"", "no header in the first line"), (b"\n", "no header"), (b"a,b\n", "no column 'file'"),
     (b"file,specimen_id\n", "no records"), (b"file,file\n", "stands twice"),
     (b"file,specimen_id\np0.jpg,a,b,c\n", "4 cells"), (b"file,specimen_id\n\xff\xfe,a\n", "not UTF-8"),
     (b"file," + b",".join(b"c%d" % i for i in range(1_000_000)) + b"\n", "1,000,001 columns; at most"),
     (b"file,specimen_id\n" + b"x" * 100_000_000 + b",a\n", "line 2: not readable as CSV"),
     (b'file,specimen_id\n"' + b"x,\n" * 2_000_000, "not readable as CSV"),
     ("file,specimen_id\np0.jpg,ö\n".encode("latin-1"), "not UTF-8"),
     ("file,specimen_id\np0.jpg,a\n".encode("utf-16"), "not UTF-8")],
)  # fmt: skip
def test_broken_tables_get_one_clear_message(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "labels.csv"
    path.write_bytes(content)
    with pytest.raises(DataError, match=message):
        take(path)


def test_a_name_that_no_file_can_bear_is_a_missing_photograph(tmp_path: Path) -> None:
    names = [
        "n" * 300 + ".jpg",
        "p0.jpg/x.jpg",
        ".",
        "x/" * 3000 + "p.jpg",
        "http://x.example/" + "n" * 9999,
    ]
    rows = "".join(f"{name},s{i},Ixodes,,,\n" for i, name in enumerate([*names, "p2.jpg"]))
    frame, _ = take(write(tmp_path, HEADER + rows))
    assert list(frame["status"]) == ["missing"] * len(names) + ["ok"]


def test_faults_of_every_kind_are_shown_before_a_second_one_of_a_kind() -> None:
    found = [Finding(f"p{i}", "licence", "error", "") for i in range(9)]
    found += [Finding("p9", "missing", "error", ""), Finding("p8", "second_look", "warning", "")]
    assert [f.photo_id for f in ingest.examples(found, 3)] == ["p0", "p9", "p1"]


def test_findings_read_back_are_those_written(tmp_path: Path) -> None:
    found = [Finding("p,0", "licence", "error", 'said "no"', "ask", 7), Finding("", "shortcut", "note", "å\nb")]
    ingest.write_findings(found, tmp_path / "f.csv")
    assert ingest.read_findings(tmp_path / "f.csv") == found
    assert ingest.read_findings(tmp_path / "none.csv") == []


def test_a_folder_tree_is_read_by_its_pattern(tmp_path: Path) -> None:
    for name in (
        "Ixodes_scapularis/adult/s1_front.jpg",
        "Ixodes_scapularis/adult/s1_back.jpg",
        "Ixodes_cookei/nymph/s2_a.png",
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        scene().save(tmp_path / name)
    records = sources.read_folder(tmp_path, "{scientific_name}/{life_stage}/{specimen_id}_{photo}")
    frame, _ = ingest.ingest(records, tmp_path, "ticks")
    assert list(frame["specimen_id"]) == ["s2", "s1", "s1"]
    assert set(frame["scientific_name"]) == {"Ixodes scapularis", "Ixodes cookei"}
    with pytest.raises(DataError, match="none of 3 pictures fits"):
        list(sources.read_folder(tmp_path, "{specimen_id}"))
    with pytest.raises(DataError, match="Did you mean 'specimen_id'"):
        list(sources.read_folder(tmp_path, "{specimenid}/{photo}"))


def test_flat_takes_names_stages_and_sexes_as_they_come(tmp_path: Path) -> None:
    path = write(tmp_path, HEADER + "p0.jpg,a,Velvet ant,winged,drone,\np1.jpg,b,Bolt,,,\n")
    frame, _ = ingest.ingest(sources.read_csv(path), tmp_path, "flat")
    taxonomy = manifest.build_taxonomy("flat", frame)
    assert taxonomy.taxa == ("Bolt", "Velvet ant")
    assert taxonomy.states == (("winged", "drone"),)


def test_the_manifest_is_the_same_after_a_round_trip(tmp_path: Path) -> None:
    frame, _ = take(write(tmp_path, HEADER + 'p0.jpg,"a,b",Ixodes,,,\n'))
    manifest.write(frame, tmp_path / "manifest.csv")
    pd.testing.assert_frame_equal(
        manifest.read(tmp_path / "manifest.csv"), frame.reset_index(drop=True), check_dtype=False
    )
