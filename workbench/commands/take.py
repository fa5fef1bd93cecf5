"""What was played of a chart in a take, and how.

Strokes missed and added, early and late, rushing and dragging, dynamics and
consistency, against the click or against the player's own tempo.  Writes
NAME.take.html, NAME.take.pdf (one page) and NAME.take.json into a folder, by
default beside the recording.  With --diary the take is kept in a student's
folder, whose page shows what grows from take to take.

example:
  workbench take song.chart.json monday.wav --click 96 --click-start 2.5
  workbench take song.chart.json fill.wav --bars 28-29
  workbench take song.chart.json kit.mid --diary ana
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from workbench.commands.told import check_order, read_told

NAME = "take"
HELP = "what was played of a chart, and how"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench take`` takes."""
    parser.add_argument("chart", type=Path, help="a .chart.json, .musicxml, .mxl or .mid file")
    parser.add_argument("recording", type=Path, help="WAV, FLAC, OGG, MP3, AIFF, or an electronic kit's MIDI file")
    parser.add_argument(
        "--click", type=float, metavar="BPM", help="the take was played to a click of so many beats a minute"
    )
    parser.add_argument(
        "--click-start", type=float, metavar="SECONDS", help="time of one click in the recording, if known"
    )
    parser.add_argument(
        "--bars", metavar="FROM-TO", help="the take plays only these bars, once or round and round, as 5-8 or 5"
    )
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the report (default: beside the recording)")
    parser.add_argument(
        "--diary", type=Path, metavar="DIR", help="keep the take in a student's folder; its page shows progress"
    )
    parser.add_argument("--date", metavar="YYYY-MM-DD", help="when the take was played, for the diary (default: today)")
    parser.add_argument("--json", action="store_true", help="print all figures as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench take``; returns the exit status."""
    import workbench as wb
    from workbench.files.safefile import check_folder
    from workbench.progress import TerminalProgress

    folder = args.out or args.recording.parent
    check_folder(folder)
    check_order(args.chart, args.recording)
    chart = read_told(args.chart, NAME).chart
    take = wb.take(
        chart,
        args.recording,
        click_bpm=args.click,
        click_start_s=args.click_start,
        bars=args.bars,
        progress=TerminalProgress(),
    )
    written = wb.report(take, folder)
    if args.diary:
        written.append(wb.keep_take(take, args.diary, date=args.date).page)
    if args.json:
        print(json.dumps(take.to_data(), indent=1))
    else:
        for text in (*take.warnings, *take.strengths, *take.advice):
            print(text)
        for path in written:
            print(f"  {path}")
    return 0
