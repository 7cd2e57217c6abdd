"""evaluate: how often a name is wrong, as figures and as a report."""

from __future__ import annotations

import json

from tickvision.config import Config
from tickvision.progress import Progress
from tickvision.stages.job import classes_of, made_by, read_audit
from tickvision.whole_files import write_text
from tickvision.workplace import Paths


def evaluate(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Judge the run on its test part and write metrics.json and report.html; return lines for a person."""
    from tickvision import report_stage
    from tickvision.data import manifest, splits
    from tickvision.evaluation import evaluate as evaluation
    from tickvision.evaluation import novelty_trial, report, report_numbers, specimens
    from tickvision.evaluation import policy as policies

    taxonomy, _ = classes_of(paths)
    policy = policies.load(paths.calibration)
    test = specimens.load(paths.scores, "test")
    figures = evaluation.evaluate(test, specimens.load(paths.scores, "test", heads_only=True), policy, taxonomy)
    figures = {
        "name": config.name,
        "bench": config.bench.name,
        "drawn": config.bench.drawn,
        "made_by": made_by(),
        "training": json.loads((paths.train / "summary.json").read_text(encoding="utf-8")),
        "audit": read_audit(paths),
        **report_stage.origin(paths),
    } | figures
    frame = report_stage.with_picture_sizes(manifest.read(paths.manifest), paths)
    material = report_numbers.read_material(
        frame,
        splits.read(paths.splits),
        [paths.import_findings, paths.findings],
        paths.train / "history.csv",
        config.decide.costly,
    )
    calibration, taught = (specimens.load(paths.scores, part) for part in ("calibration", "train"))
    features = [novelty_trial.frozen_means(paths.features, paths.scores, part) for part in (taught, test)]
    if features[0] is not None and features[1] is not None and len(test):
        figures["novelty"] = novelty_trial.leave_out(taught, features[0], test, features[1], taxonomy)
    figures = report_numbers.extend(figures, test, calibration, policy, taxonomy, material)
    write_text(paths.metrics, json.dumps(figures, indent=1))
    report_stage.write(paths, figures, frame, taxonomy, policy, config.train.backbone)
    return [*report.headline(figures), f"The report is {paths.report}"]
