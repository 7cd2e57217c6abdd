"""Files of arrays (.npz) that may be absent, cut off, or hold other arrays."""

from __future__ import annotations

from zipfile import BadZipFile

UNREADABLE = (OSError, ValueError, KeyError, EOFError, BadZipFile)  # what numpy raises of such a file
