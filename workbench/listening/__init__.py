"""From samples to a draft: features, detectors, beats, bars, positions."""
