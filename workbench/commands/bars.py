"""How the bars of a chart lie, and laying them anew.

Says how the bars are read, how else they may be, and where bar lines and hits
disagree. --take, --mend and --anew change the chart and save it; every hit
stays where it was heard, and lines fixed in the grid stay.  NAME.hits.csv and
NAME.beats.csv follow unless you have changed them. What was heard of a
recording's bars is kept in .workbench-bars beside its chart.

examples:
  workbench bars song.chart.json
  workbench bars song.chart.json --take 2
  workbench bars song.chart.json --anew --from-bar 17 --meter 3/4
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from workbench.commands.draft import tempo

if TYPE_CHECKING:
    from workbench.chart import Chart
    from workbench.files.document import ChartDocument

NAME = "bars"
HELP = "how the bars lie; other readings of them"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench bars`` takes."""
    parser.add_argument("chart", type=Path, help="NAME.chart.json, or a recording that was charted")
    act = parser.add_mutually_exclusive_group()
    act.add_argument("--take", type=int, metavar="N", help="lay the bars as another reading says, by its number")
    act.add_argument("--mend", action="store_true", help="do what mends the gravest disagreement")
    act.add_argument("--anew", action="store_true", help="find the bars by ear again, around the lines that are fixed")
    parser.add_argument("--from-bar", type=int, metavar="BAR", help="with --anew: bars before this one stay")
    parser.add_argument("--meter", help="with --anew: the meter, such as 3/4")
    parser.add_argument("--tempo", type=tempo, metavar="BPM", help="with --anew: beats a minute, such as 100-120")
    parser.add_argument("--json", action="store_true", help="say it as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench bars``; the exit status is 1 where lines and hits disagree."""
    import workbench as wb
    from workbench.errors import ChartError
    from workbench.facts import facts
    from workbench.listening.barfaults import BarFault
    from workbench.listening.readings import percent
    from workbench.progress import TerminalProgress

    if not args.anew and (args.from_bar is not None or args.meter or args.tempo):
        raise ChartError("--from-bar, --meter and --tempo say how bars are found --anew; add it.")
    progress = TerminalProgress()
    song = wb.open_chart(args.chart, progress=progress)
    before, done = song.chart, ""

    def where(fault: BarFault) -> str:
        first, last = (song.chart.time_map.bar_number(k) for k in (fault.first_bar, fault.last_bar))
        return f"Bar {first}" if first == last else f"Bars {first} to {last}"

    if args.mend:
        faults = wb.bar_lines(song, progress=progress).faults
        if not faults:
            raise ChartError("Bar lines and hits agree; there is nothing to mend.")
        done = f"{where(faults[0])}: {faults[0].words}; mended: {faults[0].mends}."
        song.apply(faults[0].edit)
    elif args.anew or args.take is not None:
        wb.lay_bars(song, args.take, from_bar=args.from_bar, meter=args.meter, tempo_bpm=args.tempo, progress=progress)
    save_with_tables(song, before)
    look = wb.bar_lines(song, progress=progress)
    if args.take is not None and song.chart == before:
        done = f"The bars are already read as {args.take} says; nothing was changed."
    if args.json:
        told = {
            "done": done,
            "words": look.words,
            "probability": round(look.now.probability, 4),
            "readings": {
                k: facts(r, "tempo_bpm probability", meter=str(r.meter), words=look.told[k])
                for k, r in look.readings.items()
            },
            "disagreements": [{"bars": where(f), "words": f.words, "mends": f.mends} for f in look.faults],
        }
        print(json.dumps(told, indent=2))
    else:
        if done:
            print(done)
        print(f"{len(song.chart)} bars, {look.words}.")
        for k, reading in look.readings.items():
            print(f"  --take {k}: {look.told[k]} ({percent(reading)})")
        for n, fault in enumerate(look.faults):
            print(f"{where(fault)}: {fault.words}; {'--mend: ' if n == 0 else ''}{fault.mends}.")
    return 1 if look.faults else 0


def save_with_tables(song: ChartDocument, before: Chart) -> None:
    """Save a chart that was changed; its tables follow where they lie as it was before."""
    from workbench.files.annotations import renew_tables
    from workbench.files.chartfile import ENDING

    if song.unsaved:
        song.save()
        stem = str(song.path).removesuffix(ENDING)
        renew_tables(before, song.chart, Path(f"{stem}.hits.csv"), Path(f"{stem}.beats.csv"))
