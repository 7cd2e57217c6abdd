"""The stages from photographs to a split. Each reads files, calls a room and writes files; none reaches back."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tickvision.config import Config
from tickvision.errors import DataError
from tickvision.progress import Progress
from tickvision.whole_files import write_text
from tickvision.workplace import Paths

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from tickvision.data.labels import Finding
    from tickvision.data.mapping import Record
    from tickvision.data.pictures import Pictures
    from tickvision.domain.taxonomy import Taxonomy
    from tickvision.images.prepare import Prepare
    from tickvision.training.recipe import Recipe


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
    findings += noted
    manifest.write(frame, paths.manifest)
    credits.write(manifest.usable(frame), paths.output)
    ingest.write_findings(findings, paths.import_findings)
    lines += ingest.summary(frame)
    worst = sum(f.severity == "error" for f in findings)
    lines += [f"  {data.path.name}, line {f.line}: {f.message}" for f in ingest.examples(findings)]
    if worst > 5:
        lines.append(f"  ... {worst:,} faults in all; they are listed in {paths.import_findings}")
    if not (frame["status"] == manifest.USABLE).any():
        raise DataError("\n".join([*lines, f"{data.path}: no photograph can be used."]))
    return lines


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
        held = list(regions.cut(held, regions.read(data.regions)))
    return held, noted, photographs, lines


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
    """Return how the config wants pictures prepared."""
    from tickvision.images.prepare import Prepare

    return Prepare(config.picture.size_px, config.picture.fit)


def recipe_of(config: Config) -> Recipe:
    """Return how the config wants the network trained."""
    from dataclasses import fields

    from tickvision.training.recipe import Recipe

    names = {f.name for f in fields(Recipe)} - {"seed"}
    return Recipe(**config.train.model_dump(include=names), seed=config.seed)


def decoded(config: Config, paths: Paths, frame: pd.DataFrame, progress: Progress) -> Pictures:
    """Return the prepared pictures of the frame's rows; what was decoded before is read from disk."""
    from tickvision.data import pictures

    return pictures.build(
        frame,
        paths.pictures,
        prepare_of(config),
        config.train.workers,
        lambda done, total, failed: progress.tick("decoding photographs", done, total, failed),
    )


def looked_at(config: Config, paths: Paths, pictures: Pictures, progress: Progress) -> NDArray[np.float32] | None:
    """Return the principal features of the frozen backbone, NaN where a picture has none; None if no picture is left.

    What training starts from is made here if a picture has none on file yet; train then finds it there.
    """
    import numpy as np

    from tickvision.data import mislabels

    if not pictures.readable.any():
        return None
    sha256 = pictures.looks["sha256"].to_numpy(str)
    held = mislabels.read_features((paths.features,), sha256)
    if held is None or not np.isfinite(held[pictures.readable]).all():
        from tickvision.training import machine, session

        recipe = recipe_of(config)
        with machine.join(recipe.device, recipe.precision) as team:
            session.look(
                pictures.squares,
                sha256,
                prepare_of(config),
                recipe,
                team,
                paths.features,
                lambda what, done, of, note: progress.tick(what, done, of, note=note),
            )
        held = mislabels.read_features((paths.features,), sha256)
    return held


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
    _update_audit(paths, summary)
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


def _update_audit(paths: Paths, told: dict[str, Any]) -> None:
    """Lay what was found over audit.json; what other stages found stays."""
    held: dict[str, Any] = json.loads(paths.audit.read_text(encoding="utf-8")) if paths.audit.is_file() else {}
    write_text(paths.audit, json.dumps(held | told, indent=1))


def duplicate_pairs(paths: Paths) -> list[tuple[str, str]]:
    """Return the pairs of duplicates that check found."""
    import csv

    if not paths.duplicates.is_file():
        return []
    with paths.duplicates.open(encoding="utf-8", newline="") as handle:
        return [(row[0], row[1]) for row in list(csv.reader(handle))[1:]]


def split(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Deal the groups to train, val, calibration and test and write splits.csv; return lines for a person."""
    import numpy as np

    from tickvision.data import folds, manifest, splits

    frame, taxonomy = usable_rows(config, paths)
    groups = splits.tie_groups(frame, duplicate_pairs(paths))
    strata = splits.strata_of(frame)
    how = config.split
    if how.file is not None:
        parts, fold = splits.own(frame, how.file), None
    else:
        shares = {p: getattr(how, p) for p in splits.PARTS}
        parts, fold = folds.deal(frame, groups, strata, shares, config.seed, how.hold_out, how.folds, how.fold)
    splits.check_no_leak(frame, groups, parts)
    splits.write(frame, groups, strata, parts, paths.splits, fold)
    specimens = frame["specimen_id"].to_numpy(str)
    lines = [f"{len(np.unique(groups)):,} groups dealt:"]
    lines += [
        f"  {p}: {len(np.unique(specimens[parts == p])):,} specimens, {(parts == p).sum():,} photographs"
        for p in splits.PARTS
    ]
    if fold is not None:
        lines.append(f"  test is fold {config.split.fold} of {config.split.folds}; --set split.fold=... takes another")
    needed = splits.needed_to_certify(config.decide.max_error, config.decide.failure_rate)
    small = splits.too_small(specimens, manifest.classes(frame, taxonomy), parts, needed)
    _update_audit(paths, {"too_small_to_certify": small})
    lines += _small(config, paths, small)
    if not paths.duplicates.is_file():
        lines.append("  no check has looked for duplicates yet: one picture under two names may stand in two parts")
    features = looked_at(config, paths, decoded(config, paths, frame, progress), progress)
    return lines + ([] if features is None else _optimism(paths, frame, features, taxonomy, groups))


def _small(config: Config, paths: Paths, small: list[dict[str, str | int]]) -> list[str]:
    if not small:
        return []
    d = config.decide
    shown = ", ".join(f"{c['class']} ({c['calibration']})" for c in small[:5])
    return [
        f"  {len(small)} classes are too small to certify by themselves: fewer than {small[0]['needed']} calibration "
        f"specimens for at most {d.max_error:.1%} error at a failure rate of {d.failure_rate:.1%}, e.g. {shown}; all "
        f"are listed in {paths.audit}. They count in the promise over all names."
    ]


def _optimism(
    paths: Paths, frame: pd.DataFrame, features: NDArray[np.float32], taxonomy: Taxonomy, groups: NDArray[np.int64]
) -> list[str]:
    """Measure how optimistic a random split would have been; return a line on it."""
    from tickvision.data import folds, mislabels

    said = mislabels.labels_of(frame, taxonomy)["taxon"]
    told = folds.optimism(features, said, groups)
    _update_audit(paths, {"split_optimism": told})
    if "optimism" not in told:
        return [f"  too few photographs (n = {told['n']:,.0f}) to tell how optimistic a random split would be"]
    return [
        f"  a linear head on frozen features names {told['random']:.1%} of photographs right on a random split and "
        f"{told['grouped']:.1%} on a grouped one: a random split would flatter by {told['optimism']:+.1%} "
        f"(n = {told['n']:,.0f})"
    ]


def remove_places(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Copy the photographs that hold coordinates into without_place/, without them; return lines for a person."""
    from tickvision.data import gps

    frame, _ = usable_rows(config, paths)
    holding = decoded(config, paths, frame, progress).looks["place"].to_numpy(bool)
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
    frame = frame[[fnmatch(p, pattern) for p in frame["photo_id"]]]
    if frame.empty:
        raise DataError(f"--regions '{pattern}': no usable photograph has such a photo_id.")
    page = paths.output / "regions.html"
    shown = regions.write_page(frame, page, _head(config))
    lines = [f"{shown:,} of {len(frame):,} photographs stand on {page}: open it in a browser, draw, save regions.csv"]
    lines.append("  then: tickvision import CONFIG --set data.regions=regions.csv, and check, split and train again")
    return lines
