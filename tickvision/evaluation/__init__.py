"""Metrics, intervals, calibration, certificates, novelty, comparisons: numpy and scipy, never torch.

In a notebook, the tables and pictures of a run's report:

    from tickvision.evaluation import notebook
    notebook.tables("larkmoor/run")["slices"]                 # a pandas DataFrame
    notebook.figures("larkmoor/run")["risk_coverage"]         # a matplotlib Figure (with %matplotlib inline)
    notebook.read("larkmoor/run")["decisions"]["error"]       # any single figure, as metrics.json holds it
"""
