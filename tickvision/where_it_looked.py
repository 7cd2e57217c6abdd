"""Pictures for the report of where the network looked: training has the network, the report shows what it is given."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from tickvision.errors import ImageError, TrainingError


def overlays(train_folder: Path, backbone: str, frame: pd.DataFrame, figures: Mapping[str, Any]) -> dict[str, str]:
    """Return photo_id -> data URI of each shown photograph with what speaks for its answer against all others.

    frame: the manifest. Photographs that cannot be read are left out; {} if the network is not there any more, or is
    one whose maps would not show what it used.
    """
    from tickvision.data.pictures import parse_region
    from tickvision.deployment.explain import activation, overlay
    from tickvision.evaluation.report_photographs import data_uri, shown_entries
    from tickvision.images.decode import read_photo
    from tickvision.images.prepare import to_square
    from tickvision.training import activation_maps, session

    try:
        network, taxonomy, prepare = session.load_network(train_folder, backbone)
    except TrainingError:
        return {}
    answers, _, claims = taxonomy.rung_answers("species_stage_sex")
    cells = {str(a): np.flatnonzero(claims[i]).tolist() for i, a in enumerate(answers)}
    rows = frame.drop_duplicates("photo_id").set_index("photo_id")[["path", "region"]].to_dict("index")
    said, squares = {}, []
    for entry in shown_entries(figures):
        row = rows.get(entry["photo_id"])
        if row is None or entry["photo_id"] in said or entry["said"] not in cells:
            continue
        try:
            photo = read_photo(Path(row["path"]), prepare.decode_px, parse_region(row["region"]))
        except ImageError:
            continue
        said[entry["photo_id"]] = cells[entry["said"]]
        squares.append(to_square(photo, prepare))
    held = activation_maps.features_and_directions(network, np.stack(squares), prepare) if squares else None
    if held is None:
        return {}
    features, directions = held
    return {
        photo: data_uri(overlay(square, activation(maps, directions, inside)))
        for (photo, inside), square, maps in zip(said.items(), squares, features, strict=True)
    }
