"""The separator's weights; see ``SEPARATOR.md``."""
