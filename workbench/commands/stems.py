"""Take a recording apart into its drums and the rest.

Writes NAME.drums.flac and NAME.rest.flac into a folder, by default beside the
recording; together they are the recording again.  What was found is kept in
.workbench-stems there, so that the grid and practice packs need not find it
again; that folder may be deleted at any time.

example:
  workbench stems song.flac --out out
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

NAME = "stems"
HELP = "drums and rest of a recording apart"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("recording", type=Path, help="WAV, FLAC, OGG, MP3, AIFF (others with ffmpeg)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the files (default: beside the recording)")
    parser.add_argument("--json", action="store_true", help="print the paths of the files as JSON")


def run(args: argparse.Namespace) -> int:
    """Write drums and rest, and say where they are."""
    import workbench as wb
    from workbench.cautions import COPYRIGHT
    from workbench.files.safefile import check_folder
    from workbench.progress import TerminalProgress

    check_folder(args.out or args.recording.parent)
    files = wb.stems(args.recording, args.out, progress=TerminalProgress())
    if args.json:
        print(json.dumps({name: str(path) for name, path in files._asdict().items()}))
    else:
        print(*files, COPYRIGHT, sep="\n")
    return 0
