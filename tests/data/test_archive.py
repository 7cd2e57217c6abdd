"""Darwin Core archives. Standards: TDWG Darwin Core text guide and terms, Audiovisual Core, GBIF Simple Multimedia."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from dwca.read import DwCAReader
from made import scene

from tickvision import config, runner
from tickvision.data import archive, ingest, manifest, sources
from tickvision.data.columns import MANIFEST
from tickvision.data.mapping import Record
from tickvision.drawing.archive import FILE_NAME
from tickvision.drawing.demo_set import write_demo_set
from tickvision.errors import DataError
from tickvision.progress import Progress

DWC = "http://rs.tdwg.org/dwc/terms/"
TERMS = {"license": "http://purl.org/dc/terms/", "identifier": "http://purl.org/dc/terms/"}
AC = "http://rs.tdwg.org/ac/terms/"
TAB = 'fieldsTerminatedBy="\\t" linesTerminatedBy="\\n" fieldsEnclosedBy="" ignoreHeaderLines="1" encoding="UTF-8"'
CSV = 'ignoreHeaderLines="1"'  # the standard's defaults: comma, quotes, UTF-8


def table(tag: str, row_type: str, file: str, terms: list[str], form: str = TAB, key: str = "", more: str = "") -> str:
    uris = [t if "/" in t else TERMS.get(t, DWC) + t for t in terms]
    fields = "".join(f'<field index="{i}" term="{t}"/>' for i, t in enumerate(uris) if i or tag == "core")
    key = key or ("id" if tag == "core" else "coreid")
    return (
        f'<{tag} rowType="{row_type}" {form}><files><location>{file}</location></files><{key} index="0"/>'
        f"{fields}{more}</{tag}>"
    )


def pack(folder: Path, meta: str, files: dict[str, str | bytes], photos: tuple[str, ...] = ()) -> Path:
    folder.mkdir(exist_ok=True)
    for name in photos:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        scene().save(folder / name)
    (folder / "meta.xml").write_text(f'<archive xmlns="http://rs.tdwg.org/dwc/text/">{meta}</archive>', "utf-8")
    for name, text in files.items():
        (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    return folder


OCC = ["occurrenceID", "scientificName", "lifeStage", "sex"]
MM = ["coreid", "identifier", "license"]
MEDIA = "http://rs.gbif.org/terms/1.0/Multimedia"
CC0 = "https://creativecommons.org/publicdomain/zero/1.0/"


def take(path: Path, work: Path, photographs: Path | None = None, **columns: str) -> list[Record]:
    return archive.read_archive(path, work, photographs, columns)[0]


def test_the_demo_set_gives_the_same_manifest_by_both_doors(tmp_path: Path) -> None:
    folder = tmp_path / "larkmoor"
    write_demo_set(folder, 20, seed=5, size_px=64)
    options = ("ticks", "not a tick", ("any",))
    by_zip, _ = ingest.ingest(take(folder / FILE_NAME, tmp_path / "work"), folder, *options)
    by_csv, _ = ingest.ingest(sources.read_csv(folder / "labels.csv"), folder, *options)
    assert len(by_zip) >= 20
    both = [f[list(MANIFEST)].sort_values("photo_id").reset_index(drop=True) for f in (by_zip, by_csv)]
    pd.testing.assert_frame_equal(*both)


def test_python_dwca_reader_reads_ours_back(tmp_path: Path) -> None:
    write_demo_set(tmp_path / "larkmoor", 6, seed=5, size_px=64)
    labels = pd.read_csv(tmp_path / "larkmoor" / "labels.csv", dtype=str, keep_default_na=False)
    with DwCAReader(str(tmp_path / "larkmoor" / FILE_NAME)) as reader:
        assert reader.descriptor.core.type == f"{DWC}Occurrence"
        assert reader.orphaned_extension_rows() == {"multimedia.txt": {}}
        shown = {e.data[f"{AC}accessURI"]: row.data for row in reader for e in row.extensions}
    assert list(shown) == list(labels["file"])
    stages = dict(zip(labels["file"], labels["life_stage"], strict=True))
    assert {f: r[f"{DWC}lifeStage"] for f, r in shown.items()} == stages


def test_the_standards_defaults_quotes_and_the_old_coreId_are_read(tmp_path: Path) -> None:  # noqa: N802
    meta = table("core", f"{DWC}Occurrence", "o.csv", OCC, CSV, more=f'<field term="{DWC}county" default="Åland"/>')
    meta += table("extension", MEDIA, "m.csv", MM, CSV, key="coreId")
    rows = {
        "o.csv": 'id,name,stage,sex\n1,"Ixodes ricinus (Linnaeus, 1758)",adult,"fe""male"\n\n',
        "m.csv": f"id,file,licence\n1,p/a.jpg,{CC0}\n1,./p/b.jpg,\n1,p/gone.jpg,\n",
    }
    made = pack(tmp_path / "a", meta, rows, ("p/a.jpg", "p/b.jpg"))
    records = take(made, tmp_path / "work")
    assert [r.fields["sex"] for r in records] == ['fe"male'] * 3
    frame, _ = ingest.ingest(records, made, "ticks")
    assert (frame["place"] == "Åland").all()
    assert list(frame["status"]) == ["unknown_value", "unknown_value", "missing"]
    assert (frame["scientific_name"] == "Ixodes ricinus").all()


def test_another_encoding_and_several_files_of_one_table_are_read(tmp_path: Path) -> None:
    form = TAB.replace("UTF-8", "ISO-8859-1")
    meta = table("core", f"{DWC}Occurrence", "o1.txt</location><location>o2.txt", [*OCC, "locality"], form)
    meta += table("extension", MEDIA, "m.txt", MM)
    made = pack(tmp_path / "a", meta, {
        "o1.txt": "i\tn\ts\tx\tl\n1\tIxodes\tadult\t\tÄngsö\n".encode("latin-1"),
        "o2.txt": "i\tn\ts\tx\tl\n2\tIxodes\tnymph\t\tÖ\n".encode("latin-1"),
        "m.txt": "i\tf\tl\n1\ta.jpg\t\n2\tb.jpg\t\n",
    })  # fmt: skip
    assert [r.fields["place"] for r in take(made, tmp_path / "work")] == ["Ängsö", "Ö"]


def test_media_that_the_occurrence_of_an_event_names_are_read(tmp_path: Path) -> None:
    # Darwin Core, associatedMedia: a term of the occurrence, also where events are the core
    meta = table("core", f"{DWC}Event", "e.txt", ["eventID", "eventDate"])
    meta += table("extension", f"{DWC}Occurrence", "o.txt", ["coreid", "occurrenceID", "associatedMedia"])
    made = pack(tmp_path / "a", meta, {
        "e.txt": "e\td\n1\t2024-05\n2\t2024-06\n3\t2024-07\n",
        "o.txt": "e\to\tm\n1\tA\ta.jpg | b.jpg\n2\tB\tc.jpg\n2\tC\td.jpg\n3\tD\t\n",
    })  # fmt: skip
    records, findings = archive.read_archive(made, tmp_path / "work", None, {})
    shown = [(r.fields["specimen_id"], Path(r.fields["file"]).name) for r in records]
    assert shown == [("A", "a.jpg"), ("A", "b.jpg"), ("B", "c.jpg"), ("C", "d.jpg")]
    assert [f.message for f in findings] == ["1 of 3 records have no photograph, e.g. '3'"]


@pytest.mark.parametrize(("written", "kept"), [("a.jpg", True), ("../out.jpg", False), ("", False)])
def test_a_file_that_the_config_takes_from_another_term_comes_through_the_same_door(
    tmp_path: Path, written: str, kept: bool
) -> None:
    meta = table("core", f"{DWC}Occurrence", "o.txt", OCC)
    meta += table("extension", MEDIA, "m.txt", [*MM, "references"])
    made = pack(tmp_path / "a", meta, {
        "o.txt": "i\tn\ts\tx\n1\tIxodes\tadult\t\n",
        "m.txt": f"i\tf\tl\tr\n1\tpage.html\t\t{written}\n",
    }, ("a.jpg", "../out.jpg"))  # fmt: skip
    packed = tmp_path / "a.zip"
    with zipfile.ZipFile(packed, "w") as zipped:
        for name in ("meta.xml", "o.txt", "m.txt", "a.jpg"):
            zipped.write(made / name, name)
    (record,) = take(packed, tmp_path / "work", file="references")
    assert ("fault" not in record.fields) == kept
    assert not kept or Path(record.fields["file"]) == tmp_path / "work" / "media" / "a.jpg"


def test_the_verbatim_record_goes_before_the_interpreted_one(tmp_path: Path) -> None:
    # GBIF downloads: occurrence.txt is interpreted, verbatim.txt an Occurrence extension; nymph had become larva
    meta = table("core", f"{DWC}Occurrence", "occurrence.txt", OCC)
    meta += table("extension", f"{DWC}Occurrence", "verbatim.txt", ["coreid", "scientificName", "lifeStage", "sex"])
    meta += table("extension", MEDIA, "multimedia.txt", MM)
    made = pack(tmp_path / "a", meta, {
        "occurrence.txt": "i\tn\ts\tx\n1\tIxodes ricinus (Linnaeus, 1758)\tLarva\tFEMALE\n",
        "verbatim.txt": "i\tn\ts\tx\n1\tI. ricinus\tnymph\t\n",
        "multimedia.txt": "i\tf\tl\n1\ta.jpg\t\n",
    })  # fmt: skip
    (record,) = take(made, tmp_path / "work")
    assert (record.fields["life_stage"], record.fields["verbatim_name"]) == ("nymph", "I. ricinus")
    assert record.fields["scientific_name"] == "Ixodes ricinus (Linnaeus, 1758)"


@pytest.mark.parametrize(
    ("qualifier", "name", "rank"),
    [("cf. scapularis", "Ixodes", "genus"), ("cf.", "Ixodes", "genus"), ("aff. scapularis", "Ixodes", "genus"),
     ("?", "Ixodes", "genus"), ("", "Ixodes scapularis", "species"),
     ("det. from photo", "Ixodes scapularis", "species")],
)  # fmt: skip
def test_doubt_in_the_qualifier_lowers_the_label_to_the_genus(
    tmp_path: Path, qualifier: str, name: str, rank: str
) -> None:
    # open nomenclature: cf., aff. and ? (Sigovini et al. 2016)
    meta = table("core", f"{DWC}Occurrence", "o.txt", [*OCC, "identificationQualifier"])
    meta += table("extension", MEDIA, "m.txt", MM)
    files = {"o.txt": f"i\tn\ts\tx\tq\n1\tIxodes scapularis\tadult\t\t{qualifier}\n", "m.txt": "i\tf\tl\n1\ta.jpg\t\n"}
    made = pack(tmp_path / "a", meta, files, ("a.jpg",))
    frame, _ = ingest.ingest(take(made, tmp_path / "work"), made, "ticks", licences=("any",))
    assert (frame["scientific_name"][0], frame["taxon_rank"][0], frame["status"][0]) == (name, rank, "ok")


def test_an_event_core_gives_each_photograph_its_own_occurrence(tmp_path: Path) -> None:
    meta = table("core", f"{DWC}Event", "e.txt", ["eventID", "eventDate"])
    meta += table("extension", f"{DWC}Occurrence", "o.txt", ["coreid", *OCC])
    terms = ["coreid", f"{AC}accessURI", f"{AC}associatedSpecimenReference", f"{AC}subjectOrientation"]
    meta += table("extension", f"{AC}Multimedia", "m.txt", terms)
    view = "http://rs.tdwg.org/acorient/values/r0007"
    made = pack(tmp_path / "a", meta, {
        "e.txt": "i\td\nE1\t2024-05-18\nE2\t2024-05-19\n",
        "o.txt": "e\to\tn\ts\tx\nE1\tO1\tIxodes\tadult\tmale\nE1\tO2\tIxodes\tnymph\t\nE2\tO3\tIxodes\tlarva\t\n",
        "m.txt": f"e\tf\to\tv\nE1\ta.jpg\tO2\t{view}\nE1\tb.jpg\tO1\t\nE1\tc.jpg\t\t\nE2\td.jpg\t\tdorsal\n",
    })  # fmt: skip
    found = {r.fields["photo_id"]: r.fields for r in take(made, tmp_path / "work")}
    told = {k: (f["specimen_id"], f["submission_id"], f["life_stage"], f["view"]) for k, f in found.items()}
    assert told == {
        "b.jpg": ("O1", "E1", "adult", ""), "a.jpg": ("O2", "E1", "nymph", "ventral"),
        "c.jpg": ("E1#media0", "E1", "", ""), "d.jpg": ("O3", "E2", "larva", "dorsal"),
    }  # fmt: skip
    assert found["d.jpg"]["event_date"] == "2024-05-19"


def test_each_region_of_a_photograph_is_a_specimen_of_its_own_in_one_group(tmp_path: Path) -> None:
    meta = table("core", f"{DWC}Occurrence", "o.txt", OCC)
    boxes = [AC + t for t in ("xFrac", "yFrac", "widthFrac", "heightFrac")]
    meta += table("extension", f"{AC}Multimedia", "m.txt", ["coreid", "identifier", f"{AC}accessURI", *boxes])
    meta += table("extension", f"{AC}RegionOfInterest", "r.txt", ["coreid", f"{AC}isROIOf", *boxes])
    made = pack(tmp_path / "a", meta, {
        "o.txt": "i\tn\ts\tx\n1\tIxodes\tadult\t\n2\tIxodes\tnymph\t\n",
        "m.txt": "c\ti\tf\tx\ty\tw\th\n1\tP1\ta.jpg\t\t\t\t\n2\tP2\tb.jpg\t.1\t.2\t.3\t.4\n",
        "r.txt": "c\ti\tx\ty\tw\th\n1\tP1\t0\t0\t.5\t.5\n1\tP1\t.5\t.5\t.5\t.5\n",
    }, ("a.jpg", "b.jpg"))  # fmt: skip
    frame, _ = ingest.ingest(take(made, tmp_path / "work"), made, "ticks", licences=("any",))
    assert list(zip(frame["photo_id"], frame["specimen_id"], frame["region"], strict=True)) == [
        ("P1", "1#1", "0 0 .5 .5"), ("P1#2", "1#2", ".5 .5 .5 .5"), ("P2", "2", ".1 .2 .3 .4"),
    ]  # fmt: skip
    assert list(frame["group_id"]) == ["1", "1", "2"]
    assert frame["path"][0] == frame["path"][1]


def test_one_file_in_two_media_extensions_is_one_photograph(tmp_path: Path) -> None:
    meta = table("core", f"{DWC}Occurrence", "o.txt", OCC) + table("extension", MEDIA, "m.txt", MM)
    meta += table("extension", f"{AC}Multimedia", "n.txt", ["coreid", f"{AC}accessURI", f"{AC}captureDevice"])
    files = {"o.txt": "i\tn\ts\tx\n1\tIxodes\t\t\n", "m.txt": f"i\tf\tl\n1\ta.jpg\t{CC0}\n"}
    made = pack(tmp_path / "a", meta, files | {"n.txt": "i\tf\td\n1\ta.jpg\tphone\n"})
    (record,) = take(made, tmp_path / "work")
    assert (record.fields["license_uri"], record.fields["device"]) == (CC0, "phone")


def test_media_are_taken_out_of_a_zip_below_the_output_only(tmp_path: Path) -> None:
    meta = table("core", f"{DWC}Occurrence", "o.txt", OCC) + table("extension", MEDIA, "m.txt", MM)
    files = {"o.txt": "i\tn\ts\tx\n1\tIxodes\tadult\t\n", "m.txt": f"i\tf\tl\n1\tp/a.jpg\t{CC0}\n1\t../b.jpg\t{CC0}\n"}
    pack(tmp_path / "in", meta, files, ("p/a.jpg",))
    scene().save(tmp_path / "b.jpg")
    shutil.make_archive(str(tmp_path / "set"), "zip", tmp_path, "in")  # in a folder of its own, as some tools do
    shutil.rmtree(tmp_path / "in")
    (tmp_path / "job.toml").write_text('name = "t"\noutput = "out"\n[data]\npath = "set.zip"\n', "utf-8")
    before = {p for p in tmp_path.rglob("*") if "out" not in p.parts}
    runner.run(config.load(tmp_path / "job.toml"), Progress(quiet=True), ("import",))
    assert {p for p in tmp_path.rglob("*") if "out" not in p.relative_to(tmp_path).parts} == before
    frame = manifest.read(tmp_path / "out" / "manifest.csv")
    assert list(frame["status"]) == ["ok", "missing"]
    assert "climbs out" in frame["reason"][1]
    assert Path(frame["path"][0]).is_relative_to(tmp_path / "out")
    with zipfile.ZipFile(tmp_path / "set.zip") as packed:
        assert Path(frame["path"][0]).read_bytes() == packed.read("in/p/a.jpg")


def test_a_column_is_named_by_a_term_or_by_ours_and_an_unknown_one_is_refused(tmp_path: Path) -> None:
    meta = table("core", f"{DWC}Occurrence", "o.txt", [*OCC, "catalogNumber"])
    meta += table("extension", f"{AC}Multimedia", "m.txt", ["coreid", f"{AC}accessURI", f"{AC}captureDevice"])
    files = {"o.txt": "i\tn\ts\tx\tc\n1\tIxodes\t\t\tV7\n", "m.txt": "i\tf\td\n1\ta.jpg\tphone\n"}
    made = pack(tmp_path / "a", meta, files)
    for term, found in (("device", "phone"), (f"{AC}captureDevice", "phone"), ("catalogNumber", "V7"), ("host", "")):
        (record,) = take(made, tmp_path / "work", source=term)
        assert record.fields["source"] == found
    with pytest.raises(DataError, match=r"no table has the term 'catalogueNumber' .*Did you mean 'catalogNumber'"):
        take(made, tmp_path / "work", source="catalogueNumber")
