"""import: what a source tells, as one manifest."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from tickvision.config import Config
from tickvision.errors import DataError
from tickvision.progress import Progress
from tickvision.stages.job import taxonomy_of
from tickvision.workplace import Paths

if TYPE_CHECKING:
    import pandas as pd

    from tickvision.data.labels import Finding
    from tickvision.data.mapping import Record


def import_photographs(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Read the source into manifest.csv and import_findings.csv; return lines for a person."""
    from tickvision.data import credits, ingest, manifest

    data = config.data
    records, noted, photographs, lines = _records(config, paths, progress)
    frame, findings = ingest.ingest(
        records,
        photographs,
        config.taxonomy.kind,
        config.taxonomy.non_target,
        data.licences,
        data.photo_is_specimen,
        str(data.path),
    )
    findings += noted + _outside_the_taxonomy(config, frame)
    manifest.write(frame, paths.manifest)
    credits.write(manifest.usable(frame), paths.output)
    ingest.write_findings(findings, paths.import_findings)
    lines += ingest.summary(frame)
    worst = sum(f.severity == "error" for f in findings)
    lines += [f"  {_place(data.path, f)}: {f.message}" for f in ingest.examples(findings)]
    if worst > 5:
        lines.append(f"  ... {worst:,} faults in all; they are listed in {paths.import_findings}")
    if not (frame["status"] == manifest.USABLE).any():
        raise DataError("\n".join([*lines, f"{data.path}: no photograph can be used."]))
    return lines


def _place(path: Path, finding: Finding) -> str:
    return f"{path.name}, line {finding.line}" if finding.line else f"{path.name}, {finding.photo_id or 'the whole'}"


def _outside_the_taxonomy(config: Config, frame: pd.DataFrame) -> list[Finding]:
    """Mark usable rows whose label is none of the config's taxonomy, and return a finding for each."""
    from tickvision.data import ingest, manifest

    try:
        taxonomy = taxonomy_of(config, frame)
    except DataError:
        return []  # no label is at fault; check says what is, and the manifest must be there to look at
    return ingest.mark_misfits(frame, manifest.misfits(frame, taxonomy).tolist())


def _records(
    config: Config, paths: Paths, progress: Progress
) -> tuple[Iterable[Record], list[Finding], Path, list[str]]:
    """Return (records, findings about the source itself, the folder of photographs, lines for a person)."""
    from tickvision.data import archive, fetch, mapping, regions, sources

    data = config.data
    noted: list[Finding] = []
    lines: list[str] = []
    is_archive = data.source == "dwca" or (data.source == "csv" and data.path.suffix.lower() == ".zip")
    how = mapping.read_mapping(data.mapping, {} if is_archive else data.columns, data.defaults)
    photographs = data.photographs or (data.path if data.source == "folder" else data.path.parent)
    records: Iterable[Record]
    if is_archive:
        records, noted = archive.read_archive(data.path, paths.output / "archive", data.photographs, data.columns)
    elif data.source == "csv":
        records = sources.read_csv(data.path, how)
    else:
        records = sources.read_folder(data.path, data.pattern, how)
    held = list(mapping.translated(records, how))
    brought = paths.output / "fetched"
    if data.fetch:
        limits = fetch.Limits(data.fetch_wait_s, int(data.fetch_max_mb * 1e6), data.fetch_own_network)
        urls = [r.fields.get("file", "") for r in held]
        counts = fetch.bring(urls, brought, limits, lambda d, t, f: progress.tick("fetching photographs", d, t, f))
        lines.append(
            f"{counts['ok']:,} photographs fetched, {counts['before']:,} were there before, "
            f"{counts['failed']:,} failed; see {brought / fetch.INDEX}"
        )
    held = list(fetch.placed(held, brought))
    if data.regions is not None:
        boxes = regions.read(data.regions)
        noted += regions.without_photograph(held, boxes, data.regions.name)
        held = list(regions.cut(held, boxes))
    return held, noted, photographs, lines
