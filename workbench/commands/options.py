"""Options that several subcommands share."""

from __future__ import annotations

import argparse


def add_detector(parser: argparse.ArgumentParser) -> None:
    """``--detector``, by the names of :data:`workbench.listening.transcription.DETECTORS`."""
    parser.add_argument(
        "--detector",
        choices=("network", "spectral"),
        help="how to listen: the trained network (default) or the plain spectral method",
    )
