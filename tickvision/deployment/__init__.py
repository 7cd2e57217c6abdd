"""The model package and predict: numpy and onnxruntime only.

from tickvision.deployment import load
decisions = load("larkmoor/run/package").predict(["a.jpg", "b.jpg"])
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tickvision.deployment.decision import Decision
    from tickvision.deployment.predict import Predictor, load
    from tickvision.deployment.specimens import Specimen

__all__ = ["Decision", "Predictor", "Specimen", "load"]


def __getattr__(name: str) -> Any:
    """Import what is asked for only then: the command builds the network while it imports the rest."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from tickvision.deployment import decision, predict, specimens

    return getattr({"Decision": decision, "Specimen": specimens}.get(name, predict), name)
