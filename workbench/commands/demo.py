"""Do the main job on the demo recording: from audio to a finished score.

Drafts the invented song that comes with the workbench, and leaves
its chart, hits, beats, score (MusicXML, MIDI, PDF) and reading in a folder.
What an earlier run left there is replaced.

example:
  workbench demo --out out/demo
"""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

NAME = "demo"
HELP = "draft, score and read the demo song"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench demo`` takes."""
    parser.add_argument(
        "--out", type=Path, default=Path("out/demo"), metavar="DIR", help="folder for the files (default: out/demo)"
    )
    parser.add_argument("--practice", action="store_true", help="make the practice pack as well (a minute)")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench demo``; returns the exit status."""
    import workbench as wb
    from workbench.files.safefile import check_folder
    from workbench.listening.draft import write_draft
    from workbench.progress import TerminalProgress, part

    check_folder(args.out)
    progress = TerminalProgress()
    recording, song = wb.demo_song(), wb.read_chart(wb.demo_song(what="chart"))
    draft = wb.draft(recording, title=song.title, artist=song.artist, progress=part(progress, 0.0, 0.7))
    files = write_draft(draft, args.out, overwrite=True)
    scores = wb.export(files.chart, progress=part(progress, 0.7, 0.95))
    progress(0.95, "Reading the part")
    reading = wb.report(wb.read_part(draft.chart), args.out, recording.stem)
    progress(1.0, "Done")
    print(f"The demo song ({song.title}, by {song.artist}, both invented) is drafted; look at")
    for path in (files.chart, files.hits, files.beats, *scores, reading[0]):
        kind = path.name.removeprefix(f"{recording.stem}.")
        print(f"  {path}  {_WHAT[kind]}")
    if args.practice:
        pack = wb.practice_pack(files.chart, args.out / "practice", progress=progress)
        print(f"  {pack.index}  the practice pack")
    print(f"It is a draft: listen and correct before you trust it, with workbench lab {shlex.quote(str(files.chart))}")
    return 0


_WHAT = {
    "chart.json": "the chart, to correct in the grid",
    "hits.csv": "every hit",
    "beats.csv": "every beat",
    "musicxml": "the score, for notation programs",
    "mid": "the score as MIDI",
    "pdf": "the score, to print",
    "reading.md": "what the part does, in words",
}
