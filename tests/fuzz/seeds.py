"""Sound files of every format that is read, small, to be damaged."""

from __future__ import annotations

import json
import subprocess
from fractions import Fraction
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import soundfile

from tests import parts
from workbench.chart import Chart, Mark, Note, Section, Text
from workbench.chart.data import to_data
from workbench.chart.edits import (
    AddNote,
    ChangeLevel,
    CompositeEdit,
    DeleteBars,
    InsertBars,
    LayBars,
    SetHeading,
    SetMeter,
    SetPickup,
    ShiftOne,
    SplitBar,
    TapBeats,
    TapLines,
)
from workbench.chart.excerpts import excerpt_chart
from workbench.chart.meter import Meter, TimeMap
from workbench.files.chartfile import read_chart, write_chart
from workbench.files.document import ChartDocument
from workbench.files.journal import journal_path
from workbench.notation.midi import write_midi
from workbench.notation.musicxml import write_musicxml

DEMO = Path(__file__).parents[2] / "data" / "demo"
RATE = 22050

#: A part as another program might write it: two voices with backup, a triplet, a repeat with endings, cues.
SCORE = """<?xml version="1.0" encoding="UTF-8"?>
<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Drums</part-name>
<score-instrument id="P1-I36"><instrument-name>Bass Drum 1</instrument-name></score-instrument>
<score-instrument id="P1-I38"><instrument-name>Snare</instrument-name></score-instrument>
<midi-instrument id="P1-I36"><midi-channel>10</midi-channel><midi-unpitched>36</midi-unpitched></midi-instrument>
<midi-instrument id="P1-I38"><midi-channel>10</midi-channel><midi-unpitched>39</midi-unpitched></midi-instrument>
</score-part></part-list><part id="P1">
<measure number="1"><attributes><divisions>6</divisions><time><beats>2</beats><beat-type>4</beat-type></time>
<clef><sign>percussion</sign></clef></attributes><direction><direction-type><words>Verse</words></direction-type>
<sound tempo="96"/></direction><barline location="left"><repeat direction="forward"/></barline>
<note><unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched><duration>6</duration>
<instrument id="P1-I38"/><voice>1</voice><type>quarter</type></note>
<note><rest/><duration>2</duration><voice>1</voice></note>
<note><unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched><duration>2</duration>
<instrument id="P1-I38"/><voice>1</voice><time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes>
</time-modification></note><forward><duration>2</duration></forward><backup><duration>12</duration></backup>
<note><unpitched><display-step>F</display-step><display-octave>4</display-octave></unpitched><duration>12</duration>
<instrument id="P1-I36"/><voice>2</voice></note></measure>
<measure number="2"><barline location="left"><ending number="1" type="start"/></barline>
<note><rest measure="yes"/><duration>12</duration></note><barline location="right"><ending number="1" type="stop"/>
<repeat direction="backward" times="2"/></barline></measure>
<measure number="3"><direction><direction-type><metronome><beat-unit>quarter</beat-unit><per-minute>120</per-minute>
</metronome></direction-type><offset>3</offset></direction><note><grace/><unpitched><display-step>C</display-step>
<display-octave>5</display-octave></unpitched><instrument id="P1-I38"/></note><note><unpitched>
<display-step>C</display-step><display-octave>5</display-octave></unpitched><duration>12</duration>
<instrument id="P1-I38"/></note></measure></part></score-partwise>
"""


def small_chart() -> Chart:
    """Eight bars with a name for everything."""
    return parts.part(
        parts.CRASHED, *[parts.ROCK] * 2, parts.FILL, *[parts.RIDE] * 3, parts.HALF,
        title="Copper Weather", artist="The Night Trams",
        sections=(Section(0, "Verse", "A"), Section(4, "Chorus", "B")),
        texts=(Text(2, Fraction(0), "softer"),),
        marks=(Mark("fill", (3, Fraction(0)), (4, Fraction(0)), "", True),),
    )  # fmt: skip


#: What the page of the grid sends.
MESSAGES = (
    *(
        {"edit": to_data(edit)}
        for edit in (
            AddNote(1, Note(Fraction(1, 16), "splash", 90)),
            CompositeEdit((SetHeading(title="Ferry"), SetMeter(Meter.parse("3/4"), 0, 7))),
            ShiftOne(Fraction(2), 1),
            ChangeLevel(Fraction(1, 2)),
            SetPickup(Fraction(1, 4)),
            TapLines((0.0, 2.1, 4.3, 6.5), Meter.parse("4/4")),
            TapBeats((0.0, 0.5, 1.0, 1.6)),
            SplitBar(2, Fraction(1, 2)),
            InsertBars(3, 2),
            DeleteBars(1, 2),
            LayBars(TimeMap.steady(5, 90)),
        )
    ),
    {"command": "correct repeats", "bar_index": 2},
    {"command": "undo"},
    {"command": "save"},
    {"type": "audio", "request": 7, "source": "chart", "start_s": 0.0, "end_s": 0.5, "speed_percent": 75.0},
    {"type": "audio", "request": 8, "source": "count in", "start_s": 1.0, "end_s": 1.5, "count_in_bars": 1},
    {"type": "hello"},
)

#: Edits of the seed's journal: so many are saved, the rest confirmed only.
SAVED, CONFIRMED = 3, 5


def journal_edit(k: int) -> AddNote:
    """The edits in a seed's journal, each to be found in the chart by its place."""
    return AddNote(k % 8, Note(Fraction(1 + k // 8, 32), "china", 70 + k % 50))


@cache
def seeds() -> dict[str, tuple[bytes, ...]]:
    """Whole files by kind; a "journal" is the text of a chart, a NUL, and its journal's."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        chart, demo = small_chart(), excerpt_chart(read_chart(DEMO / "copper-weather.truth.chart.json"), 8, 15)
        out: dict[str, list[bytes]] = {"musicxml": [SCORE.encode()]}

        def keep(kind: str, write, ending: str) -> None:
            path = folder / f"x{ending}"
            write(path)
            out.setdefault(kind, []).append(path.read_bytes())

        for part in (chart, demo):
            keep("chart", lambda p, part=part: write_chart(part, p), ".chart.json")
            keep("musicxml", lambda p, part=part: write_musicxml(part, p), ".musicxml")
            keep("mxl", lambda p, part=part: write_musicxml(part, p), ".mxl")
            keep("midi", lambda p, part=part: write_midi(part, p), ".mid")
        for labels in (("1", "2", "3", "4"), ("SD", "KD")):
            lines = [f"{0.25 * k:.6f}\t{labels[k % len(labels)]}\n" for k in range(20)]
            out.setdefault("labels", []).append("".join(lines).encode())
        page = {"type": "do", "client": "page", "seq": 1}
        out["message"] = [json.dumps(page | message).encode() for message in MESSAGES]
        out["journal"] = [_journal(folder / "j.chart.json", chart)]
        samples, rate = soundfile.read(DEMO / "copper-weather.ogg", frames=int(2.5 * 44100), dtype="float32")
        mono = np.asarray(samples.reshape(len(samples), -1).mean(axis=1)[::2])
        for kind in ("wav", "flac", "ogg", "mp3", "aiff"):
            keep(kind, lambda p: soundfile.write(p, mono, rate // 2), f".{kind}")
        command = ["ffmpeg", "-v", "error", "-i", folder / "x.wav", "-c:a", "aac", folder / "x.m4a"]
        try:
            subprocess.run(command, check=True)
            out["m4a"] = [(folder / "x.m4a").read_bytes()]
        except OSError:
            pass  # without ffmpeg such files are not read
        return {kind: tuple(found) for kind, found in out.items()}


def _journal(path: Path, chart: Chart) -> bytes:
    with ChartDocument.create(chart, path) as document:
        for k in range(CONFIRMED):
            document.apply(journal_edit(k))
            if k + 1 == SAVED:
                document.save()
    return path.read_bytes() + b"\0" + journal_path(path).read_bytes()
