"""Train, judge and serve a photo classifier that names ticks, and refers what it cannot name."""

__version__ = "0.1.0"
