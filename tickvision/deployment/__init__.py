"""The model package and predict: numpy and onnxruntime only.

from tickvision.deployment import load
decisions = load("larkmoor/run/package").predict(["a.jpg", "b.jpg"])
"""

from tickvision.deployment.decision import Decision
from tickvision.deployment.predict import Predictor, load
from tickvision.deployment.specimens import Specimen

__all__ = ["Decision", "Predictor", "Specimen", "load"]
