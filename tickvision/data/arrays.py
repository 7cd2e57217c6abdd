"""Files of arrays (.npz) that may be absent, cut off, or hold other arrays."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np

UNREADABLE = (OSError, ValueError, KeyError, EOFError, BadZipFile)  # what reading such a file raises


@contextmanager
def open_arrays(path: Path) -> Iterator[Any]:
    """Give the arrays of a file by name; it is closed afterwards, also one that is cut off, which numpy leaves open."""
    with path.open("rb") as handle, np.load(handle, allow_pickle=False) as held:
        yield held
