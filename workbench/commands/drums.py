"""The drums of a chart, each as a whole: hear a few strokes of each, and say what it is.

Lists each drum with its hits, how many of them are in doubt, and where it is
heard most clearly. Where a draft calls a ride an open hi-hat all through the
song, --rename puts that right in one step; what is no drum at all, --take-out
takes out. In programmed music one name often stands for several sounds, some of
them claps, say: --by-sound lists the sounds of each drum, and --sound means one
of them. Hits that you have confirmed stay as they are; every hit keeps its
time. It is for the whole song unless --bars says otherwise; --undo, or Ctrl Z in
the grid, takes it back. NAME.hits.csv follows unless you have changed it.

examples:
  workbench drums song.chart.json
  workbench drums song.chart.json --rename "open hi-hat" ride
  workbench drums song.chart.json --take-out "side stick" --bars 9-24
  workbench drums song.chart.json --by-sound
  workbench drums song.chart.json --rename "closed hi-hat" "hand clap" --sound 2
  workbench drums song.chart.json --undo
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas

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
    parser.add_argument("--by-sound", action="store_true", help="list the sounds that each drum has in the recording")
    parser.add_argument(
        "--sound",
        type=int,
        metavar="NUMBER",
        help="rename or take out only the hits with this sound, as --by-sound numbers",
    )
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
        if args.sound is None:
            song.apply(NameDrum(old, new, *span))
        else:
            wb.name_drum(song, old, new, bars=args.bars, sound=args.sound)
        assert isinstance(song.last_edit, NameDrum)
        done = named_words(before, song.last_edit, song.chart)
    elif args.sound is not None:
        raise ChartError("--sound goes with --rename or --take-out.")
    elif args.undo or args.redo:
        if args.bars is not None:
            raise ChartError(f"--{'undo' if args.undo else 'redo'} takes the last step as it was; leave --bars out.")
        last = song.last_edit if args.undo else song.next_edit
        done = stepped_words("Taken back", last, before, song.undo()) if args.undo else ""
        done = done or stepped_words("Done again", last, before, song.redo())
    save_with_tables(song)
    table = wb.drums(song, args.bars, by_sound=args.by_sound, progress=TerminalProgress())
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
    if args.by_sound:
        _tell_sounds(table)
        return 0
    for drum in table.itertuples():
        counts = [f"{drum.hits} hit{'s' * (drum.hits != 1)}"] * bool(drum.hits or not drum.possible)
        counts += [f"{drum.doubts} in doubt"] * bool(drum.doubts)
        counts += [f"{drum.possible} possible"] * bool(drum.possible)
        print(f"{drum.drum}: {', '.join(counts)}{f'; hear {drum.hear}' if drum.hear else ''}.")
    doubted = list(table.drum[table.doubted])
    if doubted and not done:
        print(f"In doubt as a whole, to hear first: {', '.join(doubted)}.")
    return 0


def _tell_sounds(table: pandas.DataFrame) -> None:
    """A line for each drum that is one sound, and one for each sound of the others; which to hear first."""
    first = []
    for name, sounds in table.groupby("drum", sort=False):
        if len(sounds) > 1:
            several = sum(sounds.sound > 0)
            print(f"{name}: {sounds.hits.sum()} hits, {several} sound{'s' * (several != 1)}")
        for row in sounds.itertuples():
            called = "" if len(sounds) == 1 else f"sound {row.sound}" if row.sound else "others (0)"
            doubts = f", {row.doubts} in doubt" * bool(row.doubts)
            print(
                f"{f'  {called}' if called else name}: {row.hits} hit{'s' * (row.hits != 1)}{doubts}; hear {row.hear}."
            )
            first += [f"{name}, {called}" if called else name] * row.doubted
    if first:
        print(f"In doubt as a whole, to hear first: {'; '.join(first)}.")
