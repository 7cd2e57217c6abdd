"""The records of what was promised, read by prediction: numpy only, JSON-able, never fitted here."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from tickvision.domain.typed import typed
from tickvision.errors import CalibrationError
from tickvision.evaluation.checks import Bools, as_floats

Side = Literal["low", "high"]


@dataclass(frozen=True)
class Certificate:
    """What a calibration set allows to promise about the answers at or above a threshold.

    threshold: answer where confidence >= threshold; None = refused, refer every case.
    n: specimens looked at. answered, errors: at the threshold; 0 where refused (the reason tells the counts).
    needed: further specimens among those looked at (on a lower rung: of those that rungs above leave), 0 where
    certified. more_helps: False where more alone will not do, as the share wrong, or missed, is not below its target.
    best_bound: one-sided upper bound of the error share at level 1 - failure_rate: at the threshold, or the lowest that
    any cut reached (that one describes, it promises nothing).
    """

    threshold: float | None
    n: int
    answered: int
    errors: int
    needed: int
    reason: str
    best_bound: float
    max_error: float
    failure_rate: float
    more_helps: bool = True

    @property
    def is_certified(self) -> bool:
        """Return whether a threshold was certified."""
        return self.threshold is not None

    def statement(self) -> str:
        """Return the promise, or the refusal, as one sentence to print."""
        if self.threshold is None:
            return f"No promise of at most {self.max_error:.3g} wrong: {self.reason}"
        return (
            f"On a new specimen drawn like the calibration specimens, at most {self.max_error:.3g} of the answers "
            f"given are wrong; the procedure that set the threshold fails in at most {self.failure_rate:.3g} of "
            f"calibrations; {self.n:,} specimens, {self.errors:,} errors among {self.answered:,} answered."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> Certificate:
        """Return the certificate saved by to_dict."""
        return typed(cls(**saved))


@dataclass(frozen=True)
class QualityLimit:
    """Pictures beyond limit on this side of measure are unusable; limit None = no harm shown, nothing is refused.

    n_beyond, error_beyond, error_within: val specimens beyond, and the error shares (nan = none); p_value: corrected.
    """

    measure: str
    side: Side
    limit: float | None
    n_beyond: int
    error_beyond: float
    error_within: float
    p_value: float

    def is_usable(self, values: ArrayLike) -> Bools:
        """Return (N,) bool: which pictures pass."""
        numbers = as_floats(values, self.measure, error=CalibrationError)
        if self.limit is None:
            return np.ones(len(numbers), dtype=np.bool_)
        return numbers >= self.limit if self.side == "low" else numbers <= self.limit

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; nan (no data) is None, which JSON can hold."""
        return {key: None if value != value else value for key, value in asdict(self).items()}

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> QualityLimit:
        """Return the limit saved by to_dict."""
        shares = {key: float("nan") if saved[key] is None else saved[key] for key in ("error_beyond", "error_within")}
        return typed(cls(**{**saved, **shares}))
