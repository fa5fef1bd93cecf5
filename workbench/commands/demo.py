"""Do the main job on the demo recording: from audio to a finished score.

Drafts the invented song that comes with the workbench (data/demo), and leaves
its chart, hits, beats, score (MusicXML, MIDI, PDF) and reading in a folder.
What an earlier run left there is replaced.

example:
  workbench demo --out out/demo
"""

from __future__ import annotations

import argparse
from pathlib import Path

NAME = "demo"
HELP = "draft, score and read the demo song"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--out", type=Path, default=Path("out/demo"), metavar="DIR", help="folder for the files (default: out/demo)"
    )
    parser.add_argument(
        "--detector",
        choices=("network", "spectral"),
        help="how to listen: the trained network (default) or the plain spectral method",
    )
    parser.add_argument("--practice", action="store_true", help="make the practice pack as well (a minute)")


def run(args: argparse.Namespace) -> int:
    from dataclasses import replace

    from workbench.files.chartfile import read_chart
    from workbench.files.safefile import check_folder, write_whole
    from workbench.listening.draft import draft_chart, write_draft
    from workbench.progress import TerminalProgress, part
    from workbench.reading.read import read_part
    from workbench.scorefiles import write_scores

    check_folder(args.out)
    progress = TerminalProgress()
    recording, truth = demo_files()
    song = read_chart(truth)
    draft = draft_chart(recording, args.detector, part(progress, 0.0, 0.7))
    draft = replace(draft, chart=replace(draft.chart, title=song.title, artist=song.artist))
    files = write_draft(draft, args.out, overwrite=True)
    scores = write_scores(draft.chart, files.chart, ["musicxml", "midi", "pdf"], progress=part(progress, 0.7, 0.95))
    reading = args.out / f"{recording.stem}.reading.md"
    progress(0.95, "Reading the part")
    write_whole(reading, read_part(draft.chart).to_markdown().encode())
    progress(1.0, "Done")
    print(f"The demo song ({song.title}, by {song.artist}, both invented) is drafted; look at")
    for path in (files.chart, files.hits, files.beats, *scores, reading):
        kind = path.name.removeprefix(f"{recording.stem}.")
        print(f"  {path}  {_WHAT[kind]}")
    if args.practice:
        from workbench.practice.pack import make_practice_pack

        pack = make_practice_pack(draft.chart, args.out / "practice", recording=recording, progress=progress)
        print(f"  {pack.index}  the practice pack")
    print("It is a draft: listen and correct before you trust it.")
    return 0


_WHAT = {
    "chart.json": "the chart, to correct in the notebook",
    "hits.csv": "every hit",
    "beats.csv": "every beat",
    "musicxml": "the score, for notation programs",
    "mid": "the score as MIDI",
    "pdf": "the score, to print",
    "reading.md": "what the part does, in words",
}


def demo_files() -> tuple[Path, Path]:
    """The demo recording and the chart of what is truly played on it.

    Raises
    ------
    AudioError
        If the checkout's data folder is not there.
    """
    import workbench
    from workbench.errors import AudioError

    folder = Path(workbench.__file__).parent.parent / "data" / "demo"
    recording, truth = folder / "copper-weather.ogg", folder / "copper-weather.truth.chart.json"
    for path in (recording, truth):
        if not path.exists():
            raise AudioError(f"The demo song is not there ({path}); run this from a full checkout.")
    return recording, truth
