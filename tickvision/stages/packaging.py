"""package: what predict reads."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from tickvision.config import Config
from tickvision.progress import Progress
from tickvision.stages.job import decoded, made_by, usable_rows
from tickvision.workplace import Paths

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tickvision.data.pictures import Pictures


def package(config: Config, paths: Paths, progress: Progress) -> list[str]:
    """Write the model package after checking that ONNX says what torch says; return lines for a person."""
    from tickvision import package_parts
    from tickvision.data import credits, splits
    from tickvision.deployment import package as packages
    from tickvision.evaluation import card
    from tickvision.evaluation import policy as policies
    from tickvision.training import onnx_writer, session

    policy = policies.load(paths.calibration)
    network, taxonomy, prepare = session.load_network(paths.train, config.train.backbone)
    frame, _ = usable_rows(config, paths)
    pictures = decoded(config, paths, frame, progress)
    model = paths.train / "model.onnx"
    progress.say("writing ONNX")
    onnx_writer.write(network, prepare, model)
    parity = onnx_writer.check_parity(network, model, _some_squares(pictures, config.seed), prepare)
    part_of = splits.read(paths.splits)
    hashes = zip(frame["photo_id"], pictures.looks["sha256"], strict=True)
    teaching = [sha for photo, sha in hashes if sha and part_of.get(photo) in ("train", "val")]
    taught, val = (package_parts.scored(paths.scores, p, frame["photo_id"], pictures.squares) for p in ("train", "val"))
    shipped, measured, lines = package_parts.smaller(
        config.package.precision, model, prepare, policy, taxonomy, taught, val
    )
    figures = json.loads(paths.metrics.read_text(encoding="utf-8")) if paths.metrics.is_file() else {}
    texts = card.documents(figures, taxonomy, policy) | credits.texts(frame)
    files = {name: text.encode() for name, text in texts.items()}
    if config.package.neighbours:
        shown, said = package_parts.neighbours(frame, taught, config.package.neighbours)
        lines += said
        files[packages.NEIGHBOURS] = shown
    bench = config.bench
    made = packages.Package(
        paths.package,
        config.name,
        taxonomy,
        prepare,
        policy,
        bench.contact,
        bench.name,
        bench.drawn,
        frozenset(teaching),
        measured,
    )
    packages.write(made, shipped, made_by(), parity, files)
    return [
        *lines,
        f"ONNX and torch differ by at most {parity['largest_difference']:.1e} on {parity['photographs']:.0f} photos.",
        f"The package is {paths.package}. Next: tickvision predict {paths.package} PHOTOGRAPHS",
    ]


def _some_squares(pictures: Pictures, seed: int) -> NDArray[np.uint8]:
    """Return the squares (N, S, S, 3) of a few readable photographs, on which ONNX is held against torch."""
    import numpy as np

    from tickvision.training.onnx_writer import PARITY_PHOTOS

    rows = np.flatnonzero(pictures.readable)
    chosen = np.random.default_rng(seed).choice(rows, min(PARITY_PHOTOS, len(rows)), replace=False)
    return np.stack([pictures.squares[i] for i in chosen])
