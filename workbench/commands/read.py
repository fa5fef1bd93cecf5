"""Read a drum chart as a teacher does: form, grooves, variations, fills, sticking, feel.

Prints the reading as Markdown, or writes NAME.reading.md and NAME.reading.json
into a folder with --out.  What is likelier wrong than right is left out, and the
page says of which bars; --all tells it.  Of bars that are played freely the page
tells only what is most telling; JSON tells every stroke.  --mark writes sections, grooves and fills into the
chart as marks that you can rename, confirm or remove; what you have confirmed
is never changed.  --sticking writes the proposed sticking under the notes.
Exit status 1 says that something in a part made elsewhere was not understood.

example:
  workbench read song.chart.json --audio song.flac --out reading
"""

from __future__ import annotations

import argparse
import json
import os
import shlex
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from workbench.commands.told import read_told

if TYPE_CHECKING:
    from workbench.chart.edits import CompositeEdit
    from workbench.reading.read import Reading
    from workbench.reading.versions import Versions

NAME = "read"
HELP = "read form, grooves, variations, fills and sticking out of a chart"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what ``workbench read`` takes."""
    parser.add_argument("chart", type=Path, help="a .chart.json file, or a drum part as .musicxml, .mxl or .mid")
    parser.add_argument(
        "--audio",
        type=Path,
        metavar="RECORDING",
        help="the recording: helps to find sections where the drums repeat themselves",
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--all", action="store_true", help="tell also what the draft is too unsure of to be believed")
    what.add_argument(
        "--against", type=Path, metavar="CHART", help="another version of the song: say bar by bar what changed in it"
    )
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="write NAME.reading.md and NAME.reading.json here instead of printing"
    )
    parser.add_argument("--mark", action="store_true", help="write sections, grooves and fills into the chart")
    parser.add_argument(
        "--cues", action="store_true", help='with --mark: also write "fill", "half-time" … above the staff'
    )
    parser.add_argument("--sticking", action="store_true", help="write the proposed sticking into the chart")
    parser.add_argument("--left-handed", action="store_true", help="sticking for a left-handed player")
    parser.add_argument("--open-handed", action="store_true", help="hi-hat with the hand on its side")
    parser.add_argument("--hand-to-hand", action="store_true", help="alternate the hands instead of leading with one")
    parser.add_argument("--shelf", type=Path, metavar="DIR", help="say which other songs of a shelf have its grooves")
    parser.add_argument("--json", action="store_true", help="print JSON instead of Markdown")


def run(args: argparse.Namespace) -> int:
    """Carry out ``workbench read``; returns the exit status."""
    import workbench as wb
    from workbench.errors import FileFormatError
    from workbench.files.chartfile import recording_file
    from workbench.files.safefile import check_folder, write_whole
    from workbench.listening.hearing import kept_dispute
    from workbench.progress import TerminalProgress
    from workbench.scorefiles import part_name

    writes = (args.mark or args.sticking) and not args.against
    if args.out:
        check_folder(args.out)
    if writes and args.chart.suffix.lower() != ".json":
        raise FileFormatError(
            f"{args.chart.name} can be read, but marks and sticking can be written only into a chart of the "
            "workbench (.chart.json), as workbench draft makes it."
        )
    read = read_told(args.chart, NAME)
    chart, problems = read.chart, read.problems
    result: Reading | Versions
    if args.against:
        other = read_told(args.against, NAME)
        result, problems = wb.compare(chart, other.chart), problems + other.problems
    else:
        result = reading = wb.read_part(
            chart,
            args.audio,
            handedness="left" if args.left_handed else "right",
            style="hand to hand" if args.hand_to_hand else "lead hand",
            open_handed=args.open_handed,
            shelf=args.shelf,
            progress=TerminalProgress(),
        )
        result = reading = replace(reading, dispute=kept_dispute(chart, args.chart.parent))
    if args.out:
        written = wb.report(result, args.out, part_name(args.chart))
        if args.all:
            write_whole(written[0], reading.to_markdown(everything=True).encode())
        print(*written, sep="\n")
    elif args.json:
        print(json.dumps(result.to_data(), indent=1))
    else:
        print(reading.to_markdown(everything=True) if args.all else result.to_markdown(), end="")
    if writes:
        _write_into_chart(args, reading)
    elif chart.recording and not args.audio and not args.against:
        there = recording_file(chart, args.chart.parent)
        named = f"--audio {shlex.quote(os.path.normpath(there))}" if there else "the recording (--audio)"
        print(f"The form is read from the drums alone; with {named} the band's repeats count too.", file=sys.stderr)
    return 1 if problems else 0


def _write_into_chart(args: argparse.Namespace, reading: Reading) -> None:
    """Write marks and sticking into the chart file, and say so (not among the JSON)."""
    from workbench.files.document import ChartDocument
    from workbench.reading.read import reading_to_edits
    from workbench.reading.sticking import sticking_edit

    with ChartDocument.open(args.chart) as document:
        said = []
        if args.mark:
            marking = reading_to_edits(reading, cues=args.cues)
            document.apply(marking)
            said.append(
                _marked(marking)
                + (
                    f"; read with {args.audio.name}"
                    if args.audio
                    else "; read from the chart alone (--audio hears the recording's form as well)"
                )
            )
        if args.sticking:
            document.apply(sticking_edit(document.chart, reading.sticking))
            said.append("the proposed sticking")
        document.save()
    print(f"Written into {args.chart}: {'; '.join(said)}.", file=sys.stderr)


def _marked(marking: CompositeEdit) -> str:
    """What an edit writes, counted."""
    from workbench.chart.edits import NameSection, SetMark, SetText

    counts = {
        "section": sum(isinstance(e, NameSection) for e in marking.edits),
        **{
            kind: sum(isinstance(e, SetMark) and e.mark.kind == kind for e in marking.edits)
            for kind in ("groove", "fill")
        },
        "cue": sum(isinstance(e, SetText) for e in marking.edits),
    }
    return ", ".join(f"{n} {what}{'s' * (n != 1)}" for what, n in counts.items() if n) or "nothing new"
