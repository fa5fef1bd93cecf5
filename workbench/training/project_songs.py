"""Songs of exactly known bars from the projects of a music workstation: electronic music with programmed drums.

Debian's ``lmms-common`` (GPL-2+, CC BY-SA 3.0 and 4.0, BSD-2-Clause, by song) carries finished songs as projects: XML,
some of them compressed (as Qt's ``qCompress`` does: four bytes of length, then zlib).  A project says tempo and meter;
its bars begin where it does.  ``lmms`` renders them.  They are only measured with::

    python -m workbench.training.project_songs /usr/share/lmms/projects build/songs/projects
"""

from __future__ import annotations

import argparse
import os
import subprocess
import tempfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

from workbench.training.bar_songs import hear_song

#: Ticks of a quarter, in a project.
PROJECT_TICKS = 48
#: Shorter projects, and those with fewer notes of samples than this, are sketches.
SHORTEST_PROJECT_S, FEWEST_SAMPLED = 25.0, 8
#: How long a project may take to render, seconds.
RENDER_WITHIN_S = 600


@dataclass(frozen=True)
class Project:
    """What a project says of its song.

    Attributes
    ----------
    tempo_bpm : float
        Quarters a minute, of the whole song.
    length_s : float
        To the end of its last pattern.
    sampled : int
        Notes of instruments that play a sample, as drums do.
    """

    tempo_bpm: float
    length_s: float
    sampled: int

    def beats(self) -> tuple[np.ndarray, np.ndarray]:
        """Times of the quarters, seconds, and their numbers in bars of 4/4."""
        beats_s = np.arange(0.0, self.length_s, 60.0 / self.tempo_bpm)
        return beats_s, np.arange(len(beats_s)) % 4 + 1


def read_project(path: Path) -> Project | None:
    """A project of one tempo whose bars are whole quarters of 4/4 or longer ones of the same; none otherwise."""
    data = path.read_bytes()
    root = ElementTree.fromstring(zlib.decompress(data[4:]) if path.suffix == ".mmpz" else data)
    head = root.find("head")
    if head is None or "bpm" not in head.attrib:
        return None  # the tempo is automated
    numerator, denominator = (int(head.get(f"timesig_{name}", "4")) for name in ("numerator", "denominator"))
    if 4 * numerator % (4 * denominator):
        return None
    tempo_bpm = float(head.attrib["bpm"])
    ends = [
        int(part.get("pos", "0")) + int(part.get("len") or 0)
        for track in root.findall("song/trackcontainer/track")
        for part in (*track.findall("pattern"), *track.findall("bbtco"))
    ]
    sampled = sum(len(list(track.iter("note"))) for track in _sampled(root))
    return Project(tempo_bpm, max(ends, default=0) / PROJECT_TICKS * 60.0 / tempo_bpm, sampled)


def _sampled(root: ElementTree.Element) -> Iterator[ElementTree.Element]:
    for track in root.iter("track"):
        if track.get("type") == "0" and any(i.get("name") == "audiofileprocessor" for i in track.iter("instrument")):
            yield track


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("projects", type=Path)
    parser.add_argument("out", type=Path)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for path in sorted(p for p in args.projects.rglob("*") if p.suffix in (".mmp", ".mmpz")):
        project = read_project(path)
        if project is None or project.length_s < SHORTEST_PROJECT_S or project.sampled < FEWEST_SAMPLED:
            continue
        with tempfile.TemporaryDirectory() as folder:
            wav = Path(folder) / "song.wav"
            subprocess.run(
                ["lmms", "--allowroot", "render", str(path), "-f", "wav", "-s", "44100", "-o", str(wav)],
                check=True,
                capture_output=True,
                timeout=RENDER_WITHIN_S,
                env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
            )
            hear_song(wav, args.out / f"project-{path.stem}.npz", path.stem, "4/4", *project.beats())
        print(path.stem, f"{project.tempo_bpm:.0f} beats a minute", flush=True)


if __name__ == "__main__":
    main()
