"""The drums of a chart, each as a whole: hear a few strokes of each, and say what it is.

Lists each drum with its hits, how many of them are in doubt, and where it is
heard most clearly. Where a draft calls a ride an open hi-hat all through the
song, --rename puts that right in one step; what is no drum at all, --take-out
takes out. Hits that you have confirmed stay as they are; every hit keeps its
time. It is for the whole song unless --bars says otherwise; --undo, or Ctrl Z in
the grid, takes it back. NAME.hits.csv follows unless you have changed it.

examples:
  workbench drums song.chart.json
  workbench drums song.chart.json --rename "open hi-hat" ride
  workbench drums song.chart.json --take-out "side stick" --bars 9-24
  workbench drums song.chart.json --undo
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

NAME = "drums"
HELP = "hear each drum of a chart and say what it is"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench drums`` takes."""
    parser.add_argument("chart", type=Path, help="NAME.chart.json, or a recording that was charted")
    parser.add_argument("--bars", metavar="BARS", help="those meant, as 9 or 9-24")
    acts = parser.add_mutually_exclusive_group()
    acts.add_argument("--rename", nargs=2, metavar=("DRUM", "TO"), help="give its hits to another drum")
    acts.add_argument("--take-out", metavar="DRUM", help="take its hits out")
    acts.add_argument("--undo", action="store_true", help="take back what was done to the chart last")
    acts.add_argument("--redo", action="store_true", help="do it again")
    parser.add_argument("--json", action="store_true", help="say it as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench drums``; returns the exit status."""
    import workbench as wb
    from workbench.chart.counting import bar_list, capital
    from workbench.chart.drums import named_words
    from workbench.chart.edits import NameDrum
    from workbench.chart.excerpts import read_bar_span
    from workbench.commands.bars import save_with_tables, stepped_words
    from workbench.errors import ChartError
    from workbench.progress import TerminalProgress

    song = wb.open_chart(args.chart, progress=TerminalProgress())
    before, done = song.chart, ""
    span = (0, None) if args.bars is None else read_bar_span(before, args.bars)
    if args.rename or args.take_out is not None:
        old, new = args.rename or (args.take_out, "")
        if not new and args.rename:
            raise ChartError("Name the drum that it really is, or --take-out what is none.")
        edit = NameDrum(old, new, *span)
        done = named_words(before, edit, song.apply(edit))
    elif args.undo or args.redo:
        if args.bars is not None:
            raise ChartError(f"--{'undo' if args.undo else 'redo'} takes the last step as it was; leave --bars out.")
        last = song.last_edit if args.undo else song.next_edit
        done = stepped_words("Taken back", last, before, song.undo()) if args.undo else ""
        done = done or stepped_words("Done again", last, before, song.redo())
    save_with_tables(song)
    table = wb.drums(song, args.bars)
    if args.json:
        print(json.dumps({"done": done, "drums": table.to_dict("records")}, indent=2))
        return 0
    if done:
        print(done)
    where = capital(
        bar_list(song.chart.time_map, range(span[0], (len(song.chart) - 1 if span[1] is None else span[1]) + 1))
    )
    if table.empty:
        print(f"{where}: no drum is written.")
    for drum in table.itertuples():
        counts = [f"{drum.hits} hit{'s' * (drum.hits != 1)}"] * bool(drum.hits or not drum.possible)
        counts += [f"{drum.doubts} in doubt"] * bool(drum.doubts)
        counts += [f"{drum.possible} possible"] * bool(drum.possible)
        print(f"{drum.drum}: {', '.join(counts)}{f'; hear {drum.hear}' if drum.hear else ''}.")
    doubted = list(table.drum[table.doubted])
    if doubted and not done:
        print(f"In doubt as a whole, to hear first: {', '.join(doubted)}.")
    return 0
