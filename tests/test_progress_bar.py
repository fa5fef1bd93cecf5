"""Progress of long work in a notebook."""

from workbench.grid.progress_bar import ProgressBar


def test_it_shows_how_far_and_what():
    bar = ProgressBar()
    bar(0.25, "Listening")
    told = {type(child).__name__: child.value for child in bar.children}
    assert told == {"FloatProgress": 0.25, "Label": "Listening"}
