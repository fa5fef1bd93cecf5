"""A part lined up with a recording: which bar is heard when, and which strokes are the same."""
