"""Every exception that tickvision raises on purpose.

TickvisionError          the user's input is at fault; cli prints it without a traceback, exit code 1
├── ConfigError          a config key or value
├── DataError            labels, manifests, splits
├── ImageError           one photograph cannot be used (becomes a row with a status, never a crash)
├── TrainingError        training cannot start or go on
├── MetricError          a metric's input is not what it must be
├── CalibrationError     nothing can be fitted or promised from this calibration set
├── PackageError         a model package is damaged, swapped or from another version
└── OutputError          the output folder is not empty, not writable or full
"""

from __future__ import annotations

from collections.abc import Iterable


class TickvisionError(Exception):
    """The user's input is at fault; the message says where, what, expected, and what to do."""


class ConfigError(TickvisionError):
    """A config key or value is wrong."""


class DataError(TickvisionError):
    """Labels, manifests or splits are wrong."""


class ImageError(TickvisionError):
    """One photograph cannot be used."""

    def __init__(self, status: str, reason: str) -> None:
        super().__init__(f"{status}: {reason}")
        self.status = status
        self.reason = reason


class TrainingError(TickvisionError):
    """Training cannot start or go on."""


class MetricError(TickvisionError):
    """A metric's input is not what it must be."""


class CalibrationError(TickvisionError):
    """Nothing can be fitted or promised from this calibration set."""


class PackageError(TickvisionError):
    """A model package is damaged, swapped or from another version."""


class OutputError(TickvisionError):
    """The output cannot be written."""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return " Did you mean 'x'?" for the nearest known word, or an empty string."""
    import difflib

    names = [str(k) for k in known]
    lowered = {n.lower(): n for n in names}
    near = difflib.get_close_matches(word.lower(), list(lowered), n=1, cutoff=0.6)
    return f" Did you mean '{lowered[near[0]]}'?" if near else ""
