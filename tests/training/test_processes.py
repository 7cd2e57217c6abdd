from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made import free_port

from tickvision import config, runner
from tickvision.progress import Progress

SETTINGS = ("train.epochs=1", "train.batch_size=10", "picture.size_px=48")


@pytest.mark.slow
def test_two_processes_end_as_one_does_within_rounding_and_leave_one_log_and_one_checkpoint(shapes: Path) -> None:
    one, two = shapes.parent / "one", shapes.parent / "two"
    before = ("import", "check", "split")
    runner.run(config.load(shapes, [*SETTINGS, f"output={one}"]), Progress(quiet=True), before)
    shutil.copytree(one, two)
    runner.run(config.load(shapes, [*SETTINGS, f"output={one}"]), Progress(quiet=True), ("train",))
    call = [sys.executable, "-m", "torch.distributed.run", "--nproc-per-node", "2", "--master-port", str(free_port())]
    call += ["-m", "tickvision", "train", str(shapes)]
    call += [w for s in (*SETTINGS, f"output={two}", "train.device=cpu") for w in ("--set", s)]
    env = os.environ | {"OMP_NUM_THREADS": "1", "GLOO_SOCKET_IFNAME": "lo"}
    done = subprocess.run(call, capture_output=True, text=True, env=env)
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stderr.count("epoch 1/1") == 1, done.stderr
    assert done.stdout.count("best epoch") == 1
    assert [p.name for p in (two / "train").glob("*.safetensors")].count("checkpoint.safetensors") == 1
    single, shared = (pd.read_csv(f / "train" / "history.csv") for f in (one, two))
    np.testing.assert_allclose(single["train_loss"], shared["train_loss"], rtol=2e-3)
    np.testing.assert_allclose(single["val_loss"], shared["val_loss"], rtol=1e-2)
    with np.load(one / "train" / "scores.npz") as a, np.load(two / "train" / "scores.npz") as b:
        assert a["photo_id"].tolist() == b["photo_id"].tolist()
        np.testing.assert_allclose(a["heads_taxon_logits"], b["heads_taxon_logits"], atol=1e-3)
        np.testing.assert_allclose(a["taxon_logits"], b["taxon_logits"], atol=0.2)
