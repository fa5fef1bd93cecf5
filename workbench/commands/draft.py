"""Draft the drum chart of a recording: bars, hits and their written places.

Writes NAME.chart.json (the chart, for correcting and printing), NAME.hits.csv
(time_s, bar, position, instrument, velocity, confidence) and NAME.beats.csv
(time_s, bar, beat) into a folder, by default beside the recording.  A chart that
exists there is kept unless --overwrite is given.

Where bars can be read in more than one way, the next best readings are named:
"workbench bars" takes one later, --meter, --tempo, --one and --bar-lines at once.

examples:
  workbench draft song.flac --out charts
  workbench draft song.flac --meter 3/4 --tempo 100-120 --one 12.34
"""

from __future__ import annotations

import argparse
import json
import shlex
from collections import Counter
from pathlib import Path

from workbench.chart import Chart
from workbench.facts import facts

NAME = "draft"
HELP = "draft the chart of a recording"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench draft`` takes."""
    parser.add_argument("recording", type=Path, help="WAV, FLAC, OGG, MP3, AIFF (others with ffmpeg)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the files (default: beside the recording)")
    parser.add_argument("--title", help="title of the song (default: the recording's name)")
    parser.add_argument("--artist", help="who plays it")
    parser.add_argument("--meter", help="the song's meter, such as 3/4")
    parser.add_argument("--tempo", type=tempo, metavar="BPM", help="counted beats a minute: 110, or 100-120")
    parser.add_argument("--one", type=float, action="append", default=[], metavar="S", help="a bar begins here (s)")
    parser.add_argument(
        "--bar-lines", type=Path, metavar="FILE", help="bars begin here: a text, seconds first in each line"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace a chart of the same name and the edits in it")
    parser.add_argument("--json", action="store_true", help="say what was drafted as JSON")


def tempo(text: str) -> float | tuple[float, float]:
    """``110`` or ``100-120``."""
    low, dash, high = text.partition("-")
    return (float(low), float(high)) if dash else float(low)


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench draft``; returns the exit status."""
    import workbench as wb
    from workbench.chart.counting import capital, length_words
    from workbench.errors import FileFormatError
    from workbench.files.annotations import read_labels
    from workbench.files.safefile import check_folder
    from workbench.listening.draft import draft_files, write_draft
    from workbench.listening.hearing import look_at_bars
    from workbench.notation.scoresigns import tempo_marks
    from workbench.progress import TerminalProgress
    from workbench.reading.doubts import doubtful_hits

    folder = args.out or args.recording.parent
    check_folder(folder)
    planned = draft_files(args.recording, folder)
    if planned.chart.exists() and not args.overwrite:
        raise FileFormatError(
            f"{planned.chart} exists and may hold your edits; choose another folder "
            "with --out, or replace it with --overwrite."
        )
    draft = wb.draft(
        args.recording,
        title=args.title,
        artist=args.artist or "",
        meter=args.meter,
        tempo_bpm=args.tempo,
        bar_lines_s=[*args.one, *(t for t, _ in (read_labels(args.bar_lines) if args.bar_lines else ()))],
        progress=TerminalProgress(),
    )
    chart = draft.chart
    bars = look_at_bars(chart, draft.readings)
    files = write_draft(draft, folder, overwrite=args.overwrite)
    # That of most bars first.
    meters = [m for m, _ in Counter(str(bar.meter) for bar in chart.time_map.bars).most_common()]
    tempo_bpm = tempo_marks(chart)[0].tempo_bpm
    told = facts(
        files,
        "chart hits beats",
        bars=len(chart),
        meters=meters,
        tempo_bpm=tempo_bpm,
        probability=bars.now.probability,
        set_bars=[chart.time_map.bar_number(k) for k in bars.set_bars],
        readings=[facts(r, "tempo_bpm probability", meter=str(r.meter)) for r in draft.readings],
        feel=chart.feel,
        notes=sum(len(bar.notes) for bar in chart.bars),
        doubtful=doubtful_hits(chart),
    )
    if args.json:
        print(json.dumps(told, indent=2))
    else:
        chart_file = shlex.quote(str(files.chart))
        print(
            f"{capital(length_words(chart.time_map, range(len(chart))))} of {', '.join(meters)} at about "
            f"{tempo_bpm:.0f} beats a minute, {chart.feel}, {told['notes']} hits:"
        )
        for path in (files.chart, files.hits, files.beats):
            print(f"  {path}")
        another = f"; workbench bars {chart_file} takes another" if bars.readings else ""
        print(f"Bars{' in doubt' * (bars.now.probability < 0.5)}: {bars.words}{another}.")
        for line in doubts(chart, chart_file):
            print(line)
        print(f"Hear and correct it: workbench lab {chart_file}")
    return 0


def doubts(chart: Chart, chart_file: str) -> list[str]:
    """How much of a draft is doubtful, in sentences: in all, and of what is mostly so."""
    from workbench.reading.doubts import MOSTLY_SURE, counted, doubted_as_a_whole, doubtful_hits, mostly_doubtful
    from workbench.reading.questions import doubts_of, questions

    count, total = doubtful_hits(chart).total(), sum(len(bar.notes) for bar in chart.bars)
    if not total:
        return ["No drums were heard in this recording: every bar is empty. Is it the right file?"]
    if not count:
        return []
    doubts = doubts_of(chart)
    missing, asked = sum(d.hit is not None for d in doubts), len(questions(chart, doubts))
    more = f", {missing} more may have been played, {asked} question{'s' * (asked > 1)} in all" if missing else ""
    out = [
        f"{count} of {total} hits {'is' if count == 1 else 'are'} doubtful{more}; in the grid, n steps to the next, "
        "k keeps it, x takes it out."
    ]
    if whole := doubted_as_a_whole(chart):
        out.append(
            f"In doubt as a whole: {counted(whole)}; workbench drums {chart_file} tells where to hear each, and "
            "renames it in one step, with --by-sound each of its sounds."
        )
    if mostly := mostly_doubtful(chart, but=whole):
        out.append(f"Mostly less than {MOSTLY_SURE} sure: {counted(mostly)}.")
    return out
