"""The hit grid: correct a draft against the sound, in a notebook."""

from workbench.grid.controls import GridControls, workspace
from workbench.grid.progress_bar import ProgressBar
from workbench.grid.score_view import ScoreView
from workbench.grid.widget import HitGrid

__all__ = ["GridControls", "HitGrid", "ProgressBar", "ScoreView", "workspace"]
