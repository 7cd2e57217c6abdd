"""The stages of a job, one function each. Each reads files, calls a room and writes files; none reaches back."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tickvision import __version__
from tickvision.config import Config, to_toml
from tickvision.errors import DataError, OutputError
from tickvision.progress import Progress

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from tickvision.data.labels import Finding
    from tickvision.data.pictures import Pictures
    from tickvision.data.sources import Record
    from tickvision.domain.taxonomy import Taxonomy
    from tickvision.images.prepare import Prepare

STAGES = ("import", "check", "split", "train", "calibrate", "evaluate", "package")


@dataclass(frozen=True)
class Paths:
    """Where a job's files lie."""

    output: Path

    def __getattr__(self, name: str) -> Path:
        if name not in _FILES:
            raise AttributeError(name)
        return self.output / _FILES[name]


_FILES = {
    "config": "config.toml",
    "manifest": "manifest.csv",
    "import_findings": "import_findings.csv",
    "findings": "findings.csv",
    "audit": "audit.json",
    "pictures": "pictures",
    "duplicates": "duplicates.csv",
    "splits": "splits.csv",
    "features": "features.npz",
    "train": "train",
    "scores": "train/scores.npz",
    "classes": "train/classes.json",
    "calibration": "calibration.json",
    "metrics": "metrics.json",
    "report": "report.html",
    "package": "package",
    "stages": "stages.json",
}


def open_output(config: Config) -> Paths:
    """Return the job's paths, its folder made and the resolved config written into it.

    Raises OutputError if the folder holds files that no job of ours made, or cannot be written.
    """
    folder = config.output
    try:
        if folder.is_dir() and any(folder.iterdir()) and not (folder / "config.toml").is_file():
            raise OutputError(
                f"{folder}: the output folder holds files that are not of a tickvision job. "
                'Give an empty or new folder with output = "..." or --set output=...'
            )
        folder.mkdir(parents=True, exist_ok=True)
        write_text(folder / "config.toml", to_toml(config))
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error.strerror}).") from None
    return Paths(folder)


def write_text(path: Path, text: str) -> None:
    """Write through a temporary file, so that a kill or a full disk leaves the old one."""
    temporary = path.with_name(path.name + ".tmp")
    temporary.write_text(text, encoding="utf-8")
    temporary.replace(path)


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


def _usable(config: Config, paths: Paths) -> tuple[pd.DataFrame, Taxonomy]:
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


def _prepare(config: Config) -> Prepare:
    from tickvision.images.prepare import Prepare

    return Prepare(config.picture.size_px, config.picture.fit)


def _pictures(config: Config, paths: Paths, frame: pd.DataFrame, progress: Progress) -> Pictures:
    from tickvision.data import pictures

    return pictures.build(
        frame,
        paths.pictures,
        _prepare(config),
        config.train.workers,
        lambda done, total, failed: progress.tick("decoding photographs", done, total, failed),
    )


def check(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Decode every photograph and write findings.csv, duplicates.csv and audit.json; return lines for a person."""
    import csv

    from tickvision.data import audit, contact_sheet, gps, ingest, mislabels, splits

    frame, taxonomy = _usable(config, paths)
    pictures = _pictures(config, paths, frame, progress)
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

    frame, _ = _usable(config, paths)
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


def train(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Fit heads, fine-tune and score; everything lies in the train folder. Return lines for a person."""
    import numpy as np

    from tickvision.data import splits
    from tickvision.data.manifest import label_masks
    from tickvision.training import session
    from tickvision.training.batches import Rows
    from tickvision.training.heads import Labels
    from tickvision.training.loop import Recipe

    frame, taxonomy = _usable(config, paths)
    pictures = _pictures(config, paths, frame, progress)
    part_of = splits.read(paths.splits)
    missing = [p for p in frame["photo_id"] if p not in part_of]
    if missing:
        raise DataError(
            f"{paths.splits}: {len(missing):,} photographs are in no part, e.g. '{missing[0]}'. "
            "Run: tickvision split CONFIG"
        )
    rows = np.flatnonzero(pictures.readable)
    kept = frame.iloc[rows]
    taxon, state = label_masks(kept, taxonomy)
    specimen = np.unique(kept["specimen_id"].to_numpy(str), return_inverse=True)[1].astype(np.int64)
    groups = splits.tie_groups(kept.reset_index(drop=True))
    weight = 1 / np.bincount(specimen)[specimen]
    photos = session.Photographs(
        Rows(pictures.squares, rows),
        kept["photo_id"].to_numpy(str),
        kept["specimen_id"].to_numpy(str),
        pictures.looks["sha256"].to_numpy(str)[rows],
        np.array([part_of[p] for p in kept["photo_id"]]),
        specimen,
        Labels(taxon, state, weight, groups),
        pictures.looks["sharpness"].to_numpy(np.float32)[rows],
    )
    t = config.train
    recipe = Recipe(
        t.epochs,
        t.patience_epochs,
        t.warmup_epochs,
        t.batch_size,
        t.frozen_stages,
        t.backbone_learning_rate,
        t.head_learning_rate,
        t.weight_decay,
        t.logit_adjustment,
        t.workers,
        config.seed,
    )
    summary = session.train(
        photos,
        taxonomy,
        _prepare(config),
        recipe,
        t.backbone,
        t.weights,
        t.augment,
        paths.train,
        paths.features,
        progress.say,
        progress.tick,
    )
    gain = summary["val_macro_recall"] - summary["val_macro_recall_fitted_heads"]
    return [
        f"best epoch {summary['best_epoch']} of {summary['epochs_run']}: val macro recall "
        f"{summary['val_macro_recall']:.3f}, {gain:+.3f} against the fitted heads. The model lies in {paths.train}. "
        "Next: tickvision calibrate CONFIG"
    ]


def _classes(paths: Paths) -> tuple[Taxonomy, Prepare]:
    from tickvision.domain.taxonomy import Taxonomy
    from tickvision.images.prepare import Prepare

    try:
        form = json.loads(paths.classes.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise DataError(f"{paths.classes}: no trained model. Make it with: tickvision train CONFIG") from None
    return Taxonomy.from_json(form["taxonomy"]), Prepare.from_json(form["prepare"])


def calibrate(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Fit the policy on val and calibration and write calibration.json; return lines for a person."""
    from tickvision.evaluation import calibrate as calibration
    from tickvision.evaluation import specimens

    taxonomy, _ = _classes(paths)
    d = config.decide
    terms = calibration.Terms(**d.model_dump())
    taught, val, held = (specimens.load(paths.scores, part) for part in ("train", "val", "calibration"))
    policy, notes = calibration.fit(taught, val, held, taxonomy, terms, config.train.logit_adjustment > 0)
    write_text(paths.calibration, json.dumps(policy.to_json(), indent=1))
    lines = [
        f"{len(held):,} calibration specimens; temperatures: taxon {policy.taxon_map.temperature:.2f}, "
        f"stage and sex {policy.state_map.temperature:.2f}"
    ]
    for rung in policy.rungs:
        said = rung.certificate.statement() if rung.certificate else "No promise: no calibration specimens."
        lines.append(f"  {rung.name}: {said}")
    if policy.min_confidence is not None:
        lines.append(f"  min_confidence = {policy.min_confidence:g} is set by hand: no promise")
    return lines + [f"  note: {n}" for n in notes]


def evaluate(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Judge the run on its test part and write metrics.json and report.html; return lines for a person."""
    from tickvision.data import manifest, splits
    from tickvision.evaluation import evaluate as evaluation
    from tickvision.evaluation import novelty_trial, report, report_numbers, report_photographs, specimens
    from tickvision.evaluation import policy as policies

    taxonomy, _ = _classes(paths)
    policy = policies.load(paths.calibration)
    test = specimens.load(paths.scores, "test")
    figures = evaluation.evaluate(test, specimens.load(paths.scores, "test", heads_only=True), policy, taxonomy)
    figures = {
        "name": config.name,
        "bench": config.bench.name,
        "drawn": config.bench.drawn,
        "made_by": made_by(),
        "training": json.loads((paths.train / "summary.json").read_text(encoding="utf-8")),
        "audit": _audit(paths),
    } | figures
    frame = manifest.read(paths.manifest)
    material = report_numbers.read_material(
        frame, splits.read(paths.splits), [paths.import_findings, paths.findings], paths.train / "history.csv"
    )
    calibration, taught = (specimens.load(paths.scores, part) for part in ("calibration", "train"))
    features = [novelty_trial.frozen_means(paths.features, paths.scores, part) for part in (taught, test)]
    if features[0] is not None and features[1] is not None and len(test):
        figures["novelty"] = novelty_trial.leave_out(taught, features[0], test, features[1], taxonomy)
    figures = report_numbers.extend(figures, test, calibration, policy, taxonomy, material)
    write_text(paths.metrics, json.dumps(figures, indent=1))
    thumbnails = report_photographs.thumbnails(frame, report_photographs.photo_ids(figures))
    write_text(paths.report, report.render(figures, thumbnails))
    report.write_files(figures, paths.output)
    return [*report.headline(figures), f"The report is {paths.report}"]


def _audit(paths: Paths) -> dict[str, Any]:
    return json.loads(paths.audit.read_text(encoding="utf-8")) if paths.audit.is_file() else {}


def made_by() -> str:
    """Return the program's name and version."""
    return f"tickvision {__version__}"


def package(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Write the model package after checking that ONNX says what torch says; return lines for a person."""
    import numpy as np

    from tickvision.data import splits
    from tickvision.deployment import package as packages
    from tickvision.evaluation import policy as policies
    from tickvision.evaluation import report
    from tickvision.training import onnx_writer, session

    policy = policies.load(paths.calibration)
    network, taxonomy, prepare = session.load_network(paths.train, config.train.backbone)
    model = paths.train / "model.onnx"
    progress.say("writing ONNX")
    onnx_writer.write(network, prepare, model)
    frame, _ = _usable(config, paths)
    pictures = _pictures(config, paths, frame, progress)
    rows = np.flatnonzero(pictures.readable)
    chosen = np.random.default_rng(config.seed).choice(rows, min(onnx_writer.PARITY_PHOTOS, len(rows)), replace=False)
    parity = onnx_writer.check_parity(network, model, np.stack([pictures.squares[i] for i in chosen]), prepare)
    part_of = splits.read(paths.splits)
    teaching = [
        h
        for p, h in zip(frame["photo_id"], pictures.looks["sha256"], strict=True)
        if h and part_of.get(p) in ("train", "val")
    ]
    figures = json.loads(paths.metrics.read_text(encoding="utf-8")) if paths.metrics.is_file() else {}
    bench = config.bench
    packages.write(
        paths.package,
        model,
        config.name,
        taxonomy,
        prepare,
        policy,
        bench.name,
        bench.contact,
        bench.drawn,
        teaching,
        report.card(figures, taxonomy, policy),
        _credits(frame),
        made_by(),
        parity,
    )
    return [
        f"ONNX and torch differ by at most {parity['largest_difference']:.1e} on {parity['photographs']:.0f} photos.",
        f"The package is {paths.package}. Next: tickvision predict {paths.package} PHOTOGRAPHS",
    ]


def _credits(frame: pd.DataFrame) -> str:
    columns = ["photo_id", "creator", "rights_holder", "source", "license_uri", "spdx"]
    return str(frame[columns].to_csv(index=False, lineterminator="\n"))


Stage = Callable[[Config, Paths, Progress], list[str]]
FUNCTIONS: dict[str, Stage] = {
    "import": import_photographs,
    "check": check,
    "split": split,
    "train": train,
    "calibrate": calibrate,
    "evaluate": evaluate,
    "package": package,
}
_READS = {  # stage -> (config sections, files) that decide whether it must run again
    "import": (("data", "taxonomy"), ()),
    "check": (("picture", "taxonomy"), ("manifest",)),
    "split": (("split", "seed", "taxonomy"), ("manifest", "duplicates")),
    "train": (("train", "picture", "seed", "taxonomy"), ("manifest", "splits")),
    "calibrate": (("decide",), ("scores", "classes")),
    "evaluate": (("bench", "name"), ("scores", "classes", "calibration", "audit", "manifest", "splits", "findings")),
    "package": (("bench", "name"), ("scores", "classes", "calibration", "metrics")),
}
_WRITES = {
    "import": "manifest",
    "check": "audit",
    "split": "splits",
    "train": "scores",
    "calibrate": "calibration",
    "evaluate": "report",
    "package": "package",
}


def run(config: Config, progress: Progress, stages: tuple[str, ...] = STAGES, again: bool = False) -> list[str]:
    """Walk the stages, skipping those whose inputs have not changed; return lines for a person."""
    paths = open_output(config)
    lines: list[str] = []
    for stage in stages:
        mark = _mark(stage, config, paths)
        if not again and _marks(paths).get(stage) == mark and (paths.output / _FILES[_WRITES[stage]]).exists():
            progress.say(f"{stage}: up to date")
            continue
        progress.say(f"{stage} ...")
        if stage == "train":
            _forget_old_training(config, paths, mark)
        said = FUNCTIONS[stage](config, paths, progress)
        for line in said:
            progress.say(f"  {line}")
        lines += said
        write_text(paths.stages, json.dumps(_marks(paths) | {stage: _mark(stage, config, paths)}, indent=1))
    return lines


def _forget_old_training(config: Config, paths: Paths, mark: str) -> None:
    """Drop a checkpoint that other inputs made; one of these inputs is resumed."""
    note, saved = paths.train / "inputs.txt", paths.train / "checkpoint.safetensors"
    if saved.is_file() and (not note.is_file() or note.read_text(encoding="utf-8") != mark):
        saved.unlink()
    paths.train.mkdir(parents=True, exist_ok=True)
    write_text(note, mark)


def _marks(paths: Paths) -> dict[str, str]:
    try:
        held = json.loads(paths.stages.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return held if isinstance(held, dict) else {}


def _mark(stage: str, config: Config, paths: Paths) -> str:
    """Return a digest of all that decides the stage's result."""
    sections, files = _READS[stage]
    form = config.model_dump(mode="json")
    digest = hashlib.sha256(json.dumps([__version__, *(form[s] for s in sections)], sort_keys=True).encode())
    inputs = [paths.output / _FILES[f] for f in files]
    if stage == "import":
        inputs.append(config.data.path)
    for path in inputs:
        if path.is_dir():
            state = sorted(f"{p}|{p.stat().st_size}|{p.stat().st_mtime_ns}" for p in path.rglob("*") if p.is_file())
            digest.update("\n".join(state).encode())
        elif path.suffix.lower() == ".zip" and path.is_file():
            digest.update(f"{path.stat().st_size}|{path.stat().st_mtime_ns}".encode())  # photographs: too big to read
        elif path.is_file():
            digest.update(path.read_bytes())
    return digest.hexdigest()
