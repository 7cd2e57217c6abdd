"""Open a package: its files are read and checked, then its network is built, in a thread of its own.

The order of what is imported and begun is what a cold start waits for; scripts/benchmarks/predict_speed measures it.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from tickvision.deployment.package_files import HASHES, INDEX, MISSHAPEN, MODEL, Contents, read_files
from tickvision.errors import PackageError

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

    from tickvision.images.prepare import Prepare

T = TypeVar("T")


class Opened:
    """A package whose files are being read. Every property waits for them and raises PackageError if they are wrong.

    cores: that the network and the decoders may use.
    """

    def __init__(self, location: Path, threads: int = 0) -> None:
        """threads: cores to use, 0 = all that this process may use."""
        self.location, self.cores = location, threads or _cores()
        self._thread = ThreadPoolExecutor(1)
        self._files = self._thread.submit(read_files, location)
        self._session: Future[InferenceSession] | None = None

    @property
    def index(self) -> dict[str, Any]:
        """What package.json holds."""
        return self._files.result()[0]

    @property
    def contents(self) -> Contents:
        """The checked bytes of the files."""
        return self._files.result()[1]

    @property
    def model_id(self) -> str:
        """The name and version that stand in every prediction."""
        return self._told(lambda: f"{self.index['name']} {self.index['version']}")

    @property
    def prepare(self) -> Prepare:
        """How the network wants its pictures."""
        from tickvision.images.prepare import Prepare

        return self._told(lambda: Prepare.from_json(self.index["prepare"]))

    @cached_property
    def trained_on(self) -> frozenset[str]:
        """The sha256 of the files that trained the network."""
        return self._told(lambda: frozenset(self.contents[HASHES].decode("utf-8").split()))

    def _told(self, read: Callable[[], T]) -> T:
        try:
            return read()
        except PackageError:
            raise
        except MISSHAPEN as error:
            raise misshapen(self.location, error) from None

    def start_network(self) -> Future[InferenceSession]:
        """Begin to build the network, unless that was done; the result raises PackageError if it cannot be read."""
        if self._session is None:
            import onnxruntime  # noqa: F401 (not in the thread: an import there would hold up the others)

            self._session = self._thread.submit(build, self.contents[MODEL], self.cores, str(self.location / MODEL))
            self._thread.shutdown(wait=False)
        return self._session


def misshapen(location: Path, error: Exception) -> PackageError:
    """Return the refusal of a package whose index lacks a part, or has one of another shape."""
    return PackageError(f"{location / INDEX}: a part is missing or wrong ({type(error).__name__}: {error}).")


def build(model: bytes, threads: int, where: str = MODEL) -> InferenceSession:
    """Return the session of a model.onnx. where: what messages call it. Raises PackageError if it cannot be read."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.log_severity_level = 3
    # a thread that spins between batches takes the core from the decoders
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    # weights in other files would be looked for in the current folder; a package holds all that it needs
    options.add_session_config_entry("session.model_external_initializers_file_folder_path", os.devnull)
    try:
        return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    except Exception as error:  # onnxruntime raises types of its own
        raise PackageError(f"{where}: onnxruntime cannot read it ({error}).") from None


def _cores() -> int:
    """Return the cores that this process may use, which on a shared machine are fewer than there are."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
