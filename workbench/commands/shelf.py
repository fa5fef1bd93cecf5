"""Chart a whole folder of songs: draft, check, score, read or pack each, and list them all in a catalogue.

Songs that are done are skipped, unless the recording, the chart or the workbench has
changed; work that broke off starts again, and nothing you have edited is overwritten.
Several songs are worked on at once, on this machine or, with --scheduler, on a Dask cluster.

Writes catalogue.html (one page to sort and search), catalogue.csv and, where pyarrow is
installed, catalogue.parquet beside the charts.  --find searches it: words from title, form
or grooves (shuffle finds swing, too), numbers (difficulty goes from 1, easy, to 5, very
hard), and hits by where they fall, ghost notes and flams among them.
Exit status 1: something could not be done, and which song it was is said.

examples:
  workbench shelf songs --do draft,score,read
  workbench shelf songs --do "" --find 'shuffle tempo<100 "open hi-hat on the & of 4"'
  workbench shelf songs --do "" --find 'flams difficulty<=2 "ghost note on the e of 2"'
  workbench shelf songs --scheduler tcp://192.168.0.4:8786
"""

from __future__ import annotations

import argparse
import json
import sys
import warnings
from pathlib import Path

NAME = "shelf"
HELP = "chart a whole folder of songs, and list them in a catalogue"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench shelf`` takes."""
    parser.add_argument("folder", type=Path, help="folder of recordings and charts, with its subfolders")
    parser.add_argument(
        "--do",
        default="draft",
        metavar="STEPS",
        help='what to make of each song: draft, check, score, read, practice, lesson, parted by commas; "" only lists '
        "(default: draft)",
    )
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for charts and catalogue (default: the same)")
    parser.add_argument("--find", metavar="QUESTION", help="print the songs that match, such as shuffle tempo<100")
    parser.add_argument("--workers", type=int, metavar="N", help="songs worked on at once (default: one a core)")
    parser.add_argument("--memory", type=float, metavar="GIB", help="most memory for each (default: its share)")
    parser.add_argument("--scheduler", metavar="ADDRESS", help="address of a Dask scheduler whose workers do the work")
    parser.add_argument("--json", action="store_true", help="print the catalogue, or what was found, as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench shelf``; returns the exit status."""
    import workbench as wb
    from workbench.files.safefile import check_folder
    from workbench.progress import TerminalProgress

    if args.out is not None:
        check_folder(args.out)
    shelf = wb.shelf(
        args.folder,
        [step for step in map(str.strip, args.do.split(",")) if step],
        out=args.out,
        workers=args.workers,
        memory_gib=args.memory,
        scheduler=args.scheduler,
        progress=TerminalProgress(),
    )
    for sentences in shelf.failures.values():
        for sentence in sentences:
            print(f"workbench shelf: {sentence}", file=sys.stderr)
    with warnings.catch_warnings(record=True, action="always") as hints:
        songs = shelf.songs if args.find is None else shelf.find(args.find)
    for hint in hints:
        print(f"workbench shelf: {hint.message}", file=sys.stderr)
    if args.json:
        print(json.dumps(json.loads(songs.to_json(orient="records")), indent=1))
    elif args.find is not None:
        for song in songs.itertuples():
            tempo = "" if song.length_s != song.length_s else f", {song.meters} at {song.tempo_bpm}"
            print(f"{song.song}{tempo}  {song.chart or song.recording}")
        print(f"{len(songs)} of {len(shelf.songs)} songs")
    else:
        failed = len(shelf.failures)
        print(
            f"{len(songs)} song{'s' * (len(songs) != 1)}, {len(shelf.worked)} worked on just now"
            + (f"; trouble with {failed}, told above" if failed else "")
            + ". The catalogue:"
        )
        for path in shelf.files:
            print(f"  {path}")
        for note in shelf.notes:
            print(note)
    return 1 if shelf.failures else 0
