"""Measure how good drafts are on a folder of annotated recordings.

The folder holds drum/NAME.flac (drums alone) and mix/NAME.flac (full mix) with
class/NAME.txt (time, KD SD HH CY TT), subclass/NAME.txt (time, finer label)
and beats/NAME.txt (time, number in the bar).

example:
  workbench evaluate my-recordings --audio mix
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

NAME = "evaluate"
HELP = "measure accuracy on annotated recordings"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench evaluate`` takes."""
    parser.add_argument("folder", type=Path, help="folder of the data set")
    parser.add_argument(
        "--audio", choices=("drum", "mix", "both"), default="both", help="drums alone, full mixes, or both (default)"
    )
    parser.add_argument("--json", action="store_true", help="print all scores as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench evaluate``; returns the exit status."""
    from workbench.evaluation.evaluate import evaluate_folder, format_table, summarize
    from workbench.progress import TerminalProgress

    audio = ("drum", "mix") if args.audio == "both" else (args.audio,)
    evaluation = evaluate_folder(args.folder, audio, TerminalProgress())
    print(json.dumps(summarize(evaluation), indent=2) if args.json else format_table(evaluation))
    return 0
