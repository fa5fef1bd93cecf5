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
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from workbench.chart import Chart

NAME = "practice"
HELP = "make a practice pack of a chart"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench practice`` takes."""
    parser.add_argument("chart", type=Path, help="a .chart.json file, or a drum part as .musicxml, .mxl or .mid")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the pack (default: beside the chart)")
    what = parser.add_argument_group("what to practise")
    what.add_argument(
        "--kinds",
        default="groove,variation,fill",
        metavar="KINDS",
        help="comma-separated, from groove, variation, fill (default: all)",
    )
    what.add_argument("--sections", metavar="NAMES", help="only these sections, by letter or name, as A,Chorus")
    what.add_argument("--bars", metavar="FROM-TO", help="only these bars as one exercise, as 5-8")
    what.add_argument(
        "--instruments",
        metavar="NAMES",
        help="these alone first where they play, as kick,snare; hi-hat, tom and cymbal name "
        "all of their kind (default: hands, then feet)",
    )
    what.add_argument(
        "--tempi",
        metavar="PERCENT",
        help="per cent of the original tempo, from 25 to 200, as "
        "60,80,100 (default: slow, medium and original by the part's density)",
    )
    sound = parser.add_argument_group("how it sounds")
    sound.add_argument(
        "--recording", type=Path, metavar="FILE", help="the recording (default: where the chart says it is)"
    )
    sound.add_argument("--no-recording", action="store_true", help="kit and click only")
    sound.add_argument(
        "--format",
        choices=("flac", "wav", "mp3"),
        default="flac",
        help="of loops; flac and wav are exact to the sample (default: flac); the long "
        "tracks through the tempi are always mp3",
    )
    sound.add_argument("--click", default="quarter", choices=("quarter", "eighth", "off-beat", "2 and 4", "none"))
    sound.add_argument("--count-in", type=int, default=1, metavar="BARS", help="bars of count-in, 0 to 4 (default: 1)")
    sound.add_argument(
        "--crash-every", type=int, default=0, metavar="BARS", help="a crash on 1 every so many bars marks the phrase"
    )
    sound.add_argument(
        "--repeats",
        type=int,
        default=4,
        metavar="N",
        help="rounds at each tempo of the practice tracks; 0: no tracks (default: 4)",
    )
    sound.add_argument(
        "--ladder-step", type=float, default=0.0, metavar="BPM", help="tracks climb from slow to original in such steps"
    )
    for name, level_db in (("kit", 0.0), ("click", -4.0), ("recording", 0.0)):
        sound.add_argument(f"--{name}-level", type=float, default=level_db, metavar="DB", help=f"default: {level_db:g}")
        sound.add_argument(f"--{name}-pan", type=float, default=0.0, metavar="PAN", help="from -1 (left) to 1 (right)")
    sound.add_argument(
        "--drums-down",
        type=float,
        default=-15.0,
        metavar="DB",
        help="drums of the recording for playing along (default: -15)",
    )
    sound.add_argument(
        "--drums-up", type=float, default=8.0, metavar="DB", help="drums of the recording for listening (default: 8)"
    )
    sound.add_argument("--loudness", type=float, default=-16.0, metavar="LUFS", help="default: -16")
    parser.add_argument("--paper", choices=("A4", "Letter"), default="A4")
    parser.add_argument("--json", action="store_true", help="say what was made as JSON")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench practice``; returns the exit status."""
    import workbench as wb
    from workbench.errors import WorkbenchError
    from workbench.practice.pack import check_pack_folder
    from workbench.progress import TerminalProgress
    from workbench.scorefiles import read_any_chart

    folder = args.out or args.chart.parent / f"{args.chart.name.split('.')[0]}-practice"
    check_pack_folder(folder)
    imported = read_any_chart(args.chart)
    chart = imported.chart
    for problem in imported.problems:
        print(f"workbench practice: {problem}", file=sys.stderr)
    tempi = _tempi(args.tempi) if args.tempi else None
    instruments = _names(args.instruments) if args.instruments else None
    reading = wb.read_part(chart)
    kinds, sections = _names(args.kinds), _names(args.sections) if args.sections else None
    exercises = wb.exercises(
        reading, kinds=kinds, sections=sections, bars=args.bars, tempi=tempi, instruments=instruments
    )
    if not exercises:
        raise WorkbenchError(_nothing(kinds, sections))
    recording, remark = _recording_of(chart, args)
    pack = wb.practice_pack(
        reading,
        folder,
        exercises=exercises,
        recording=recording,
        progress=TerminalProgress(),
        format=args.format,
        click=args.click,
        count_in_bars=args.count_in,
        crash_every=args.crash_every,
        track_repeats=args.repeats,
        ladder_step_bpm=args.ladder_step,
        kit_db=args.kit_level,
        click_db=args.click_level,
        recording_db=args.recording_level,
        kit_pan=args.kit_pan,
        click_pan=args.click_pan,
        recording_pan=args.recording_pan,
        drums_down_db=args.drums_down,
        drums_up_db=args.drums_up,
        loudness_lufs=args.loudness,
        paper=args.paper,
    )
    size_mb = sum(p.stat().st_size for p in pack.folder.rglob("*") if p.is_file()) / 1e6
    if args.json:
        print(
            json.dumps(
                {
                    "index": str(pack.index),
                    "booklet": str(pack.booklet),
                    "exercises": [e.name for e in pack.exercises],
                    "files": [str(p) for p in pack.files],
                    "audio_s": round(pack.audio_s, 1),
                    "notes": [n for n in (remark, *pack.notes) if n],
                },
                indent=2,
            )
        )
        return 0
    print(f"{_many(len(pack.exercises), 'exercise')}, {_many(len(pack.files), 'sound file')}, {size_mb:.0f} MB:")
    print(f"  {pack.index}  plays everything, offline")
    print(f"  {pack.booklet}  to print")
    for note in filter(None, (remark, *pack.notes)):
        print(note)
    doubtful = sum(bool(e.warnings) for e in pack.exercises)
    if doubtful:
        print(
            f"{_many(doubtful, 'exercise')} with places to check first (three things for two hands, say): "
            "each tells them; correct the chart and make the pack again."
        )
    if size_mb > 100:
        smaller = "" if args.format == "mp3" else "--format mp3, "
        print(f"For a smaller pack use {smaller}--kinds groove,fill, fewer --sections or --tempi.")
    return 0


def _many(count: int, thing: str) -> str:
    return f"{count} {thing}" + "s" * (count != 1)


def _nothing(kinds: Sequence[str], sections: Sequence[str] | None) -> str:
    """That a choice holds nothing, in a sentence."""
    of = " or ".join(filter(None, (", ".join(f"{k}s" for k in kinds[:-1]), f"{kinds[-1]}s")))
    where = f"in section {' or '.join(sections)}" if sections else "in this chart"
    return f"There is nothing to practise: no {of} found {where}. Choose other --kinds, or name --bars."


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
