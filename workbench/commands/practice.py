"""Make a practice pack of a chart: loops, tracks, a page that plays them, a booklet.

Exercises come from the reading of the chart: grooves in layers, variations,
fills in stages; or from bars you name.  With the recording that the chart lies
on, it is slowed down with its pitch kept and its drums down or brought
out.  Open index.html in a browser, offline; print booklet.pdf.

example:
  workbench practice song.chart.json --out practice
  workbench practice song.chart.json --sections A,Chorus --tempi 60,80,100 --click "2 and 4"
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

from workbench.commands.told import read_told
from workbench.facts import facts

if TYPE_CHECKING:
    from workbench.chart import Chart

NAME = "practice"
HELP = "make a practice pack of a chart"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench practice`` takes."""
    parser.add_argument("chart", type=Path, help="a .chart.json file, or a drum part as .musicxml, .mxl or .mid")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the pack (default: beside the chart)")
    parser.add_argument(
        "--recording", type=Path, metavar="FILE", help="the recording (default: where the chart says it is)"
    )
    parser.add_argument("--no-recording", action="store_true", help="kit and click only")
    parser.add_argument("--json", action="store_true", help="say what was made as JSON")
    what = parser.add_argument_group("what to practise")
    add = what.add_argument
    add("--kinds", type=_names, metavar="KINDS", help="comma-separated, from groove, variation, fill (default: all)")
    add("--sections", type=_names, metavar="NAMES", help="only these sections, by letter or name, as A,Chorus")
    add(
        "--bars",
        metavar="FROM-TO",
        help="these bars as one exercise, as 5-8; with --kinds or --sections: what lies in these bars",
    )
    add(
        "--instruments",
        type=_names,
        metavar="NAMES",
        help="these alone first where they play, as kick,snare; hi-hat, tom and cymbal name all of their kind "
        "(default: hands, then feet)",
    )
    add(
        "--tempi",
        metavar="PERCENT",
        help="per cent of the original tempo, from 25 to 200, as 60,80,100 (default: slow, medium and original by the "
        "part's density)",
    )
    add(
        "--more-steps",
        action="store_true",
        help="with easier versions of grooves and fills, and drills drawn from fills",
    )
    # Each sets the option of the pack (PackOptions) that its dest names; what is not given stays as it is there.
    sound = parser.add_argument_group("how it sounds", argument_default=argparse.SUPPRESS)
    add = sound.add_argument
    add(
        "--format",
        choices=("flac", "wav", "mp3"),
        help="of loops; flac and wav are exact to the sample (default: flac); long tracks are always mp3",
    )
    add("--click", choices=("quarter", "eighth", "off-beat", "2 and 4", "none"), help="default: quarter")
    add("--count-in", dest="count_in_bars", type=int, metavar="BARS", help="bars of count-in, 0 to 4 (default: 1)")
    add("--crash-every", type=int, metavar="BARS", help="a crash on 1 every so many bars marks the phrase")
    add(
        "--repeats", dest="track_repeats", type=int, metavar="N", help="rounds at each tempo of the tracks (default: 4)"
    )
    add("--ladder-step", dest="ladder_step_bpm", type=float, metavar="BPM", help="tracks climb in such steps")
    for name, level_db in (("kit", 0), ("click", -4), ("recording", 0)):
        add(f"--{name}-level", dest=f"{name}_db", type=float, metavar="DB", help=f"default: {level_db}")
        add(f"--{name}-pan", type=float, metavar="PAN", help="from -1 (left) to 1 (right)")
    add("--drums-down", dest="drums_down_db", type=float, metavar="DB", help="drums to play along to (default: -15)")
    add("--drums-up", dest="drums_up_db", type=float, metavar="DB", help="drums to listen to (default: 8)")
    add("--loudness", dest="loudness_lufs", type=float, metavar="LUFS", help="default: -16")
    add("--paper", choices=("A4", "Letter"), help="of the booklet (default: A4)")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench practice``; returns the exit status."""
    import workbench as wb
    from workbench.errors import WorkbenchError
    from workbench.practice.exercises import EXERCISE_KINDS, MOST_RUNS_NAMED, untaught_told
    from workbench.practice.pack import PackOptions, check_pack_folder
    from workbench.progress import TerminalProgress

    folder = args.out or args.chart.parent / f"{args.chart.name.split('.')[0]}-practice"
    check_pack_folder(folder)
    chart = read_told(args.chart, NAME).chart
    reading = wb.read_part(chart)
    exercises = wb.exercises(
        reading,
        kinds=args.kinds,
        sections=args.sections,
        bars=args.bars,
        tempi=_tempi(args.tempi) if args.tempi else None,
        instruments=args.instruments,
        more_steps=args.more_steps,
    )
    if not exercises:
        kinds = args.kinds or EXERCISE_KINDS
        doubtful_bars = untaught_told(reading, kinds=kinds, most_runs=MOST_RUNS_NAMED)
        raise WorkbenchError(_nothing(kinds, args.sections, args.bars, doubtful_bars))
    recording, remark = _recording_of(chart, args)
    options = {f.name: getattr(args, f.name) for f in fields(PackOptions) if hasattr(args, f.name)}
    pack = wb.practice_pack(
        reading, folder, exercises=exercises, recording=recording, progress=TerminalProgress(), **options
    )
    notes = [n for n in (remark, *pack.notes) if n]
    size_mb = sum(p.stat().st_size for p in pack.folder.rglob("*") if p.is_file()) / 1e6
    if args.json:
        names = [e.name for e in pack.exercises]
        said = facts(pack, "index booklet", exercises=names, files=pack.files, audio_s=pack.audio_s, notes=notes)
        print(json.dumps(said, indent=2))
        return 0
    print(f"{_many(len(pack.exercises), 'exercise')}, {_many(len(pack.files), 'sound file')}, {size_mb:.0f} MB:")
    print(f"  {pack.index}  plays everything, offline")
    print(f"  {pack.booklet}  to print")
    for note in notes:
        print(note)
    doubtful = sum(bool(e.warnings) for e in pack.exercises)
    if doubtful:
        print(
            f"{_many(doubtful, 'exercise')} with places to check first (three things for two hands, say): "
            "each tells them; correct the chart and make the pack again."
        )
    if size_mb > 100:
        smaller = "" if options.get("format") == "mp3" else "--format mp3, "
        print(f"For a smaller pack use {smaller}--kinds groove,fill, fewer --sections or --tempi.")
    return 0


def _many(count: int, thing: str) -> str:
    return f"{count} {thing}" + "s" * (count != 1)


def _nothing(kinds: Sequence[str], sections: Sequence[str] | None, bars: str | None, doubtful: Sequence[str]) -> str:
    """That a choice holds nothing, in a sentence, or what of the part is too doubtful to practise."""
    if doubtful:
        return " ".join(
            ("There is nothing to practise yet.", *doubtful, "Or name --bars to practise them as they are.")
        )
    of = " or ".join(filter(None, (", ".join(f"{k}s" for k in kinds[:-1]), f"{kinds[-1]}s")))
    where = [f"in section {' or '.join(sections)}"] if sections else []
    where += [f"in bars {bars}"] if bars else []
    return (
        f"There is nothing to practise: no {of} found {' '.join(where) or 'in this chart'}. Choose other --kinds, or "
        "name --bars alone to practise them as they are."
    )


def _names(text: str) -> tuple[str, ...]:
    return tuple(n.strip() for n in text.split(",") if n.strip())


def _tempi(text: str) -> list[float]:
    from workbench.errors import WorkbenchError

    try:
        return [float(t.strip().removesuffix("%")) / 100 for t in text.split(",") if t.strip()]
    except ValueError:
        raise WorkbenchError(f"Write tempi as per cent of the original, as 60,80,100, not {text!r}.") from None


def _recording_of(chart: Chart, args: argparse.Namespace) -> tuple[Path | None, str]:
    """The recording that was named, or else lies where the chart says; and a remark where there is none."""
    from workbench.files.chartfile import recording_file

    if args.no_recording:
        return None, "The recording was left out, as you wished."
    if args.recording is not None:
        return args.recording, ""
    if chart.recording is None:
        return None, "The chart names no recording; give one that it lies on with --recording."
    path = recording_file(chart, args.chart.parent)
    if path is not None:
        return path, ""
    return (
        None,
        f"The recording {args.chart.parent / chart.recording.path} is not there; say where it is with --recording.",
    )
