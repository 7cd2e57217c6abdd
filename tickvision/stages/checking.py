"""check: what is wrong with the photographs and their labels, before training and after it."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from tickvision.config import Config
from tickvision.errors import DataError
from tickvision.progress import Progress
from tickvision.stages.job import decoded, duplicate_pairs, looked_at, update_audit, usable_rows
from tickvision.whole_files import write_text
from tickvision.workplace import Paths

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from tickvision.data.labels import Finding
    from tickvision.data.pictures import Pictures
    from tickvision.domain.taxonomy import Taxonomy


def check(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Decode every photograph and write findings.csv, duplicates.csv and audit.json; return lines for a person."""
    import csv
    from io import StringIO

    from tickvision.data import audit, memory, mislabels, splits

    frame, taxonomy = usable_rows(config, paths)
    pictures = decoded(config, paths, frame, progress)
    frozen = looked_at(config, paths, pictures, progress)
    groups = splits.tie_groups(frame)
    remembered = memory.Memory(paths.output / "check_memory.json")
    findings, pairs, summary = audit.audit(
        frame, pictures, taxonomy, groups, config.data.near_duplicates, frozen, remembered
    )
    remembered.write()
    groups = splits.tie_groups(frame, pairs)
    findings += _likely_wrong(paths, frame, pictures, taxonomy, groups)
    table = StringIO()
    csv.writer(table, lineterminator="\n").writerows([("photo_a", "photo_b"), *pairs])
    write_text(paths.duplicates, table.getvalue())
    if frozen is not None:
        told = mislabels.accuracy(frame, frozen, taxonomy, groups)
        for head, probe in summary["shortcut_probe"].items():  # what the whole picture is right for, beside the clues
            probe["by"]["picture"] = told[head]
    update_audit(paths, summary)
    shown = _write_findings(config, paths, frame, pictures, findings)
    lines = [f"{len(frame):,} photographs checked, {len(findings):,} findings in {paths.findings}", *_counted(findings)]
    if shown:
        lines.append(f"  {shown} of the worst are shown in {paths.output / 'worst.jpg'}")
    if not paths.scores.is_file() and any(f.finding == "likely_wrong_label" for f in findings):
        lines.append("  likely wrong labels are by a network that has seen no ticks; train looks again by its own")
    return lines + audit.probe_lines(summary["shortcut_probe"])


def _counted(findings: list[Finding]) -> list[str]:
    """Return a line a kind of finding, the gravest kinds first."""
    from tickvision.data.labels import SEVERITIES

    counts = Counter((SEVERITIES.index(f.severity), f.finding) for f in findings)
    return [f"  {counts[k]:,} {k[1]} ({SEVERITIES[k[0]]})" for k in sorted(counts, key=lambda k: (k[0], -counts[k]))]


def _write_findings(
    config: Config, paths: Paths, frame: pd.DataFrame, pictures: Pictures, findings: list[Finding]
) -> int:
    """Write findings.csv and the contact sheet of the worst; return how many pictures stand on it."""
    from tickvision.data import contact_sheet, ingest

    ingest.write_findings(findings, paths.findings)
    place = {p: i for i, p in enumerate(frame["photo_id"])}
    return contact_sheet.write(findings, place, pictures.squares, paths.output / "worst.jpg", head=_head(config))


def _head(config: Config) -> str:
    """Return what must stand above pictures of drawn specimens."""
    return "Drawn specimens, not photographs: not for identification." if config.bench.drawn else ""


def _likely_wrong(
    paths: Paths, frame: pd.DataFrame, pictures: Pictures, taxonomy: Taxonomy, groups: NDArray[np.int64]
) -> list[Finding]:
    """Return the likely wrong labels, by the trained network's features if there are any, else by the frozen ones."""
    from tickvision.data import mislabels

    features = mislabels.read_features((paths.scores, paths.features), pictures.looks["sha256"].to_numpy(str))
    return [] if features is None else mislabels.findings(frame, features, taxonomy, groups)


def after_training(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Look for likely wrong labels again, by what the network has learnt; return lines for a person."""
    from tickvision.data import ingest, splits

    frame, taxonomy = usable_rows(config, paths)
    pictures = decoded(config, paths, frame, progress)
    groups = splits.tie_groups(frame, duplicate_pairs(paths))
    doubted = _likely_wrong(paths, frame, pictures, taxonomy, groups)
    others = [f for f in ingest.read_findings(paths.findings) if f.finding != "likely_wrong_label"]
    _write_findings(config, paths, frame, pictures, others + doubted)
    return [f"{len(doubted):,} likely wrong labels, the most doubtful first, in {paths.findings}"] if doubted else []


def remove_places(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Copy the photographs that hold coordinates into without_place/, without them; return lines for a person."""
    from tickvision.data import gps

    frame, _ = usable_rows(config, paths)
    holding = decoded(config, paths, frame, progress).looks["has_place"].to_numpy(bool)
    files, top = [Path(p) for p in dict.fromkeys(frame["path"][holding])], paths.output / "without_place"
    failed = gps.copy_without_place(files, top)
    lines = [
        f"{len(files) - len(failed):,} of {len(files):,} photographs with coordinates copied without them to {top}"
    ]
    if failed:
        lines.append(f"  {len(failed):,} could not be cleaned and have no copy, e.g. '{failed[0]}'")
    return lines


def region_page(config: Config, paths: Paths, pattern: str) -> list[str]:
    """Write the page on which a person draws boxes around ticks; pattern: which photo_ids, such as 'L0001*'."""
    from fnmatch import fnmatch

    from tickvision.data import regions

    frame, _ = usable_rows(config, paths)
    frame = frame[[fnmatch(p, pattern) for p in regions.whole_photographs(frame)]]
    if frame.empty:
        raise DataError(f"--regions '{pattern}': no usable photograph has such a photo_id.")
    page = paths.output / "regions.html"
    shown, of = regions.write_page(frame, page, _head(config)), len(set(regions.whole_photographs(frame)))
    lines = [f"{shown:,} of {of:,} photographs stand on {page}: open it in a browser, draw, save regions.csv"]
    lines.append("  then: tickvision import CONFIG --set data.regions=regions.csv, and check, split and train again")
    return lines
