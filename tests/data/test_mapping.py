"""Tables with other people's columns: patterns, words, blanks. The worked mapping reads the columns of an open set of
tick reports as its published description names them (doi:10.5281/zenodo.19051296); the rows here are invented."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from made import scene

from tickvision import config, runner
from tickvision.data import ingest, manifest, mapping, sources
from tickvision.errors import DataError
from tickvision.progress import Progress

CONFIGS = Path(__file__).parents[2] / "configs"
HEADER = "ref;file_name;report_date;report_county;animal_host;tick_genus;tick_gender;tick_stage;note"
ROWS = [
    "R1;p0.jpg;2024-05-18;Östra Hedmyr;Hund;Ixodes;Female;adult;",
    "R1;p1.jpg;2024-05-18;Östra Hedmyr;I miljön;Ixodes;GenderUnidentified;nymph;blå",
    "R2;p2.jpg;2024-06-02;Ån;Annat djurslag;Dermacentor;♂;adult;",
    "R3;p3.jpg;2024-06-03;Ån;Katt;;;;",
]


def write(folder: Path, header: str = HEADER, rows: list[str] = ROWS, encoding: str = "utf-8-sig") -> Path:
    for number in range(4):
        scene(seed=number).save(folder / f"p{number}.jpg")
    (folder / "table.csv").write_text("\n".join([header, *rows]) + "\n", encoding=encoding)
    return folder / "table.csv"


def take(path: Path, how: mapping.ColumnMapping) -> pd.DataFrame:
    records = mapping.translated(sources.read_csv(path, how), how)
    return ingest.ingest(records, path.parent, "ticks", photo_is_specimen=True)[0]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_the_worked_mapping_reads_reports_with_semicolons_and_accents(tmp_path: Path, encoding: str) -> None:
    path = write(tmp_path, encoding=encoding)
    (tmp_path / "job.toml").write_text(
        'name = "t"\noutput = "out"\n[data]\npath = "table.csv"\nphoto_is_specimen = true\n'
        f'mapping = "{(CONFIGS / "mappings/tick_reports.toml").as_posix()}"\n', "utf-8"
    )  # fmt: skip
    runner.run(config.load(tmp_path / "job.toml"), Progress(quiet=True), ("import",))
    frame = manifest.read(tmp_path / "out" / "manifest.csv")
    assert list(frame["status"]) == ["ok"] * 4
    assert list(frame["group_id"]) == ["R1", "R1", "R2", "R3"]
    assert list(frame["sex"]) == ["female", "", "male", ""]
    assert list(frame["verbatim_sex"]) == ["Female", "GenderUnidentified", "♂", ""]
    assert list(frame["life_stage"]) == ["adult", "nymph", "adult", ""]
    assert list(frame["scientific_name"]) == ["Ixodes", "Ixodes", "Dermacentor", ""]
    assert set(frame["taxon_rank"]) == {"genus", ""}  # no species is invented
    assert list(frame["place"]) == ["Östra Hedmyr", "Östra Hedmyr", "Ån", "Ån"]
    assert list(frame["host"]) == ["Hund", "environment", "other animal", "Katt"]
    assert list(frame["x_host"]) == ["", "I miljön", "Annat djurslag", ""]
    assert list(frame["x_note"]) == ["", "blå", "", ""]
    assert set(frame["spdx"]) == {"CC-BY-4.0"}
    assert path.is_file()


def test_patterns_find_columns_and_the_first_with_a_value_counts(tmp_path: Path) -> None:
    how = mapping.ColumnMapping(
        {"file": ("file_name",), "scientific_name": ("tick_species", "tick_genus"), "life_stage": ("(life_?)?stage",)},
        frozenset(["life_stage"]),
    )  # fmt: skip
    path = write(tmp_path, "FILE_NAME,tick_genus,Tick_Species", ["p0.jpg,Ixodes,Ixodes ricinus", "p1.jpg,Ixodes,"])
    frame = take(path, how)
    assert list(frame["scientific_name"]) == ["Ixodes ricinus", "Ixodes"]
    assert list(frame["x_tick_genus"]) == ["Ixodes", ""]  # what did not count is kept


def test_a_pattern_that_fits_nothing_or_two_columns_names_the_headers(tmp_path: Path) -> None:
    how = mapping.ColumnMapping({"file": ("file_name",), "sex": ("gender",)}, where="m.toml")
    with pytest.raises(DataError, match=r"no column fits 'gender' \(m.toml, sex\).*file_name, tick_gender"):
        take(write(tmp_path, "file_name,tick_gender", ["p0.jpg,F"]), how)
    two = mapping.ColumnMapping({"file": ("file_name",), "sex": ("tick_.*",)})
    with pytest.raises(DataError, match="'tick_gender' and 'tick_sex' both fit"):
        take(write(tmp_path, "file_name,tick_gender,tick_sex", ["p0.jpg,F,M"]), two)


def test_the_config_goes_before_the_mapping_file(tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_text(
        '[columns]\nfile = "a"\n[optional]\nsex = "b"\n[defaults]\nsource = "s"\n', "utf-8"
    )
    how = mapping.read_mapping(tmp_path / "m.toml", {"sex": "c (own)"}, {"source": "t"})
    assert how.columns == {"file": ("a",), "sex": (r"c\ \(own\)",)}
    assert how.optional == frozenset()
    assert how.defaults == {"source": "t"}


@pytest.mark.parametrize(
    ("text", "message"),
    [("[column]\n", "unknown section 'column'. Did you mean 'columns'"), ("columns = 1\n", "must be a section"),
     ('[columns]\nfiles = "a"\n', "'files' is no column of ours. Did you mean 'file'"),
     ('[columns]\nfile = "("\n', "no regular expression"), ("[columns]\nfile = 3\n", "header pattern or a list"),
     ("[values.sex]\nFemale = 1\n", "must hold words in quotes"), ("[values]\nsex = 1\n", "must hold words in quotes"),
     ("[[[", "not valid TOML")],
)  # fmt: skip
def test_a_faulty_mapping_gets_one_clear_message(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "m.toml").write_text(text, "utf-8")
    with pytest.raises(DataError, match=message.replace("(", r"\(")):
        mapping.read_mapping(tmp_path / "m.toml", {}, {})


def test_a_mapping_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"gone.toml: cannot be read: No such file or directory \(data.mapping\)"):
        mapping.read_mapping(tmp_path / "gone.toml", {}, {})


def test_folder_patterns_take_short_words_own_words_and_a_suffix(tmp_path: Path) -> None:
    for name in ("Ixodes_ricinus/nymph/å1_a.jpg", "Ixodes_ricinus/nymph/å1_b.JPG", "Ixodes_ricinus/nymph/å1_c.png"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        scene().save(tmp_path / name)
    records = list(sources.read_folder(tmp_path, "{taxon}/{stage}/{specimen}_*.jpg"))
    assert [r.fields.get("specimen_id", "") for r in records] == ["å1", "å1", ""]  # the .png does not fit
    assert records[0].fields["scientific_name"] == "Ixodes ricinus"
    own = mapping.read_mapping(None, {"life_stage": "stadium", "specimen_id": "djur"}, {})
    records = list(sources.read_folder(tmp_path, "{taxon}/{stadium}/{djur}_*", own))
    assert [(r.fields["life_stage"], r.fields["specimen_id"]) for r in records] == [("nymph", "å1")] * 3
    with pytest.raises(DataError, match=r"'\{stag\}' is no column of ours. Did you mean 'stage'"):
        list(sources.read_folder(tmp_path, "{taxon}/{stag}/*"))
    with pytest.raises(DataError, match="stands twice"):
        list(sources.read_folder(tmp_path, "{taxon}/{taxon}/*"))
