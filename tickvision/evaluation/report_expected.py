"""What a policy re-weighted to another place or season expects there, and how it does on a fair sample of the test."""

from __future__ import annotations

from typing import Any

import numpy as np

from tickvision.domain.taxonomy import Taxonomy, settled
from tickvision.evaluation.expected import fair_sample, shares_of
from tickvision.evaluation.intervals import clopper_pearson, clopper_pearson_lower
from tickvision.evaluation.policy import Policy
from tickvision.evaluation.report_judged import Judged
from tickvision.evaluation.specimens import Specimens


def promised_on(calibration: Specimens, policy: Policy, taxonomy: Taxonomy) -> Specimens:
    """Return the calibration specimens that the promise was made on: all, or the lot drawn to the expected shares."""
    if not policy.expected_at or not len(calibration):
        return calibration
    taxa = settled(calibration.taxon_mask)
    kept = fair_sample(taxa, shares_of(taxa, len(taxonomy.taxa)), np.array(policy.taxon_shares))
    return calibration.take(np.flatnonzero(kept))


def expected(
    test: Specimens, calibration: Specimens, judged: Judged, policy: Policy, taxonomy: Taxonomy
) -> dict[str, Any] | None:
    """Return where and when, each name's usual and expected share, and the answers on a sample of the test with those.

    None where the policy expects what the calibration specimens are. calibration: all of them.
    """
    if not policy.expected_at:
        return None
    size, new = len(taxonomy.taxa), np.array(policy.taxon_shares)
    usual = shares_of(settled(calibration.taxon_mask), size)
    taxa = settled(test.taxon_mask)
    kept = fair_sample(taxa, shares_of(taxa, size), new)
    named, wrong = int((kept & judged.named).sum()), int((kept & judged.given_wrong).sum())
    return {
        "at": policy.expected_at,
        "shares": [
            {"taxon": taxon, "usual": float(u), "expected": float(e)}
            for taxon, u, e in zip(taxonomy.taxa, usual, new, strict=True)
        ],
        "calibration_specimens": len(calibration),
        "calibration_kept": policy.calibration_specimens,
        "test": {
            "specimens": int(kept.sum()),
            "named": named,
            "referred": int(kept.sum()) - named,
            "wrong": wrong,
            "error": wrong / named if named else None,
            "error_interval": list(clopper_pearson(wrong, named)) if named else None,
            "error_lower_bound_95": clopper_pearson_lower(wrong, named) if named else None,
        },
    }
