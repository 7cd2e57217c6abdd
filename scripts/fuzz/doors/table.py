"""Tables that a user writes."""

from __future__ import annotations

from pathlib import Path

from doors.parts import join, parts

MODULES = ("tickvision.data", "tickvision.domain", "tickvision.deployment", "tomllib")


def attempt(content: bytes, folder: Path) -> str:
    """A labels CSV with its mapping: a manifest that reads back as it was. Further tables a user writes, too."""
    from tickvision.data import columns, fetch, ingest, manifest, mapping, regions, sources
    from tickvision.deployment import specimens
    from tickvision.errors import DataError

    files = parts(content)
    paths = {name: folder / name for name in ("labels.csv", "mapping.toml", "regions.csv", "list.csv")}
    for name, path in paths.items():
        if name in files:
            path.write_bytes(files[name])
    if "list.csv" in files:
        specimens.read_list(paths["list.csv"])
        return "list"
    boxes = regions.read(paths["regions.csv"]) if "regions.csv" in files else {}
    how = mapping.read_mapping(paths["mapping.toml"] if "mapping.toml" in files else None, {}, {})
    records = list(mapping.translated(sources.read_csv(paths["labels.csv"], how), how))
    records = list(regions.cut(fetch.placed(records, folder / "fetched"), boxes))
    frame, findings = ingest.ingest(records, folder, "ticks", "not a tick", ("CC0-1.0", "CC-BY"), len(content) % 2 > 0)
    if set(frame["status"]) - {manifest.USABLE, *ingest.STATUSES}:
        raise AssertionError(f"unknown status in {set(frame['status'])}")
    manifest.write(frame, folder / "manifest.csv")
    again = manifest.read(folder / "manifest.csv")
    if list(again.columns) != list(frame.columns) or again.to_numpy().tolist() != frame.to_numpy().tolist():
        raise AssertionError("the manifest does not read back as it was written")
    if set(columns.MANIFEST) - set(again.columns):
        raise DataError("columns lost")
    ingest.write_findings(findings, folder / "findings.csv")
    if sorted(map(str, ingest.read_findings(folder / "findings.csv"))) != sorted(map(str, findings)):
        raise AssertionError("the findings do not read back as they were written")
    return f"{min(len(frame), 3)} rows, {min(len(findings), 3)} findings"


def seeds() -> list[bytes]:
    """Labels in our columns and in foreign ones with a mapping, boxes, and a list of specimens."""
    labels = (
        b"file,specimen_id,submission_id,scientific_name,life_stage,sex,license_uri,region\n"
        b"a.jpg,s1,g1,Ixodes scapularis,adult,female,CC0-1.0,\n"
        b'"b, 2.jpg",s2,g1,"Ixodes sp.",nymph,,CC-BY,0.1 0.1 0.5 0.5\n=x.jpg,s2,,Dermacentor,larva,,,\n'
    )
    foreign = b"\xef\xbb\xbfFoto;Tier;Art;Stadium\na.jpg;1;Ixodes scapularis;W\nb.jpg;2;;N\n"
    how = (
        b'[columns]\nfile = "foto"\nspecimen_id = ["tier", "id.*"]\nscientific_name = "art"\n[optional]\n'
        b'place = "ort"\n[values.life_stage]\n"n" = "nymph"\n"w" = "adult"\n[defaults]\nlicense_uri = "CC0-1.0"\n'
    )
    boxes = b"photo_id,tick,region,sex\na.jpg,1,0 0 0.5 0.5,male\na.jpg,2,0.5 0.5 0.5 0.5,\n"
    listed = b"file,specimen_id,region,removed_at\na.jpg,s1,0.1 0.2 0.3 0.4,2026-05-03T18:30\ns3://b/c.jpg,s1,,\n"
    return [
        join({"labels.csv": labels}),
        join({"labels.csv": labels, "regions.csv": boxes}),
        join({"labels.csv": foreign, "mapping.toml": how}),
        join({"list.csv": listed}),
    ]
