"""The hit grid: correct a draft against the sound, in a notebook."""

from workbench.grid.progress_bar import ProgressBar
from workbench.grid.score_view import ScoreView
from workbench.grid.widget import HitGrid, workspace

__all__ = ["HitGrid", "ProgressBar", "ScoreView", "workspace"]
