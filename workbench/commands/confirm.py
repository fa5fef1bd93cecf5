"""Say that bars of a chart are right as they stand: their hits are confirmed.

Listen to them first, in the grid or with any player.  What is confirmed counts
as certain from then on: readings, lessons and practice packs use it.  Without
--bars it says which bars hold doubtful hits, and which hold any that nobody has
confirmed.  NAME.hits.csv follows unless you have changed it.

examples:
  workbench confirm song.chart.json
  workbench confirm song.chart.json --bars 9-12,29
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

NAME = "confirm"
HELP = "say that bars are right as they stand"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench confirm`` takes."""
    parser.add_argument("chart", type=Path, help="NAME.chart.json, or a recording that was charted")
    parser.add_argument("--bars", metavar="BARS", help="that are right, as 9-12,29; 0 is the pick-up")
    parser.add_argument("--json", action="store_true", help="say it as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench confirm``; returns the exit status."""
    import workbench as wb
    from workbench.chart import is_doubtful
    from workbench.chart.counting import bar_list
    from workbench.commands.bars import save_with_tables
    from workbench.errors import ChartError
    from workbench.files.chartfile import ENDING
    from workbench.progress import TerminalProgress
    from workbench.scorefiles import holds_part

    if holds_part(args.chart) and not args.chart.name.lower().endswith(ENDING):
        raise ChartError(
            f"{args.chart.name} was written, not heard: none of its hits needs to be confirmed. Name a recording, or "
            f"the NAME{ENDING} that was drafted from one."
        )
    song = wb.open_chart(args.chart, progress=TerminalProgress())
    before = song.chart
    if args.bars is not None:
        wb.confirm(song, args.bars)
        save_with_tables(song)
    now, numbers = song.chart, song.chart.time_map
    hits = sum(n.confirmed for _, n in now.notes()) - sum(n.confirmed for _, n in before.notes())
    left = now.unchecked_bars
    doubtful = [k for k, n in now.notes() if is_doubtful(n, now.doubt_below)]
    if args.json:
        bars = {
            name: [numbers.bar_number(k) for k in sorted(set(found))]
            for name, found in (("bars_doubtful", doubtful), ("bars_left", left))
        }
        print(json.dumps({"hits_confirmed": hits, **bars}))
        return 0
    if args.bars is not None:
        print(f"{hits} hit{'s' * (hits != 1)} confirmed." if hits else "No hit was left to confirm there.")
    if doubtful:
        print(f"Doubtful hits, {len(doubtful)}, to hear first: {bar_list(numbers, doubtful)}.")
    if left:
        print(f"Not confirmed yet: {bar_list(numbers, left)}.")
    elif any(n.confidence < 1.0 for _, n in now.notes()):
        print("No bar is left to confirm.")
    else:
        print("None of its hits was drafted from a recording, so none needs to be confirmed.")
    return 0
