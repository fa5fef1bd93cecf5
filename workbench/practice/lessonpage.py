"""A lesson as one self-contained HTML file, to play and to print, offline and on a phone.

It holds the bars engraved one by one, so that they reflow; single strokes of the computed kit, from which it plays
any bars at any tempo, exactly on the grid or as played; and, where it is known, the recording, drums and rest apart.
"""

from __future__ import annotations

import base64
import io
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from workbench.cautions import COPYRIGHT, HEARING, HEARING_SOURCE, STRAIN
from workbench.chart import Chart
from workbench.chart.counting import the_bar
from workbench.chart.drumkit import instrument
from workbench.files.safefile import write_whole
from workbench.practice.exercises import DISPUTE_LEARNING, doubts_told
from workbench.practice.lesson import Lesson, LessonItem
from workbench.practice.pages import engrave_bar
from workbench.practice.record import RecordPiece, open_recording, record_facts, record_pieces
from workbench.practice.stagecharts import stage_chart
from workbench.practice.stages import Exercise, Stage, whole_song
from workbench.practice.tempi import original_tempo_bpm
from workbench.practice.words import Words
from workbench.progress import Progress, part, silent
from workbench.reading.sticking import Player, propose_sticking, sticking_edit
from workbench.sound.loudness import TARGET_LUFS, loudness_lufs
from workbench.sound.rendering import place_of, render_chart
from workbench.sound.synthesis import kit_sample
from workbench.templates import filled, script_data

# Numbers whose origin is not named: chosen by ear, no source.
#: Velocities whose sounds a page holds; any stroke takes the nearest, at its own loudness.
LAYERS = (40, 100)
#: Sounds are cut where they are this much below their peak, and at the latest after so many seconds.
TAIL_DB, LONGEST_SHOT_S = -50.0, 2.2
#: Sample rate of the kit's sounds, Hz.
SHOT_RATE_HZ = 32000
#: So many bars of the song show how loud the kit is.
MEASURED_BARS = 4


def write_lesson(lesson: Lesson, path: str | os.PathLike, progress: Progress | None = None) -> Path:
    """Write a lesson as one HTML file that works offline, to play and to print.

    Parameters
    ----------
    lesson : Lesson
    path : path ending in ``.html``
    progress : Progress, optional

    Raises
    ------
    WorkbenchError
        If its recording cannot be used, or is not the one the chart was made from.
    """
    tell = progress or silent
    say = lesson.words
    record = None
    pieces: list[RecordPiece] = []
    if lesson.recording is not None:
        end_s = lesson.chart.time_map.end_s
        heard = open_recording(lesson.chart, lesson.recording, Path(path).parent)
        pieces, gain = record_pieces(heard, end_s, part(progress, 0.0, 0.5))
        record = record_facts(lesson.chart, gain)
    tell(0.5, "Engraving the bars")
    bars = _Bars(lesson.chart, say.counts)
    shown: list[dict[str, Any]] = []
    for k, item in enumerate(lesson.items):
        tell(0.5 + 0.25 * k / len(lesson.items), "Engraving the bars")
        steps = _steps(lesson, item, bars)
        cues = item.exercise is None
        own = lesson.own_tempo_bpm(item)
        said = {"own": own, "ownSaid": lesson.tempo_said(item, own), "cues": cues, "steps": steps}
        shown.append({"start": item.start_bpm, "goal": item.goal_bpm, **said})
    tell(0.75, "Playing the kit")
    data = {
        "tempi": lesson.tempi_bpm,
        "items": shown,
        "bars": bars.data,
        "kit": _kit(bars.used),
        "kitGain": _kit_gain(lesson.chart),
        "sections": [s.bar_index for s in lesson.chart.sections],
        "record": record,
        "words": {text: say(text) for text in ("Play", "Stop", "done at {bpm}")},
    }
    page = Path(__file__).parent / "page"
    text = filled(
        "practice/page/lesson.html",
        lesson=lesson,
        say=say,
        svgs=bars.svgs,
        sheet=[bars.printed(item) for item in lesson.items],
        doubts=[_sheet_doubts(lesson, item) for item in lesson.items],
        data=script_data(data),
        pieces=pieces,
        scripts=[(page / name).read_text("utf-8") for name in ("stretch.js", "lesson.js")],
        style=(page / "lesson.css").read_text("utf-8"),
        dispute=say(DISPUTE_LEARNING) if lesson.dispute else "",
        cautions=(say(STRAIN), f"{say(HEARING)} {HEARING_SOURCE}", say(COPYRIGHT), *filter(None, [say.note])),
    )
    tell(1.0, "Lesson written")
    return write_whole(Path(path), text.encode())


def _steps(lesson: Lesson, item: LessonItem, bars: _Bars) -> list[dict]:
    """What the player offers of an item: bars by their numbers on the page and in the song."""
    if item.exercise is not None:
        stages = [s for s in item.exercise.stages if not s.record]
    else:
        # The form is listened to, the song is played; both have all bars.
        stages = [whole_song(lesson.chart)]
    say, chart = lesson.words, lesson.chart
    return [
        {
            "title": say.title(s.title),
            "bars": bars.of(s),
            "song": s.bars,
            "captions": _captions(chart, s.bars, say),
            "loop": s.loop,
            "doubts": doubts_told(chart, s, say),
        }
        for s in stages
    ]


def _captions(chart: Chart, bars: Sequence[int], say: Words) -> list[str]:
    """What stands over each bar of a step, and names it where some are chosen.

    Bars that follow each other in the song have its numbers, and the sections that begin there; others are counted
    through, and say after which bar of the song they are written.
    """
    numbers = [chart.time_map.bar_number(k) for k in bars]
    if any(b != a + 1 for a, b in zip(bars, bars[1:])):
        return [f"{place} ({say.title(the_bar(n))})" for place, n in enumerate(numbers, start=1)]
    names = {s.bar_index: " ".join(t for t in (s.label, s.name) if t) for s in chart.sections}
    told = [str(n or say.title("pick-up")) for n in numbers]
    return [f"{n} · {names[k]}" if names.get(k) else n for k, n in zip(bars, told)]


def _printed(exercise: Exercise) -> tuple[Stage, int]:
    """The bar that the printed sheet shows, what is new in an exercise: its step, and its place there."""
    stage = [s for s in exercise.stages if not s.version and s.instruments is None and s.only is None][0]
    return stage, -1 if exercise.kind == "variation" or stage.name == "setup" else 0


def _sheet_doubts(lesson: Lesson, item: LessonItem) -> str:
    """What is not sure of the bar that the printed sheet shows of an item."""
    if item.exercise is None:
        return ""
    stage, place = _printed(item.exercise)
    return doubts_told(lesson.chart, replace(stage, bars=(stage.bars[place],)), lesson.words)


class _Bars:
    """The different bars of a lesson, engraved once each, and what they play."""

    def __init__(self, chart: Chart, count_system: str) -> None:
        self.count_system = count_system
        open_handed = propose_sticking(chart, Player(open_handed=True))
        #: As the usual kit is played, and open-handed.
        self.charts = (chart, sticking_edit(chart, open_handed, renew=True).apply(chart))
        self.data: list[dict] = []
        self.svgs: list[str] = []
        self.used: set[str] = set()
        self._number: dict[tuple, int] = {}
        self._drawn: dict[tuple, int] = {}

    def of(self, stage: Stage) -> list[int]:
        """Numbers of a stage's bars, in the order played."""
        tempo = original_tempo_bpm(self.charts[0], stage.bars)
        count = len(stage.bars)
        if stage.loop:  # one bar more, so that none of them is the last and ends the song
            stage = replace(stage, bars=(*stage.bars, stage.bars[0]))
        usual, open_handed = (stage_chart(chart, stage, tempo) for chart in self.charts)
        return [self._of(usual, open_handed, k, tempo) for k in range(count)]

    def printed(self, item: LessonItem) -> str:
        """The bar that the printed sheet shows of an item: what is new in it; "" for the whole song."""
        if item.exercise is None:
            return ""
        stage, place = _printed(item.exercise)
        return self.svgs[self.data[self.of(stage)[place]]["drawn"][0]]

    def _of(self, written: Chart, open_handed: Chart, k: int, tempo_bpm: float) -> int:
        timed, bar = written.time_map.bars[k], written.bars[k]
        beat = timed.meter.beat_length
        notes = [
            [float(n.position / beat), n.instrument, n.velocity, round(written.later_s(k, n) * tempo_bpm / 60, 4)]
            for n in bar.notes
        ]
        drawn = tuple(self._drawing(chart, k) for chart in (written, open_handed))
        key = (timed.meter, json.dumps(notes), drawn)
        if key not in self._number:
            self._number[key] = len(self.data)
            self.used |= {n.instrument for n in bar.notes}
            length = float(timed.meter.bar_length)
            self.data.append({"beats": timed.meter.counted_beats, "length": length, "notes": notes, "drawn": drawn})
        return self._number[key]

    def _drawing(self, written: Chart, k: int) -> int:
        """Number of a bar's picture; bars that look the same share one."""
        bar = written.bars[k]
        signs = tuple((n.key, n.velocity, n.articulations, n.sticking) for n in bar.notes)
        look = (written.time_map.bars[k].meter, bar.subdivisions, signs)
        if look not in self._drawn:
            self._drawn[look] = len(self.svgs)
            self.svgs.append(engrave_bar(written, k, self.count_system))
        return self._drawn[look]


def _kit(used: set[str]) -> Mapping[str, Any]:
    """Single strokes of the instruments used: place, and a sound for each of a few velocities (FLAC in base64)."""
    return {
        name: {
            "pan": round(place_of(name), 3),
            "foot": instrument(name).is_foot,
            "layers": [[v, base64.b64encode(_shot(name, v)).decode()] for v in LAYERS],
        }
        for name in sorted(used)
    }


def _shot(name: str, velocity: int) -> bytes:
    shot = np.asarray(kit_sample(name, velocity, SHOT_RATE_HZ), float)[: int(LONGEST_SHOT_S * SHOT_RATE_HZ)]
    loud = np.flatnonzero(np.abs(shot) > np.abs(shot).max() * 10 ** (TAIL_DB / 20))
    shot = shot[: loud[-1] + 1].copy()
    fade = min(len(shot) // 4, SHOT_RATE_HZ // 50)
    shot[-fade:] *= np.linspace(1, 0, fade)
    file = io.BytesIO()
    soundfile.write(file, shot, SHOT_RATE_HZ, format="FLAC", subtype="PCM_16")
    return file.getvalue()


def _kit_gain(chart: Chart) -> float:
    """The factor that makes the kit as loud as the pack's sound, by the bars with the most strokes."""
    first = max(range(max(len(chart) - MEASURED_BARS, 0) + 1), key=lambda k: _strokes(chart, k))
    bars = tuple(range(first, min(first + MEASURED_BARS, len(chart))))
    played = stage_chart(chart, Stage("loud", "", bars), original_tempo_bpm(chart, bars))
    loudness = loudness_lufs(render_chart(played, SHOT_RATE_HZ, loop=True).samples, SHOT_RATE_HZ)
    return round(10 ** ((TARGET_LUFS - loudness) / 20), 3)


def _strokes(chart: Chart, first: int) -> int:
    return sum(len(bar.notes) for bar in chart.bars[first : first + MEASURED_BARS])
