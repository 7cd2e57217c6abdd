"""split: the parts that teach and judge."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tickvision.config import Config
from tickvision.progress import Progress
from tickvision.stages.job import decoded, duplicate_pairs, looked_at, update_audit, usable_rows
from tickvision.workplace import Paths

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from tickvision.domain.taxonomy import Taxonomy


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
    update_audit(paths, {"too_small_to_certify": small})
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
    update_audit(paths, {"split_optimism": told})
    if "optimism" not in told:
        return [f"  too few photographs (n = {told['n']:,.0f}) to tell how optimistic a random split would be"]
    return [
        f"  a linear head on frozen features names {told['random']:.1%} of photographs right on a random split and "
        f"{told['grouped']:.1%} on a grouped one: a random split would flatter by {told['optimism']:+.1%} "
        f"(n = {told['n']:,.0f})"
    ]
