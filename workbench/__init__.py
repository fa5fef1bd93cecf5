"""A Jupyter workbench for charting drum parts from recordings.

The way of the data: recording → activations → bars (time map) → strokes
(played) → chart (written) → score, reading, practice pack, check.
"""

__version__ = "0.1.0"
