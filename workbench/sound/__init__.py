"""Sound of a chart and of a recording: the computed kit, drums and rest apart, rendering, stretching, loudness."""
