"""From a reading to a practice pack: exercises, sound, pages."""
