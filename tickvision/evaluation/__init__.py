"""Metrics, intervals, calibration, certificates, novelty, comparisons: numpy and scipy, never torch."""
