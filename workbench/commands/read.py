"""Read a drum chart as a teacher does: form, grooves, variations, fills, sticking, feel.

Prints the reading as Markdown, or writes NAME.reading.md and NAME.reading.json
into a folder with --out.  Of bars that are played freely the page tells only
what is most telling; JSON tells every stroke.  --mark writes sections, grooves and fills into the
chart as marks that you can rename, confirm or remove; what you have confirmed
is never changed.  --sticking writes the proposed sticking under the notes.

example:
  workbench read out/song.chart.json --audio song.flac --out out
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

NAME = "read"
HELP = "read form, grooves, variations, fills and sticking out of a chart"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("chart", type=Path, help="NAME.chart.json")
    parser.add_argument("--audio", type=Path, metavar="RECORDING",
                        help="the recording: helps to find sections where the drums repeat themselves")
    parser.add_argument("--against", type=Path, metavar="CHART",
                        help="another version of the song: say bar by bar what changed in it")
    parser.add_argument("--out", type=Path, metavar="DIR",
                        help="write NAME.reading.md and NAME.reading.json here instead of printing")
    parser.add_argument("--mark", action="store_true",
                        help="write sections, grooves and fills into the chart")
    parser.add_argument("--cues", action="store_true",
                        help='with --mark: also write "fill", "half-time" … above the staff')
    parser.add_argument("--sticking", action="store_true", help="write the proposed sticking into the chart")
    parser.add_argument("--left-handed", action="store_true", help="sticking for a left-handed player")
    parser.add_argument("--open-handed", action="store_true", help="hi-hat with the hand on its side")
    parser.add_argument("--hand-to-hand", action="store_true",
                        help="alternate the hands instead of leading with one")
    parser.add_argument("--json", action="store_true", help="print JSON instead of Markdown")


def run(args: argparse.Namespace) -> int:
    from workbench.files.audio import load_audio
    from workbench.files.chartfile import write_text_safely
    from workbench.files.document import ChartDocument, read_working_chart
    from workbench.progress import TerminalProgress
    from workbench.reading.read import read_part, reading_to_edits
    from workbench.reading.sticking import Player, sticking_edit
    from workbench.reading.versions import compare_versions

    player = Player("left" if args.left_handed else "right",
                    "hand to hand" if args.hand_to_hand else "lead hand", args.open_handed)
    chart = read_working_chart(args.chart)
    if args.against:
        result = compare_versions(chart, read_working_chart(args.against))
    else:
        audio = load_audio(args.audio, mono=True) if args.audio else None
        result = read_part(chart, audio, player, TerminalProgress())
    if args.out:
        args.out.mkdir(parents=True, exist_ok=True)
        stem = args.out / args.chart.name.removesuffix(".json").removesuffix(".chart")
        kind = "versions" if args.against else "reading"
        write_text_safely(f"{stem}.{kind}.md", result.to_markdown())
        write_text_safely(f"{stem}.{kind}.json", _json(result))
        print(f"{stem}.{kind}.md\n{stem}.{kind}.json")
    else:
        print(_json(result) if args.json else result.to_markdown(), end="")
    if (args.mark or args.sticking) and not args.against:
        with ChartDocument.open(args.chart) as document:
            if args.mark:
                document.apply(reading_to_edits(result, cues=args.cues))
            if args.sticking:
                document.apply(sticking_edit(document.chart, result.sticking))
            document.save()
    return 0


def _json(result) -> str:
    return json.dumps(result.to_data(), indent=1, ensure_ascii=False) + "\n"
