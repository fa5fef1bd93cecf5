"""Sound of a chart and of a recording: the computed kit, rendering, stretching, balance, loudness."""
