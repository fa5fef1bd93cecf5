"""Chosen charts as a set list: one booklet to print, and one page for the screen.

The booklet (set-list.pdf) begins with a sheet for the whole evening; the page
(set-list.html) has each song's tempo, form and main grooves.

example:
  workbench setlist opener.chart.json ballad.chart.json --title "Friday" --out friday
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

NAME = "setlist"
HELP = "chosen charts as one booklet and one page"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench setlist`` takes."""
    parser.add_argument("charts", type=Path, nargs="+", metavar="CHART", help="in the order of the evening")
    parser.add_argument("--title", default="Set list", help="printed at the top (default: Set list)")
    parser.add_argument("--out", type=Path, default=Path("set-list"), metavar="DIR", help="folder (default: set-list)")
    parser.add_argument("--paper", choices=("A4", "Letter"), default="A4", help="of the booklet (default: A4)")
    parser.add_argument("--json", action="store_true", help="print the paths of the files as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench setlist``; returns the exit status."""
    import workbench as wb
    from workbench.progress import TerminalProgress

    made = wb.set_list(args.charts, args.out, title=args.title, paper=args.paper, progress=TerminalProgress())
    if args.json:
        print(json.dumps({name: str(path) for name, path in made._asdict().items()}))
    else:
        print(f"  {made.booklet}  to print\n  {made.page}  for the screen")
    return 0
