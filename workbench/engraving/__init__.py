"""The chart as pages: SVG, PDF and PNG."""
