"""The stages from photographs to a split. Each reads files, calls a room and writes files; none reaches back."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import TYPE_CHECKING

from tickvision.config import Config
from tickvision.errors import DataError
from tickvision.progress import Progress
from tickvision.workplace import Paths, write_text

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from tickvision.data.labels import Finding
    from tickvision.data.pictures import Pictures
    from tickvision.data.sources import Record
    from tickvision.domain.taxonomy import Taxonomy
    from tickvision.images.prepare import Prepare


def import_photographs(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Read the source into manifest.csv and import_findings.csv; return lines for a person."""
    from tickvision.data import archive, credits, ingest, manifest, sources

    data = config.data
    noted: list[Finding] = []
    records: Iterable[Record]
    if data.source == "dwca" or data.path.suffix.lower() == ".zip":
        work = paths.output / "archive"
        records, noted = archive.read_archive(data.path, work, data.photographs, data.columns, data.defaults)
        photographs = data.photographs or data.path.parent
    elif data.source == "csv":
        records = sources.read_csv(data.path, data.columns, data.defaults)
        photographs = data.photographs or data.path.parent
    else:
        records = sources.read_folder(data.path, data.pattern, data.defaults)
        photographs = data.photographs or data.path
    frame, findings = ingest.ingest(
        records,
        photographs,
        config.taxonomy.kind,
        config.taxonomy.non_target,
        data.licences,
        data.photo_is_specimen,
        str(data.path),
    )
    findings += noted
    manifest.write(frame, paths.manifest)
    credits.write(manifest.usable(frame), paths.output)
    ingest.write_findings(findings, paths.import_findings)
    lines = ingest.summary(frame)
    worst = [f for f in findings if f.severity == "error"]
    lines += [f"  {data.path.name}, line {f.line}: {f.message}" for f in worst[:5]]
    if len(worst) > 5:
        lines.append(f"  ... {len(worst):,} faults in all; they are listed in {paths.import_findings}")
    if not (frame["status"] == manifest.USABLE).any():
        raise DataError("\n".join([*lines, f"{data.path}: no photograph can be used."]))
    return lines


def usable_rows(config: Config, paths: Paths) -> tuple[pd.DataFrame, Taxonomy]:
    """Return the usable rows and the taxonomy; rows whose label is not in the taxonomy are left out."""
    import numpy as np

    from tickvision.data import manifest

    everything = manifest.read(paths.manifest)
    tax = config.taxonomy
    taxonomy = manifest.build_taxonomy(tax.kind, everything, tax.taxa, tax.non_target, tax.table, tax.stages)
    frame = manifest.usable(everything)

    def fits(name: str, stage: str, sex: str) -> bool:
        try:
            taxonomy.label_masks(name, stage, sex)
        except DataError:
            return False
        return True

    labels = zip(frame["scientific_name"], frame["life_stage"], frame["sex"], strict=True)
    known: dict[tuple[str, str, str], bool] = {}
    keep = np.array(
        [known.setdefault(label, fits(*label)) if label not in known else known[label] for label in labels], bool
    )
    return frame[keep].reset_index(drop=True), taxonomy


def prepare_of(config: Config) -> Prepare:
    from tickvision.images.prepare import Prepare

    return Prepare(config.picture.size_px, config.picture.fit)


def decoded(config: Config, paths: Paths, frame: pd.DataFrame, progress: Progress) -> Pictures:
    from tickvision.data import pictures

    return pictures.build(
        frame,
        paths.pictures,
        prepare_of(config),
        config.train.workers,
        lambda done, total, failed: progress.tick("decoding photographs", done, total, failed),
    )


def check(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Decode every photograph and write findings.csv, duplicates.csv and audit.json; return lines for a person."""
    import csv

    from tickvision.data import audit, contact_sheet, gps, ingest, mislabels, splits

    frame, taxonomy = usable_rows(config, paths)
    pictures = decoded(config, paths, frame, progress)
    groups = splits.tie_groups(frame)
    findings, pairs, summary = audit.audit(frame, pictures, taxonomy, groups, config.data.near_duplicates)
    findings += gps.findings(frame)
    features = mislabels.read_features((paths.scores, paths.features), pictures.looks["sha256"].to_numpy(str))
    if features is not None:
        findings += mislabels.findings(frame, features, taxonomy, groups)
    place = {p: i for i, p in enumerate(frame["photo_id"])}
    shown = contact_sheet.write(findings, place, pictures.squares, paths.output / "worst.jpg")
    ingest.write_findings(findings, paths.findings)
    with paths.duplicates.open("w", encoding="utf-8", newline="") as handle:
        csv.writer(handle).writerows([("photo_a", "photo_b"), *pairs])
    write_text(paths.audit, json.dumps(summary, indent=1))
    counts: dict[str, int] = {}
    for finding in findings:
        counts[finding.finding] = counts.get(finding.finding, 0) + 1
    lines = [f"{len(frame):,} photographs checked, {len(findings):,} findings in {paths.findings}"]
    lines += [f"  {count:,} {name}" for name, count in sorted(counts.items(), key=lambda item: -item[1])]
    if shown:
        lines.append(f"  {shown} of the worst are shown in {paths.output / 'worst.jpg'}")
    if features is None:
        lines.append("  likely wrong labels are looked for once there are features: run check again after train")
    for head, probe in summary["shortcut_probe"].items():
        if "accuracy" in probe:
            lines.append(
                f"  shortcut probe, {head}: the rim alone is right for {probe['accuracy']:.1%} "
                f"(majority {probe['majority']:.1%}, n = {probe['n']:,})"
            )
    return lines


def split(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Deal the groups to train, val, calibration and test and write splits.csv; return lines for a person."""
    import csv

    import numpy as np

    from tickvision.data import splits

    frame, _ = usable_rows(config, paths)
    pairs: list[tuple[str, str]] = []
    if paths.duplicates.is_file():
        with paths.duplicates.open(encoding="utf-8", newline="") as handle:
            pairs = [(row[0], row[1]) for row in list(csv.reader(handle))[1:]]
    groups = splits.tie_groups(frame, pairs)
    strata = splits.strata_of(frame)
    number = np.unique(strata, return_inverse=True)[1].astype(np.int64)
    shares = {p: getattr(config.split, p) for p in splits.PARTS}
    use = frame["use"].to_numpy(str)
    parts = splits.assign(groups, number, frame["specimen_id"].to_numpy(str), shares, config.seed, use)
    splits.check_no_leak(frame, groups, parts)
    splits.write(frame, groups, strata, parts, paths.splits)
    specimens = frame["specimen_id"].to_numpy(str)
    lines = [f"{len(np.unique(groups)):,} groups dealt:"]
    lines += [
        f"  {p}: {len(np.unique(specimens[parts == p])):,} specimens, {(parts == p).sum():,} photographs"
        for p in splits.PARTS
    ]
    return lines + _optimism(paths, frame, groups)


def _optimism(paths: Paths, frame: pd.DataFrame, groups: NDArray[np.int64]) -> list[str]:
    """Return a line on how optimistic a random split would have been, once there are features on file."""
    import numpy as np

    from tickvision.data import folds, mislabels

    try:
        with np.load(paths.pictures / "looks.npz", allow_pickle=False) as held:
            content = dict(zip(held["photo_id"].tolist(), held["sha256"].tolist(), strict=True))
    except (OSError, ValueError, KeyError):
        return []
    sha256 = np.array([content.get(p, "") for p in frame["photo_id"]], dtype=str)
    features = mislabels.read_features((paths.features,), sha256)
    if features is None:
        return []
    said = frame["scientific_name"].where(frame["taxon_rank"].isin(["species", "none"]), "").to_numpy(str)
    told = folds.optimism(features, said, groups)
    if "optimism" not in told:
        return []
    return [
        f"  a linear head on frozen features names {told['random']:.1%} of photographs right on a random split and "
        f"{told['grouped']:.1%} on a grouped one: a random split would flatter by {told['optimism']:+.1%} "
        f"(n = {told['n']:,.0f})"
    ]
