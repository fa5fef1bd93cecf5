"""Makes the demo song: an invented song by an invented band, with known truth.

``python data/demo/make_demo.py`` writes, beside this script, the recording
(``copper-weather.ogg``) and what is true of it: ``copper-weather.truth.chart.json``,
``copper-weather.truth.hits.csv`` and ``copper-weather.truth.beats.csv``; and
``copper-weather.hurried.chart.json``, a draft with mistakes to find.  With
``--truth-only`` the recording is left alone.  Everything is drawn from one seed;
all but the recording comes out the same to the byte.

The song shows what the workbench is for.  It supports no accuracy figure.
"""

from __future__ import annotations

import argparse
import hashlib
import random
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import band
import numpy as np
import soundfile

from workbench.chart import Chart, Mark, Note, Recording, Section, Text, WrittenBar
from workbench.chart.edits import AddNote, RemoveNote, RenameInstrument
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.files.annotations import write_beats, write_hits
from workbench.files.chartfile import write_chart
from workbench.sound.rendering import pan_gains, render_chart

NAME = "copper-weather"
TITLE, ARTIST = "Copper Weather", "The Night Trams"
SAMPLE_RATE = 44100
SEED = 20
LEAD_IN_S, TAIL_S = 0.9, 2.6
PICKUP = Fraction(1, 2)

# -- the drum part ---------------------------------------------------------------
# One text per instrument and bar; its length says the grid (16: sixteenths, 12:
# eighth-note triplets).  x stroke, X loud stroke, A written accent, g ghost note, f flam,
# d drag, c choke.

ROWS = {
    "C": "crash",
    "R": "ride",
    "B": "ride bell",
    "O": "open hi-hat",
    "H": "closed hi-hat",
    "P": "pedal hi-hat",
    "1": "high tom",
    "2": "mid tom",
    "S": "snare",
    "Y": "side stick",
    "3": "floor tom",
    "K": "kick",
}

PICKUP_FILL = {"S": "xx......", "1": "..xx....", "2": "....xx..", "3": "......xx", "K": "x...x..."}

VERSE = (
    {"H": "X.x.X.x.X.x.X.x.", "S": "....X.......X...", "K": "x.....x.x......."},
    {"H": "X.x.X.x.X.x.X.x.", "S": "....X..g.g..X...", "K": "x.....x.x.x....."},
    {"H": "X.x.X.xxX.x.X.x.", "S": "....X.......X..g", "K": "x..x..x.x......."},
    {"H": "X.x.X.x.X.x.X...", "O": "..............x.", "S": "....X..g.g..X...", "K": "x.....x.x..x...."},
)
VERSE_CRASHED = dict(VERSE[0], C="X...............", H="..x.X.x.X.x.X.x.")
VERSE_FILL = {
    "H": "X.x.X.x.........",
    "S": "....X...fxxx....",
    "1": "............xx..",
    "2": "..............x.",
    "3": "...............x",
    "K": "x.....x.x...x...",
}
GHOSTED = (
    {"H": "X.x.X.x.X.x.X.x.", "S": "..g.X..g.g..X..g", "K": "x.....x.x......."},
    {"H": "X.x.X.x.X.x.X.x.", "S": ".gg.X..g.g..X.g.", "K": "x.....x.x.x....."},
    {"H": "X.x.X.xxX.x.X.x.", "S": "..g.X..g.g..X..g", "K": "x..x..x.x......."},
    {"H": "X.x.X...X.x.X...", "O": "......x.......x.", "S": "..g.X..g.g..X...", "K": "x.....x.x..x...."},
)
SIX_FOUR_SIX = {
    "S": "Ax....A...Ax....",
    "1": "..xx........xx..",
    "2": ".......x........",
    "3": "....x...x.....x.",
    "K": ".....x...x.....x",
}
LIFT = (
    {"R": "x.x.x.x.x.x.x.x.", "Y": "....x.......x...", "K": "x.........x.....", "P": "....x.......x..."},
    {
        "R": "x.x.x.x.x.x.x...",
        "B": "..............X.",
        "Y": "....x.......x..x",
        "K": "x.........x.....",
        "P": "....x.......x...",
    },
    {"R": "x.x.x.x.x.x.x.x.", "Y": "....x.......x...", "K": "x......x..x.....", "P": "....x.......x..."},
)
TRIPLETS = {"S": "AxxA........", "1": "....xx......", "2": "......Axx...", "3": ".........Axx", "K": "x..x..x..x.."}
CHORUS = (
    {"C": "X...X...X...X...", "S": "....X.......X...", "K": "x.x...x.x.x....."},
    {"C": "X...X...X...X...", "S": "....X.......X..x", "K": "x.x...x...x....."},
    {"C": "X...X...X...X...", "S": "....X.......X...", "K": "x.x...x.x.x....."},
    {"C": "X...X...X.......", "O": "............X.x.", "S": "....X...d...X.x.", "K": "x.x...x.x.x....."},
)
CHORUS_STOP = {"C": "X...X...X...c...", "S": "....X.......X...", "K": "x.x...x.x...x..."}
HUSH: dict[str, str] = {}
ENDING = {"C": "X...............", "K": "x...............", "3": "x..............."}

#: Section, boxed letter, bars, tempo at its beginning and end (quarters a minute).
FORM = (
    ("Pick-up", "", (PICKUP_FILL,), 110.0, 110.0),
    ("Verse", "A", (VERSE_CRASHED, *VERSE[1:], *VERSE[:3], VERSE_FILL), 110.0, 111.8),
    ("Lift", "B", (*LIFT, TRIPLETS), 112.4, 113.6),
    ("Chorus", "C", (*CHORUS, *CHORUS[:3], CHORUS_STOP), 114.6, 116.2),
    ("Hush", "D", (HUSH,), 112.6, 111.4),
    ("Verse", "A", (*GHOSTED, *GHOSTED[:3], SIX_FOUR_SIX), 111.6, 113.0),
    ("Chorus", "C", (*CHORUS, *CHORUS), 115.4, 116.6),
    ("Ending", "", (ENDING,), 112.0, 106.0),
)
VELOCITIES = {"A": 116, "X": 112, "x": 88, "g": 34, "f": 112, "d": 108, "c": 114}
SOFTER = {"closed hi-hat": 0.84, "ride": 0.9, "pedal hi-hat": 0.8, "side stick": 0.95}
SAID = {"g": "ghost", "A": "accent", "f": "flam", "d": "drag", "c": "choke"}
#: Seconds this drummer plays early (−) or late (+).
HABIT_S = {"closed hi-hat": -0.003, "ride": -0.003, "snare": 0.005, "kick": 0.0, "crash": -0.001}


def swerve(rng: random.Random) -> float:
    """About normal, unit variance, by sums only (the same on every machine)."""
    return (sum(rng.random() for _ in range(6)) - 3.0) * 2**0.5


def make_chart() -> Chart:
    """The truth: what the demo drummer plays, exactly."""
    rng = random.Random(SEED)
    meter = Meter(4, 4)
    timed, written, sections, now_s = [], [], [], LEAD_IN_S
    wobble = 0.0
    for name, label, bars, from_bpm, to_bpm in FORM:
        sections.append(Section(len(timed), name, label))
        for k, rows in enumerate(bars):
            length = PICKUP if name == "Pick-up" else meter.bar_length
            beats = []
            for b in range(int(length * 4)):
                beats.append(round(now_s, 6))
                done = (k + b / 4) / len(bars)
                wobble = 0.7 * wobble + 0.0022 * swerve(rng)
                now_s += 60.0 / (from_bpm + (to_bpm - from_bpm) * done) * (1 + wobble)
            timed.append(Bar(meter, tuple(beats), length))
            written.append(write_bar(rows, length, rng))
    return Chart(
        TimeMap(timed, round(now_s, 6)),
        tuple(written),
        TITLE,
        ARTIST,
        sections=tuple(sections),
        texts=(Text(0, Fraction(0), "fill"), Text(21, Fraction(0), "band alone")),
        marks=(
            Mark("fill", (0, Fraction(0)), (1, Fraction(0)), "pick-up"),
            Mark("fill", (8, Fraction(1, 2)), (9, Fraction(0)), "sixteenths"),
            Mark("fill", (12, Fraction(0)), (13, Fraction(0)), "triplets"),
            Mark("fill", (29, Fraction(0)), (30, Fraction(0)), "6 + 4 + 6"),
        ),
        kit=tuple(ROWS.values()),
    )


def write_bar(rows: dict[str, str], length: Fraction, rng: random.Random) -> WrittenBar:
    notes, parts = [], 4
    for row, text in rows.items():
        step = length / len(text)
        parts = int(Fraction(1, 4) / step)
        for k, sign in enumerate(text):
            if sign == ".":
                continue
            name = ROWS[row]
            velocity = VELOCITIES[sign] * SOFTER.get(name, 1.0) + 3.5 * swerve(rng)
            deviation_s = HABIT_S.get(name, 0.0) + 0.0035 * swerve(rng)
            said = frozenset({SAID[sign]} if sign in SAID else ())
            notes.append(Note(k * step, name, min(127, max(1, round(velocity))), said, round(deviation_s, 5)))
    return WrittenBar(tuple(notes), (parts,) * int(length * 4))


# -- the band --------------------------------------------------------------------

#: Chord of each bar by section: root of the bass, and the chord above.
E_MINOR, C_MAJOR, G_MAJOR, D_MAJOR, A_MINOR = (
    (28, (52, 55, 59, 62)),
    (24 + 12, (52, 55, 60, 64)),
    (31, (50, 55, 59, 62)),
    (26 + 12, (50, 54, 57, 62)),
    (33, (52, 57, 60, 64)),
)
CHORDS = {
    "Pick-up": (E_MINOR,),
    "Verse": (E_MINOR, C_MAJOR, G_MAJOR, D_MAJOR),
    "Lift": (A_MINOR, C_MAJOR, D_MAJOR, D_MAJOR),
    "Chorus": (G_MAJOR, D_MAJOR, E_MINOR, C_MAJOR),
    "Hush": (D_MAJOR,),
    "Ending": (E_MINOR,),
}
#: Lead notes: bar within the section, beat (quarters, from 0), length in quarters, MIDI note.
LEAD = {
    "Chorus": (
        (0, 0, 1.5, 74),
        (0, 1.5, 1.5, 71),
        (0, 3, 1, 74),
        (1, 0, 2, 78),
        (1, 2, 2, 74),
        (2, 0, 1.5, 76),
        (2, 1.5, 0.5, 74),
        (2, 2, 2, 71),
        (3, 0, 3, 72),
        (3, 3, 1, 71),
        (4, 0, 1.5, 74),
        (4, 1.5, 1.5, 71),
        (4, 3, 1, 74),
        (5, 0, 2, 78),
        (5, 2, 2, 81),
        (6, 0, 1.5, 79),
        (6, 1.5, 0.5, 78),
        (6, 2, 2, 76),
        (7, 0, 3, 76),
    ),
    "Verse": (
        (1, 2, 1, 67),
        (1, 3, 1, 69),
        (2, 0, 2, 71),
        (3, 0, 1, 69),
        (3, 1, 2, 66),
        (5, 2, 1, 67),
        (5, 3, 1, 71),
        (6, 0, 2, 74),
        (7, 0, 1, 73 - 2),
        (7, 1, 2, 69),
    ),
    "Hush": ((0, 0, 2, 66), (0, 2, 1, 69), (0, 3, 1, 71)),
}


def section_bars(chart: Chart):
    """(section name, bar within it, bar index) of every bar."""
    for section, following in zip(chart.sections, [*chart.sections[1:], None]):
        end = following.bar_index if following else len(chart)
        for k in range(section.bar_index, end):
            yield section.name, k - section.bar_index, k


def play_band(chart: Chart, length: int) -> np.ndarray:
    rng = random.Random(SEED + 1)
    out = np.zeros((length, 2))

    def lay(x, bar_index, quarters, gain, place):
        at_s = chart.time_map.seconds(bar_index, quarters / 4) + 0.004 * swerve(rng)
        at = round(at_s * SAMPLE_RATE)
        x = x[: max(0, length - at)]
        out[at : at + len(x)] += gain * x[:, None] * pan_gains(place)

    for name, k, bar_index in section_bars(chart):
        root, chord = CHORDS[name][k % len(CHORDS[name])]
        quarter_s = 60 / chart.time_map.quarter_tempo_bpm(bar_index)
        if name == "Pick-up":
            continue
        if name in ("Chorus", "Ending"):
            power = (root + 12, root + 19, root + 24)
            held = 4 if name == "Ending" or k % 2 == 0 else 2
            for start in range(0, 4, held):
                for side in (-0.75, 0.75):
                    x = band.guitar(power, held * quarter_s * 0.98, SAMPLE_RATE, bar_index + int(4 * side))
                    lay(x, bar_index, start, 0.15, side)
        elif name == "Verse":
            for start in (0, 1.5, 2.5):
                x = band.electric_piano(chord, quarter_s, SAMPLE_RATE, 0.6)
                lay(x, bar_index, start, 0.15, 0.3)
            for start in (1, 3):
                x = band.guitar((root + 24, root + 31), 0.4 * quarter_s, SAMPLE_RATE, bar_index, True)
                lay(x, bar_index, start, 0.05, -0.6)
        else:
            lay(band.electric_piano(chord, 4 * quarter_s, SAMPLE_RATE, 0.9), bar_index, 0, 0.22, 0.2)
        if name == "Ending":
            lay(band.bass(root, 4 * quarter_s, SAMPLE_RATE), bar_index, 0, 0.3, 0)
            continue
        if name == "Hush":
            lay(band.bass(root, 3.5 * quarter_s, SAMPLE_RATE), bar_index, 0, 0.22, 0)
        else:
            on_kick = [4 * float(n.position) for n in chart.bars[bar_index].notes if n.instrument == "kick"]
            starts = [0.5 * e for e in range(8)] if name == "Chorus" else sorted({0.0, *on_kick, 3.0})
            for start, end in zip(starts, [*starts[1:], 4.0]):
                note = root + (12 if start == 3.5 else 7 if start == 3.0 and name != "Chorus" else 0)
                lay(band.bass(note, (end - start) * quarter_s * 0.95, SAMPLE_RATE), bar_index, start, 0.3, 0)
        for bar, quarter, held, note in LEAD.get(name, ()):
            if bar == k:
                lay(band.lead(note, held * quarter_s * 0.95, SAMPLE_RATE), bar_index, quarter, 0.17, -0.1)
    return out


def make_recording(chart: Chart) -> np.ndarray:
    """Kit and band mixed, (n, 2), float32."""
    length = round((chart.time_map.end_s + TAIL_S) * SAMPLE_RATE)
    kit = render_chart(chart, SAMPLE_RATE, whole_recording=True).samples
    kit = np.pad(kit, ((0, max(0, length - len(kit))), (0, 0)))[:length]
    mix = 0.95 * kit + 0.75 * play_band(chart, length)
    mix = np.tanh(1.25 * mix) / 1.25
    fade = int(0.5 * SAMPLE_RATE)
    mix[-fade:] *= np.linspace(1, 0, fade)[:, None]
    # Peaks stay under full scale after lossy coding.
    return (mix * 0.85 / np.abs(mix).max()).astype(np.float32)


def save_recording(samples: np.ndarray, path: Path) -> None:
    with soundfile.SoundFile(path, "w", SAMPLE_RATE, 2, format="OGG", subtype="VORBIS", compression_level=0.45) as file:
        for start in range(0, len(samples), SAMPLE_RATE):
            file.write(samples[start : start + SAMPLE_RATE])


def with_recording(chart: Chart, path: Path) -> Chart:
    info = soundfile.info(path)
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    return replace(chart, recording=Recording(path.name, sha256, round(info.duration, 6)))


def make_hurried_draft(chart: Chart) -> Chart:
    """The chart with mistakes to find: snare on the floor tom in bar 4, the first kick of bar 6 forgotten, one too
    many in bar 8; bar 14 is forgotten, and what follows stands earlier by its length."""
    first_kick = next(n for n in chart.bars[6].notes if n.instrument == "kick")
    for edit in (
        RenameInstrument(4, 4, "snare", "floor tom"),
        RemoveNote(6, *first_kick.key),
        AddNote(8, Note(Fraction(7, 16), "kick", 100)),
    ):
        chart = edit.apply(chart)
    times = chart.time_map
    lost_s = times.bar_end_s(14) - times.bar_start_s(14)
    later = [replace(b, beat_times_s=tuple(t - lost_s for t in b.beat_times_s)) for b in times.bars[15:]]
    return Chart(
        TimeMap((*times.bars[:14], *later), times.end_s - lost_s),
        (*chart.bars[:14], *chart.bars[15:]),
        "Copper Weather, in a hurry",
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent)
    parser.add_argument("--truth-only", action="store_true", help="leave the recording as it is")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    chart = make_chart()
    recording = args.out / f"{NAME}.ogg"
    if not args.truth_only:
        save_recording(make_recording(chart), recording)
    chart = with_recording(chart, recording)
    write_chart(chart, args.out / f"{NAME}.truth.chart.json")
    write_hits(chart, args.out / f"{NAME}.truth.hits.csv")
    write_beats(chart, args.out / f"{NAME}.truth.beats.csv")
    write_chart(make_hurried_draft(chart), args.out / f"{NAME}.hurried.chart.json")


if __name__ == "__main__":
    main()
