"""Make a lesson of a chart: what to learn in which order and why, in one HTML file to hand over.

The page works offline, on a phone too: it plays every step at any tempo, counts in, climbs a ladder of tempi and
remembers what is ticked off; where the recording is known it plays that too.  Printed, it is the lesson sheet.

examples:
  workbench lesson song.chart.json --student "Ana" --out lessons
  workbench lesson song.chart.json --items 1-5
"""

from __future__ import annotations

import argparse
import json
import re
from dataclasses import replace
from pathlib import Path

NAME = "lesson"
HELP = "plan a lesson, and write it as one page to hand over"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench lesson`` takes."""
    parser.add_argument("chart", type=Path, help="a .chart.json file, or a drum part as .musicxml, .mxl or .mid")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the page (default: beside the chart)")
    for name in ("student", "date", "teacher"):
        parser.add_argument(f"--{name}", default="", metavar="TEXT", help=f"printed on the sheet: {name}")
    parser.add_argument("--language", default="en", help="of the page: en, de or es (default: en)")
    parser.add_argument(
        "--counts",
        metavar="HOW",
        help='count syllables: "1 e & a", "1 e + a", "1 e y a", "1 ta te ta" (default: the language\'s)',
    )
    parser.add_argument(
        "--recording", type=Path, metavar="FILE", help="the recording (default: where the chart says it is)"
    )
    parser.add_argument("--no-recording", action="store_true", help="the page plays the kit only")
    parser.add_argument(
        "--items",
        metavar="ITEMS",
        help="only these items, in this order, as 1-5 or 1,2,9: one session of a long lesson",
    )
    parser.add_argument(
        "--film",
        nargs="?",
        const="",
        metavar="ITEMS",
        help="also a film to watch (WebM), of all items or some, as 2,5; needs PyAV (the extra 'film')",
    )
    parser.add_argument("--shelf", type=Path, metavar="DIR", help="say which other songs of a shelf have its grooves")
    parser.add_argument("--json", action="store_true", help="print the plan as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench lesson``; returns the exit status."""
    import workbench as wb
    from workbench.practice.lesson import lesson_lines
    from workbench.progress import TerminalProgress
    from workbench.scorefiles import part_name

    film_items = _numbers(args.film) if args.film else None
    heading = {name: getattr(args, name) for name in ("student", "date", "teacher", "language", "counts")}
    lesson = wb.lesson(args.chart, recording=args.recording, shelf=args.shelf, **heading)
    if args.no_recording:
        lesson = replace(lesson, recording=None)
    name = part_name(args.chart)
    if args.items:
        lesson, name = lesson.of(_numbers(args.items)), f"{name} {args.items}"
    (page,) = wb.report(lesson, args.out or args.chart.parent, name, progress=TerminalProgress())
    film = None
    if args.film is not None:
        film = wb.film(lesson, page.with_suffix(".webm"), items=film_items, progress=TerminalProgress())
    if args.json:
        print(json.dumps({**lesson.to_data(), "page": str(page), "film": film and str(film)}, indent=1))
        return 0
    for line in lesson_lines(lesson):
        print(line)
    if len(lesson.sessions) > 1 and not args.items:
        first, last = lesson.sessions[0]
        print(f"--items {first}-{last} writes the page of the first session alone.")
    if lesson.recording is None and lesson.chart.recording is not None and not args.no_recording:
        print(
            f"The recording {lesson.chart.recording.path} is not where the chart says, so the page plays the kit only; "
            "say where it is with --recording."
        )
    for note in lesson.notes:
        print(note)
    print(f"  {page}  plays and prints everything, offline")
    if film is not None:
        print(f"  {film}  to watch")
    return 0


def _numbers(text: str) -> list[int]:
    """``2,5`` or ``1-5,9``."""
    from workbench.errors import WorkbenchError

    found: list[int] = []
    for piece in text.split(","):
        said = re.fullmatch(r"\s*(\d{1,4})(?:\s*[-–]\s*(\d{1,4}))?\s*", piece)
        numbers = range(int(said[1]), int(said[2] or said[1]) + 1) if said else ()
        if not numbers:
            raise WorkbenchError(f"Write items as numbers, as 2,5 or 1-5, not {text!r:.40}.")
        found += numbers
    return found
