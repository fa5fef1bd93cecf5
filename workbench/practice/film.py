"""A lesson to watch: bars engraved and lit as they sound, with click and count, each item at each of its tempi.

The film is WebM with VP9 and Opus, both openly licensed codecs, written by PyAV (the extra ``film``).  A scene is one
step at one tempo: a bar is counted in, then its bars go round.
"""

from __future__ import annotations

import io
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.chart import Chart
from workbench.chart.counting import USUAL_COUNT, count_syllable
from workbench.chart.meter import Bar
from workbench.engraving.engrave import svg_to_png
from workbench.errors import WorkbenchError
from workbench.files.safefile import replacing
from workbench.practice.exercises import doubts_told
from workbench.practice.lesson import Lesson, LessonItem
from workbench.practice.pages import engrave_bar, tempo_sign
from workbench.practice.stagecharts import stage_chart
from workbench.practice.stages import Stage, whole_song
from workbench.progress import Progress, silent
from workbench.sound.loudness import levelled
from workbench.sound.rendering import count_in_clicks, mixed, placed, render_chart, render_click, render_count_in
from workbench.templates import filled

if TYPE_CHECKING:
    from av.container import OutputContainer

#: Pixels, pictures a second, and the one rate that Opus codes at, Hz (RFC 6716, section 2).
WIDTH, HEIGHT, FRAMES_PER_S = 1280, 720, 25
FILM_RATE_HZ = 48000
# Numbers whose origin is not named: chosen by eye and ear, no source.
#: Rounds of a scene's bars, and the rest after them, seconds.
SCENE_ROUNDS, REST_S = 2, 0.8
#: Level of the click against the kit, dB, as in a practice pack.
FILM_CLICK_DB = -4.0
#: Where the music lies, between the lines of words and the syllable that is said, and what parts bars, pixels.
MUSIC_TOP, MUSIC_HEIGHT, BAR_GAP = 120, 480, 20
#: Bars on one picture, and how a lit one is tinted (red, green, blue; shares of what is there).
BARS_SHOWN = 4
LIT = np.array([1.0, 0.92, 0.80], np.float32)
CURSOR = np.array([168, 67, 31], np.uint8)


@dataclass(frozen=True)
class Scene:
    """One step of an item at one tempo.

    Attributes
    ----------
    title, step, tempo : str
        What stands over its bars.
    chart : Chart
        Its bars once, steady, and all of its rounds.
    count_in_s : float
    bars : int
        In a round.
    counts : str
        From :data:`workbench.chart.counting.COUNT_SYSTEMS`.
    doubts : str
        What is not sure of its bars.
    """

    title: str
    step: str
    tempo: str
    chart: Chart
    count_in_s: float
    bars: int
    counts: str = USUAL_COUNT
    doubts: str = ""

    @property
    def length_s(self) -> float:
        """From the first click of the count-in to the end of the rest, in whole pictures."""
        return round((self.count_in_s + self.chart.time_map.end_s + REST_S) * FRAMES_PER_S) / FRAMES_PER_S


def scenes_of(lesson: Lesson, items: Sequence[int] | None = None) -> list[Scene]:
    """What a film of a lesson shows: its items, or those of some numbers (from 1), each at each of its tempi.

    Raises
    ------
    ChartError
        If the lesson has no item of a number.
    """
    numbers = range(1, len(lesson.items) + 1) if items is None else items
    out, words = [], lesson.words
    for number in numbers:
        (item,) = lesson.of([number]).items
        stage = _shown_stage(lesson, item)
        if items is None and item.exercise is None and number < len(lesson.items):
            continue  # the form is told; the song is played once, last
        least_bpm = item.start_bpm if item.exercise else item.goal_bpm
        tempi = [t for t in lesson.tempi_bpm if least_bpm <= t <= item.goal_bpm]
        rounds = SCENE_ROUNDS if stage.loop else 1
        for tempo_bpm in tempi:
            chart = stage_chart(lesson.chart, replace(stage, bars=stage.bars * rounds), tempo_bpm)
            count_in_s = count_in_clicks(chart.time_map.bars[0], tempo_bpm)[1]
            sign = tempo_sign(chart, 0, tempo_bpm)
            step = words.title(stage.title)
            title = f"{number}. {item.title}"
            doubts = doubts_told(lesson.chart, stage, words)
            out.append(Scene(title, step, sign, chart, count_in_s, len(stage.bars), words.counts, doubts))
    return out


def _shown_stage(lesson: Lesson, item: LessonItem) -> Stage:
    if item.exercise is None:
        return whole_song(lesson.chart)
    return [s for s in item.exercise.stages if s.loop and not s.record and not s.version][-1]


def write_film(
    lesson: Lesson, path: str | os.PathLike, items: Sequence[int] | None = None, progress: Progress | None = None
) -> Path:
    """Write a lesson as a film; see :func:`workbench.film`."""
    try:
        import av
    except ImportError:
        raise WorkbenchError(
            "Films need PyAV, which is not installed: pip install 'drumchart-workbench[film]'."
        ) from None
    tell = progress or silent
    path = Path(path)
    scenes = scenes_of(lesson, items)
    whole_s, done_s = sum(s.length_s for s in scenes), 0.0
    with replacing(path) as temporary, av.open(str(temporary), "w", format="webm") as film:
        coder = _Coder(film)
        for scene in scenes:
            tell(done_s / whole_s, "Filming the lesson")
            coder.add(scene)
            done_s += scene.length_s
        coder.end()
    tell(1.0, "Film written")
    return path


class _Coder:
    """Pictures and sound of scenes, one after the other, into a film."""

    def __init__(self, film: OutputContainer) -> None:
        from av import AudioFifo

        self.film = film
        self.picture: Any = film.add_stream("libvpx-vp9", rate=FRAMES_PER_S)
        self.picture.width, self.picture.height, self.picture.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        self.picture.options = {"deadline": "realtime", "cpu-used": "8", "crf": "34", "b": "0", "row-mt": "1"}
        self.sound: Any = film.add_stream("libopus", rate=FILM_RATE_HZ, layout="stereo")
        self.sound.bit_rate = 128_000
        self.fifo = AudioFifo()
        self.pictures = 0

    def add(self, scene: Scene) -> None:
        """One scene: a second of sound, then its pictures, and so on."""
        from av import AudioFrame, VideoFrame

        x = scene_sound(scene)
        for k, picture in enumerate(pictures_of(scene)):
            at = k * FILM_RATE_HZ // FRAMES_PER_S
            cut = np.ascontiguousarray(x[at : at + FILM_RATE_HZ // FRAMES_PER_S].reshape(1, -1))
            heard = AudioFrame.from_ndarray(cut, format="flt", layout="stereo")
            heard.sample_rate = FILM_RATE_HZ
            self.fifo.write(heard)
            self._code_sound(partial=False)
            seen = VideoFrame.from_ndarray(picture, format="rgb24")
            seen.pts, self.pictures = self.pictures, self.pictures + 1
            seen.time_base = Fraction(1, FRAMES_PER_S)
            self.film.mux(self.picture.encode(seen))

    def end(self) -> None:
        """All that coders still hold."""
        self._code_sound(partial=True)
        for stream in (self.picture, self.sound):
            self.film.mux(stream.encode(None))

    def _code_sound(self, partial: bool) -> None:
        for heard in self.fifo.read_many(FILM_RATE_HZ // 50, partial=partial):
            self.film.mux(self.sound.encode(heard))


def scene_sound(scene: Scene) -> np.ndarray:
    """Count-in, then kit and click, as long as the scene, (frames, 2), float32."""
    count = render_count_in(scene.chart.time_map.bars[0], scene.chart.time_map.tempo_bpm(0), FILM_RATE_HZ)
    kit = render_chart(scene.chart, FILM_RATE_HZ)
    click = render_click(scene.chart.time_map, sample_rate=FILM_RATE_HZ)
    music = mixed([placed(kit), placed(click, FILM_CLICK_DB)])
    x = np.concatenate([placed(count, FILM_CLICK_DB), music])[: round(scene.length_s * FILM_RATE_HZ)]
    x = np.pad(x, ((0, round(scene.length_s * FILM_RATE_HZ) - len(x)), (0, 0)))
    fade = round(REST_S * FILM_RATE_HZ / 2)
    x[-fade:] *= np.linspace(1, 0, fade, dtype=np.float32)[:, None]
    return levelled(x, FILM_RATE_HZ)


# -- pictures ------------------------------------------------------------------------------


@dataclass(frozen=True)
class BarPlace:
    """Where a bar lies in a picture, pixels, and where its moments are written in it."""

    left: int
    top: int
    width: int
    height: int
    moments: tuple[tuple[float, float], ...]

    def x(self, position: float) -> int:
        """Column of a moment (whole notes from the bar line)."""
        at, where = zip(*self.moments)
        return round(float(np.interp(position, at, where)))


def lay_out(count: int) -> tuple[int, int, int]:
    """Columns, and width and height of a bar's frame in pixels, for so many bars on a picture.

    Examples
    --------
    >>> lay_out(1), lay_out(2), lay_out(4)
    ((1, 1000, 480), (2, 600, 480), (2, 600, 230))
    """
    columns = 1 if count == 1 else 2
    rows = -(-count // columns)
    return columns, 1000 if columns == 1 else 600, (MUSIC_HEIGHT + BAR_GAP) // rows - BAR_GAP


def pictures_of(scene: Scene) -> Iterator[np.ndarray]:
    """The pictures of a scene, (HEIGHT, WIDTH, 3), uint8, :data:`FRAMES_PER_S` a second."""
    groups = [range(k, min(k + BARS_SHOWN, scene.bars)) for k in range(0, scene.bars, BARS_SHOWN)]
    papers = [paper_of(scene, group) for group in groups]
    counts = _counts(scene)
    times = np.array([t for t, _ in counts])
    for k in range(round(scene.length_s * FRAMES_PER_S)):
        now_s = k / FRAMES_PER_S
        music_s = now_s - scene.count_in_s
        said = counts[max(int(np.searchsorted(times, music_s + 1e-6, side="right")) - 1, 0)][1]
        ended = music_s >= scene.chart.time_map.end_s
        if music_s < 0 or ended:
            picture = papers[-1 if ended else 0][0].copy()
        else:
            place = scene.chart.time_map.place(music_s)
            bar = place.bar_index % scene.bars
            paper, places = papers[bar // BARS_SHOWN]
            picture = paper.copy()
            _light(picture, places[bar % BARS_SHOWN], place.position)
        if not ended:
            word = _word(said)
            picture[-word.shape[0] - 10 : -10, (WIDTH - word.shape[1]) // 2 :][:, : word.shape[1]] = word
        yield picture


def _light(picture: np.ndarray, bar: BarPlace, position: float) -> None:
    lit = picture[bar.top : bar.top + bar.height, bar.left : bar.left + bar.width]
    lit[:] = (lit * LIT).astype(np.uint8)
    x = bar.left + bar.x(position)
    picture[bar.top : bar.top + bar.height, x - 2 : x + 2] = CURSOR


def _counts(scene: Scene) -> list[tuple[float, str]]:
    """What is counted when: the count-in before 0, then beats and strokes, seconds."""
    time_map = scene.chart.time_map
    first = time_map.bars[0]
    clicks, length_s = count_in_clicks(first, time_map.tempo_bpm(0))
    beats = first.meter.beat_positions(first.meter.bar_length)
    full = Bar(first.meter, tuple(map(float, beats)))
    out = [(at_s - length_s, count_syllable(full, beats[k % len(beats)])) for k, (at_s, _) in enumerate(clicks)]
    for k, bar in enumerate(time_map.bars):
        places = {*bar.beat_positions(), *(n.position for n in scene.chart.bars[k].notes)}
        out += [(time_map.seconds(k, p), count_syllable(bar, p, scene.counts)) for p in sorted(places)]
    return out


def paper_of(scene: Scene, bars: range) -> tuple[np.ndarray, list[BarPlace]]:
    """A picture with nothing lit, and where its bars are."""
    lines = [
        {"x": 40, "y": 62, "size": 44, "anchor": "start", "text": scene.title},
        {"x": 40, "y": 104, "size": 30, "anchor": "start", "text": scene.step},
        {"x": WIDTH - 40, "y": 62, "size": 44, "anchor": "end", "text": scene.tempo},
        {"x": WIDTH - 40, "y": 104, "size": 26, "anchor": "end", "text": scene.doubts},
    ]
    paper = _drawn(filled("practice/page/film.svg", width=WIDTH, height=HEIGHT, lines=lines), WIDTH)
    columns, width, height = lay_out(len(bars))
    svgs = [engrave_bar(scene.chart, k, scene.counts) for k in bars]
    sizes = [_size(svg) for svg in svgs]
    # Every bar in its frame whole, and all staffs of a picture of one size.
    scale = min(min(width / w, height / h) for w, h in sizes)
    places = []
    for j, (k, svg, size) in enumerate(zip(bars, svgs, sizes)):
        # A drawing becomes up to 1 % taller than its size says, in whole pixels; its white edge is wider than that.
        picture = _drawn(svg, int(size[0] * scale))[:height]
        high, wide = picture.shape[:2]
        row, column = divmod(j, columns)
        left = (WIDTH - columns * (width + BAR_GAP) + BAR_GAP) // 2 + column * (width + BAR_GAP) + (width - wide) // 2
        top = MUSIC_TOP + row * (height + BAR_GAP)
        paper[top : top + high, left : left + wide] = picture
        places.append(BarPlace(left, top, wide, high, _moments(svg, wide, scene.chart, k)))
    return paper, places


#: A note of ours in an engraved bar: its position, and where its head is drawn.
_NOTE = re.compile(r'id="note-\d+-(\d+)(?:_(\d+))?-[^"]*" class="note">.*?translate\((-?[\d.]+),', re.DOTALL)


def _moments(svg: str, width: int, chart: Chart, k: int) -> tuple[tuple[float, float], ...]:
    """Positions and the columns where they are written, from the notes of an engraved bar."""
    scale = width / _size(svg)[0]
    found = {int(over) / int(under or 1): (12 + 0.1 * float(x) + 8) * scale for over, under, x in _NOTE.findall(svg)}
    found.setdefault(0.0, width * 0.2)
    return tuple(sorted({**found, float(chart.time_map.bars[k].length): width * 0.985}.items()))


@lru_cache(maxsize=128)
def _word(text: str) -> np.ndarray:
    line = {"x": 200, "y": 76, "size": 84, "anchor": "middle", "text": text}
    return _drawn(filled("practice/page/film.svg", width=400, height=100, lines=[line]), 400)


def _size(svg: str) -> tuple[float, float]:
    """Width and height of an SVG of ours in its own units, tenths of a millimetre."""
    drawn = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    assert drawn is not None, "a drawing of ours says its size"
    return float(drawn[1]), float(drawn[2])


def _drawn(svg: str, width: int) -> np.ndarray:
    """An SVG of ours as pixels (height, width, 3), uint8."""
    from matplotlib.image import imread

    png = svg_to_png(svg, dots_per_inch=width / (_size(svg)[0] / 10 / 25.4))
    return np.round(np.asarray(imread(io.BytesIO(png)), float)[..., :3] * 255).astype(np.uint8)
