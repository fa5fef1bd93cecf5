"""Check a draft against the recording: what is missing, extra, wrong or misplaced.

The chart (.chart.json), MusicXML or MIDI file may be made by anyone.  It is
lined up with the recording; where the two differ is listed, worst first.  (A
draft of the workbench's own looks nearly clean: the same ear made both.)
Writes NAME.check.html (plays every bar), NAME.check.pdf and NAME.check.json
into a folder, by default beside the draft.  Exit status 1 says that
there is something to correct, or that the two hardly agree.

example:
  workbench check song.chart.json song.flac --out checked
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from workbench.commands.told import check_order

NAME = "check"
HELP = "check a draft against its recording"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench check`` takes."""
    parser.add_argument("draft", type=Path, help="a .chart.json, .musicxml, .mxl or .mid file")
    parser.add_argument("recording", type=Path, help="WAV, FLAC, OGG, MP3, AIFF (others with ffmpeg)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the report (default: beside the draft)")
    parser.add_argument("--json", action="store_true", help="print the whole check as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench check``; returns the exit status."""
    import workbench as wb
    from workbench.checking.check import LEAST_AGREEMENT
    from workbench.checking.check_report import short_lines, summary_of
    from workbench.files.safefile import check_folder
    from workbench.progress import TerminalProgress

    folder = args.out or args.draft.parent
    check_folder(folder)
    check_order(args.draft, args.recording)
    check = wb.check(args.draft, args.recording, progress=TerminalProgress())
    written = wb.report(check, folder)
    if args.json:
        print(json.dumps(check.to_data(), indent=1))
    else:
        for text in (*check.first, summary_of(check), *check.remarks):
            print(text)
        for text in short_lines(check):
            print(f"  {text}")
        for path in written:
            print(f"  {path}")
    doubtful = check.alignment.agreement < LEAST_AGREEMENT  # then all findings are for listening
    return 1 if doubtful or check.first or any(f.verdict == "wrong" for f in check.findings) else 0
