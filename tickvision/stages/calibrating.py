"""calibrate: probabilities, and the confidence from which a name is given."""

from __future__ import annotations

import json

from tickvision.config import Config
from tickvision.progress import Progress
from tickvision.stages.job import classes_of
from tickvision.whole_files import write_text
from tickvision.workplace import Paths


def calibrate(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Fit the policy on val and calibration and write calibration.json; return lines for a person."""
    from tickvision.evaluation import calibrate as calibration
    from tickvision.evaluation import expected as expectation
    from tickvision.evaluation import specimens

    taxonomy, _ = classes_of(paths)
    d = config.decide
    terms = calibration.Terms(**d.model_dump(exclude={"expected", "expected_place", "expected_month"}))
    coming = expectation.read(d.expected, taxonomy, d.expected_place, d.expected_month) if d.expected else None
    taught, val, held = (specimens.load(paths.scores, part) for part in ("train", "val", "calibration"))
    policy, notes = calibration.fit(taught, val, held, taxonomy, terms, config.train.balances, coming)
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
