"""Open a package: its files are checked, then its network is built in a thread, whatever else is done meanwhile."""

from __future__ import annotations

import os
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tickvision.deployment.package_files import MODEL, Contents, read_files
from tickvision.errors import PackageError

if TYPE_CHECKING:
    from onnxruntime import InferenceSession


@dataclass(frozen=True)
class Opened:
    """A package whose files are checked. session: of its network; its result raises PackageError if it cannot be read.

    cores: that the network and the decoders may use.
    """

    location: Path
    index: dict[str, Any]
    contents: Contents
    cores: int
    session: Future[InferenceSession]


def open_package(location: Path, threads: int = 0) -> Opened:
    """Return the opened package. threads: cores to use, 0 = all that this process may use. Raises PackageError."""
    index, contents = read_files(location)
    import onnxruntime  # noqa: F401 (not in the thread: an import there would hold up the others)

    cores = threads or _cores()
    builder = ThreadPoolExecutor(1)
    session = builder.submit(build, contents[MODEL], cores, str(location / MODEL))
    builder.shutdown(wait=False)
    return Opened(location, index, contents, cores, session)


def build(model: bytes, threads: int, where: str = MODEL) -> InferenceSession:
    """Return the session of a model.onnx. where: what messages call it. Raises PackageError if it cannot be read."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.log_severity_level = 3
    # a thread that spins between batches takes the core from the decoders
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    try:
        return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    except Exception as error:  # onnxruntime raises types of its own
        raise PackageError(f"{where}: onnxruntime cannot read it ({error}).") from None


def _cores() -> int:
    """Return the cores that this process may use, which on a shared machine are fewer than there are."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
