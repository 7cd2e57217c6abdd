"""Train, judge and serve a photo classifier that names ticks, and refers what it cannot name."""

import os

__version__ = "0.1.0"

# onnxruntime 1.32 for Linux sends events of use to its maker from the moment it is imported, unless this is set
os.environ.setdefault("ORT_DISABLE_TELEMETRY", "1")
