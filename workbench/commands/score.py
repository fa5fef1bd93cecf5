"""Write the finished score of a chart, or an excerpt: PDF, MusicXML, MIDI, SVG, PNG.

Also engraves a MusicXML or MIDI drum part made elsewhere.  Exit status 1 says
that the files were written but something in such a part was not understood; it
is named.

example:
  workbench score song.chart.json --to pdf,musicxml,midi
  workbench score song.chart.json --bars 5-8 --to svg,png
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace

from workbench.commands.told import read_told
from workbench.notation.scoresigns import FILLS_SHOWN

NAME = "score"
HELP = "chart → finished score (PDF, MusicXML, MIDI, SVG, PNG), or an excerpt"

FORMATS = ("pdf", "musicxml", "mxl", "midi", "svg", "png", "mei", "kit")
USUAL_FORMATS = "pdf,musicxml,midi"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench score`` takes."""
    parser.add_argument("chart", help="a .chart.json file, or a drum part as .musicxml, .mxl or .mid")
    parser.add_argument(
        "--to",
        action="append",
        metavar="FORMATS",
        help=f"comma-separated or one by one, from {', '.join(FORMATS)} (default: {USUAL_FORMATS})",
    )
    parser.add_argument("--out", metavar="DIR", help="folder for the files (default: beside the chart)")
    parser.add_argument("--title", help="title to print, in place of the chart's")
    parser.add_argument("--artist", help="artist to print, in place of the chart's")
    parser.add_argument("--bars", metavar="FROM-TO", help="only these bars, as 5-8 or 5")
    parser.add_argument("--loop", action="store_true", help="repeat signs around the bars of --bars")
    parser.add_argument("--paper", choices=("A4", "Letter"), help="default: A4")
    parser.add_argument("--pages", type=int, metavar="N", help="at most so many pages, the staff as small as need be")
    parser.add_argument("--printed-numbers", action="store_true", help="bars numbered as printed, repeats once")
    parser.add_argument("--line-breaks", metavar="BARS", default="", help="bars that begin a line, as 9,17")
    parser.add_argument("--page-breaks", metavar="BARS", default="", help="bars that begin a page")
    parser.add_argument(
        "--style", metavar="FILE", help="house style, a JSON file: paper, staff_mm, line_weight, hats …"
    )
    parser.add_argument("--road-map", action="store_true", help="also write the form on one page")
    parser.add_argument("--one-voice", action="store_true", help="hands and feet on one stem")
    parser.add_argument("--no-repeats", action="store_true", help="every bar written out, in MusicXML too")
    parser.add_argument("--slashes", metavar="BARS", default="", help="bars shown as 'play time', as 9-16,25")
    parser.add_argument("--counts", action="store_true", help="count syllables under the notes")
    parser.add_argument("--no-sticking", action="store_true", help="leave sticking letters out")
    parser.add_argument(
        "--fills",
        choices=FILLS_SHOWN,
        help="fills marked over the staff: those you have confirmed, proposed ones too, or none (default: confirmed)",
    )
    parser.add_argument(
        "--doubts",
        action="store_true",
        help="a ? by each stroke of which the draft is not sure, on pages and in MusicXML; every bar written out",
    )
    parser.add_argument("--no-key", action="store_true", help="leave the drum key out")
    parser.add_argument("--quantised-midi", action="store_true", help="MIDI without the played feel")
    parser.add_argument("--swing-as-triplets", action="store_true", help="triplets instead of a swing mark")
    parser.add_argument("--no-form", action="store_true", help="do not read the form of a chart that names no sections")
    parser.add_argument("--part", metavar="NAME", default="", help="of a score of several drum parts: the one to read")
    parser.add_argument(
        "--kit-map", metavar="FILE", help="names, places, heads and MIDI keys of the kit (see --to kit)"
    )
    parser.add_argument(
        "--as-written", action="store_true", help="each bar of a score once, with its repeats, endings and jumps"
    )
    parser.add_argument("--recording", metavar="FILE", help="lay the bars where this recording plays them")
    parser.add_argument("--finest", type=int, choices=(8, 16, 32), help="shortest notes of a MIDI performance")
    parser.add_argument("--json", action="store_true", help="print the paths of the files as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench score``; returns the exit status."""
    from workbench.chart import is_doubtful
    from workbench.chart.excerpts import read_bar_numbers, read_bar_span
    from workbench.engraving.engrave import PART
    from workbench.engraving.pages import PLAIN
    from workbench.files.imports import ImportOptions
    from workbench.files.kitmap import read_kit_map
    from workbench.files.safefile import check_folder
    from workbench.notation.swing import write_out_swing
    from workbench.progress import TerminalProgress
    from workbench.scorefiles import read_house_style, write_scores

    if args.out is not None:
        check_folder(args.out)
    kit_map = read_kit_map(args.kit_map) if args.kit_map else ()
    imported = read_told(args.chart, NAME, ImportOptions(args.part, kit_map, args.as_written, args.finest))
    chart = imported.chart
    if args.recording:
        from workbench.alignment.alignedchart import lay_on_recording
        from workbench.chart.counting import percent_said

        chart, agreement = lay_on_recording(chart, args.recording, TerminalProgress())
        said = f"laid on the recording, {len(chart)} bars; part and recording agree by {percent_said(agreement)}."
        print(f"workbench {NAME}: {said}", file=sys.stderr)
    chart = write_out_swing(chart) if args.swing_as_triplets else chart
    chart = replace(
        chart,
        title=chart.title if args.title is None else args.title,
        artist=chart.artist if args.artist is None else args.artist,
    )
    bars = read_bar_span(chart, args.bars) if args.bars else None
    slashes = [
        k
        for piece in args.slashes.split(",")
        if piece.strip()
        for first, last in [read_bar_span(chart, piece)]
        for k in range(first, last + 1)
    ]
    house, page = read_house_style(args.style) if args.style else (PART, PLAIN)
    # A repeat or simile would hide the doubts of the bars that it stands for.
    doubts = args.doubts or house.doubts
    written_out = args.no_repeats or bars or doubts
    options = replace(
        house,
        one_voice=args.one_voice or house.one_voice,
        doubts=doubts,
        repeats=house.repeats and not written_out,
        similes=house.similes and not written_out,
        multirests=house.multirests and not (args.no_repeats or bars),
        numbers="printed" if args.printed_numbers else house.numbers,
        slashes=tuple(slashes),
        line_breaks=house.line_breaks + read_bar_numbers(chart, args.line_breaks),
        page_breaks=house.page_breaks + read_bar_numbers(chart, args.page_breaks),
        sticking=house.sticking and not args.no_sticking,
        counts=args.counts or house.counts,
        fills=args.fills or house.fills,
    )
    formats = [f.strip().lower() for f in ",".join(args.to or [USUAL_FORMATS]).split(",") if f.strip()]
    written = write_scores(
        chart,
        args.chart,
        formats,
        folder=args.out,
        bars=bars,
        options=options,
        style=replace(
            page, paper=args.paper or page.paper, legend=page.legend and not args.no_key, pages=args.pages or page.pages
        ),
        played=not args.quantised_midi,
        road_map=args.road_map,
        folded=not args.no_repeats,
        read_form=not args.no_form,
        loop=args.loop,
        progress=TerminalProgress(),
    )
    first, last = bars or (0, len(chart) - 1)
    notes = [n for k, n in chart.notes() if first <= k <= last]
    doubtful = sum(is_doubtful(n, chart.doubt_below) for n in notes)
    if args.json:
        told = {"files": [str(p) for p in written], "problems": list(imported.problems), "doubtful": doubtful}
        print(json.dumps(told))
    else:
        for path in written:
            print(path)
    if doubtful:
        marked = "marked ?" if doubts else "printed like the others (--doubts marks them)"
        print(
            f"workbench {NAME}: the draft is not sure of {doubtful} of its {len(notes)} notes, {marked}; "
            "check them in the grid, then confirm their bars there or with workbench confirm.",
            file=sys.stderr,
        )
    if imported.problems:
        print("workbench score: the score is written; look at what was not understood, above.", file=sys.stderr)
    return 1 if imported.problems else 0
