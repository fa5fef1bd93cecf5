"""The practice pack: exercises of a part as sound and pages, in one folder.

A pack works offline: ``index.html`` plays everything in a browser,
``booklet.pdf`` is for the music stand, ``audio/`` holds the same sound as files.

* ``audio/EXERCISE/STAGE-90bpm.flac``: the stage with click, a loop exact to the
  sample; or, in the song, once with count-in;
* ``…-drums-down.flac`` and ``…-drums-up.flac``: the recording for playing along
  and for listening;
* ``audio/EXERCISE/track.mp3``: a ladder of tempi with count-ins and repeats, long,
  and so always MP3.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from workbench.chart import Chart, Mark
from workbench.errors import WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ, Audio, describe_audio, save_audio
from workbench.files.safefile import check_folder
from workbench.practice.exercises import (
    DISPUTE_LEARNING,
    MOST_RUNS_NAMED,
    choose_exercises,
    untaught_learnt,
    untaught_told,
)
from workbench.practice.pages import PageSettings, PageStage, PlayableStage, engraved_once, write_pages
from workbench.practice.playalong import render_play_along
from workbench.practice.record import mp3_text, open_recording
from workbench.practice.stagecharts import recorded_stage_chart, stage_chart, with_sticking
from workbench.practice.stages import Exercise, Stage, without_recording
from workbench.practice.tempi import original_tempo_bpm, printed_tempi_bpm
from workbench.progress import Progress, part, silent
from workbench.reading.read import Reading, read_part
from workbench.sound.drumlevel import DrumLevel
from workbench.sound.loudness import CEILING_DBTP, NO_CEILING_DBTP, TARGET_LUFS, levelled
from workbench.sound.rendering import (
    CLICKS,
    RING_OUT_S,
    click_positions,
    count_in_clicks,
    mixed,
    placed,
    render_chart,
    render_click,
    render_count_in,
)
from workbench.sound.separation import Separation
from workbench.sound.stretch import settle_attacks, stretch_audio

SOUND_FORMATS: tuple[str, ...] = ("flac", "wav", "mp3")
# Numbers whose origin is not named: chosen by ear, no source.
#: The recording's excerpt is cut with so much more on both sides, seconds.
AROUND_S = 0.35
#: Where an excerpt of the recording joins itself, it is blended so long, seconds.
SEAM_S = 0.012
#: Coding as MP3 raises peaks by about a decibel; they keep so much more headroom.
LOSSY_HEADROOM_DB = 2.0
#: Sound for the page carries so much of the loop's other end, samples: a decoder's
#: own delay then shifts the loop but never shortens it.
PAGE_PADDING = 4096


@dataclass(frozen=True)
class PackOptions:
    """How a pack sounds.

    Attributes
    ----------
    format : str
        'flac', 'wav' or 'mp3' (whose loops are exact only on the page).
    click : str
        From :data:`workbench.sound.rendering.CLICKS`, or 'none'.
    kit_db, click_db, recording_db : float
        Levels against each other.
    kit_pan, click_pan, recording_pan : float
        Between left (−1) and right (1).
    count_in_bars : int
    crash_every : int
        A crash on 1 every so many bars marks the phrase; 0 for none.
    drums_down_db, drums_up_db : float
        Drums of the recording, pushed back and brought out.
    track_repeats : int
        Rounds at each tempo of the ladder; 0 for no tracks.
    ladder_step_bpm : float
        Steps of the ladder from slow to original; 0 takes the exercise's tempi.
    loudness_lufs : float
    paper : str
        'A4' or 'Letter'.
    """

    format: str = "flac"
    click: str = "quarter"
    kit_db: float = 0.0
    click_db: float = -4.0
    recording_db: float = 0.0
    kit_pan: float = 0.0
    click_pan: float = 0.0
    recording_pan: float = 0.0
    count_in_bars: int = 1
    crash_every: int = 0
    drums_down_db: float = -15.0
    drums_up_db: float = 8.0
    track_repeats: int = 4
    ladder_step_bpm: float = 0.0
    loudness_lufs: float = TARGET_LUFS
    paper: str = "A4"

    def __post_init__(self) -> None:
        if self.format not in SOUND_FORMATS:
            raise WorkbenchError(f"Practice sound is written as {', '.join(SOUND_FORMATS)}, not {self.format!r}.")
        if self.click not in (*CLICKS, "none"):
            raise WorkbenchError(f"A click is one of {', '.join(CLICKS)} or none, not {self.click!r}.")
        for names, least, most, sentence in _BOUNDS:
            for name in names.split():
                if not least <= getattr(self, name) <= most:
                    raise WorkbenchError(f"{sentence}, not {getattr(self, name):g}.")
        if 0 < self.ladder_step_bpm < 1:
            raise WorkbenchError(f"A step of the ladder is 1 bpm or more, not {self.ladder_step_bpm:g}; 0 for none.")


#: Options with the bounds of what makes sense, and how they are told.
_BOUNDS: tuple[tuple[str, float, float, str], ...] = (
    ("kit_pan click_pan recording_pan", -1, 1, "A pan lies between -1 (left) and 1 (right)"),
    ("kit_db click_db recording_db drums_down_db drums_up_db", -80, 20, "A level lies between -80 and 20 dB"),
    ("loudness_lufs", -40, -8, "A loudness lies between -40 and -8 LUFS"),
    ("count_in_bars", 0, 4, "A count-in has from 0 to 4 bars"),
    ("crash_every", 0, 16, "A crash comes every 1 to 16 bars, or with 0 never"),
    ("track_repeats", 0, 32, "A track has from 0 to 32 rounds at each tempo"),
    ("ladder_step_bpm", 0, 100, "A step of the ladder lies between 1 and 100 bpm, or is 0 for none"),
)


@dataclass(frozen=True)
class PracticePack:
    """A pack as written.

    Attributes
    ----------
    folder, index, booklet : Path
    exercises : tuple of Exercise
    files : tuple of Path
        All sound files.
    audio_s : float
        Their length together, with the page's.
    notes : tuple of str
        What the user should know, such as a missing recording.
    """

    folder: Path
    index: Path
    booklet: Path
    exercises: tuple[Exercise, ...]
    files: tuple[Path, ...]
    audio_s: float
    notes: tuple[str, ...] = ()


@dataclass
class _Workshop:
    """What all exercises share while a pack is made."""

    chart: Chart
    options: PackOptions
    folder: Path
    heard: Separation | None
    files: list[Path] = field(default_factory=list)
    lengths_s: list[float] = field(default_factory=list)


def make_practice_pack(
    chart: Chart,
    folder: str | os.PathLike,
    *,
    exercises: Sequence[Exercise] | None = None,
    reading: Reading | None = None,
    recording: str | os.PathLike | None = None,
    options: PackOptions = PackOptions(),
    progress: Progress | None = None,
) -> PracticePack:
    """Make a practice pack; see :func:`workbench.practice_pack`.

    Without ``exercises`` all that the reading offers are taken, without a ``reading`` the chart is read here.
    """
    tell = progress or silent
    folder = Path(folder)
    check_pack_folder(folder)
    tell(0.0, "Reading the part")
    reading = reading or read_part(chart)
    exercises = choose_exercises(reading) if exercises is None else tuple(exercises)
    remarks: tuple[str, ...] = ()
    if not exercises:
        why = (
            " ".join(untaught_told(reading, most_runs=MOST_RUNS_NAMED))
            or "The chart has no grooves, variations or fills of that kind."
        )
        raise WorkbenchError(f"There is nothing to practise. {why}")
    heard = None
    if recording is not None:
        tell(0.02, "Reading the recording")
        heard = open_recording(chart, recording, folder.absolute().parent)
    else:
        exercises = tuple(without_recording(e) for e in exercises)
        remarks = ("This pack was made without the recording: the kit plays everything.",)
    # One exercise alone is no song with gaps.
    left_out = untaught_learnt(reading) if len(exercises) > 1 else ""
    dispute = DISPUTE_LEARNING if reading.dispute else ""
    _clear(folder)
    shop = _Workshop(with_sticking(reading), options, folder, heard)
    pages: dict[tuple[str, str], PageStage] = {}
    drawings: dict[tuple[str, str], str] = {}
    engraved: dict[tuple, str] = {}
    # Two at a time: the heavy parts (Fourier transforms, coding) leave Python free; meanwhile bars are engraved here.
    with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
        try:
            song_made = pool.submit(_make_song, shop, recording)
            made = [((e, s), pool.submit(_make_stage, shop, e, s)) for e in exercises for s in e.stages]
            recorded = [(e, pool.submit(_make_track, shop, e)) for e in exercises if options.track_repeats]
            for k, ((e, s), page) in enumerate(made):
                pages[e.name, s.name] = page.result()
                drawings[e.name, s.name] = engraved_once(engraved, page.result().chart, options.paper)
                tell(0.05 + 0.7 * (k + 1) / len(made), "Playing the exercises")
            tracks = {}
            for k, (e, href) in enumerate(recorded):
                tracks[e.name] = href.result()
                tell(0.75 + 0.15 * (k + 1) / len(recorded), "Recording the tracks")
            song = song_made.result()
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    places = {"kit": options.kit_pan, "click": options.click_pan, "record": options.recording_pan}
    settings = PageSettings(options.paper, options.click, places, remarks, left_out, song, dispute)
    index, booklet = write_pages(
        folder, shop.chart, exercises, pages, drawings, tracks, settings, part(progress, 0.9, 1.0)
    )
    tell(1.0, "Practice pack written")
    return PracticePack(
        folder,
        index,
        booklet,
        exercises,
        tuple(sorted(shop.files)),
        sum(shop.lengths_s),
        (*untaught_told(reading), *remarks),
    )


def _make_song(shop: _Workshop, recording: str | os.PathLike | None) -> str:
    """The whole song to play along to; "" without a recording."""
    if shop.heard is None or recording is None:
        return ""
    options = shop.options
    x = render_play_along(
        shop.chart,
        shop.heard,
        round(describe_audio(recording).duration_s * SAMPLE_RATE_HZ),
        click=options.click,
        click_db=options.click_db,
        click_pan=options.click_pan,
        count_in_bars=options.count_in_bars,
    )
    return _save(shop, "play-along", x, False, "mp3")


#: What a pack consists of, and nothing else may be deleted.
_PACK_PARTS = {"audio", "page", "index.html", "booklet.pdf"}
#: Written first, so that a pack broken off can be told from a user's own folder.
_MARK = Path("page") / "made-by-workbench.txt"


def is_pack(folder: str | os.PathLike) -> bool:
    """Whether a folder is a practice pack."""
    return (Path(folder) / _MARK).is_file()


def check_pack_folder(folder: str | os.PathLike) -> None:
    """Make sure before the work that a pack can be written into a folder; nothing is changed now.

    Raises
    ------
    WorkbenchError
        If it cannot be made or written to, or holds anything but an earlier pack.
    """
    folder = Path(folder)
    check_folder(folder)
    inside = {p.name for p in folder.iterdir()} if folder.exists() else set()
    # A pack broken off before its mark was written has no file yet, so there is nothing to lose.
    ours = is_pack(folder) or not any(p.is_file() for p in folder.rglob("*"))
    if inside and not (inside <= _PACK_PARTS and ours):
        raise WorkbenchError(f"{folder} holds other files; name an empty folder for the practice pack.")


def _clear(folder: Path) -> None:
    """Remove an earlier pack but its mark, so that a pack broken off here is known too; refuse a folder that holds
    anything else."""
    check_pack_folder(folder)
    mark = folder / _MARK
    for path in [p for place in (folder, mark.parent) if place.is_dir() for p in place.iterdir()]:
        if path not in (mark, mark.parent):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
    try:
        mark.parent.mkdir(parents=True, exist_ok=True)
        (folder / "audio").mkdir(exist_ok=True)
        mark.write_text("A practice pack; made anew, it replaces what lies here.\n", "ascii")
    except OSError as error:
        raise WorkbenchError(f"The folder {folder} could not be made: {error.strerror}.") from error


# -- stages ------------------------------------------------------------------------


def _make_stage(shop: _Workshop, exercise: Exercise, stage: Stage) -> PageStage:
    takes = []
    # The score's tempo is the recording's own speed exactly.
    original = printed_tempi_bpm(shop.chart)[exercise.first_bar]
    for tempo_bpm in exercise.tempi_bpm:
        with_record = stage.record and shop.heard is not None
        if stage.record:
            own = recorded_stage_chart(shop.chart, stage, tempo_bpm / original)
        else:
            own = stage_chart(shop.chart, stage, tempo_bpm, shop.options.crash_every)
        takes.append(_make_take(shop, exercise, stage, own, tempo_bpm, tempo_bpm / original if with_record else None))
    crash_every = 0 if stage.record else shop.options.crash_every
    shown = stage_chart(shop.chart, stage, original_tempo_bpm(shop.chart, stage.bars), crash_every)
    return PageStage(stage, _with_fill_marked(shop.chart, shown, exercise, stage), tuple(takes))


def _with_fill_marked(chart: Chart, shown: Chart, exercise: Exercise, stage: Stage) -> Chart:
    """The bars of a stage with a bracket over the fill that they lead to, where they show more than the fill."""
    fill = exercise.stages[0].only
    if fill is None or stage.only is not None:
        return shown
    first = stage.bars.index(fill.start[0]) - fill.start[0]
    # A pick-up bar is shown as a full bar whose beginning rests.
    missing = {k: chart.time_map.bars[k].missing for k in stage.bars}
    start, end = ((first + k, position + missing.get(k, 0)) for k, position in (fill.start, fill.end))
    return replace(shown, marks=(Mark("fill", start, end, confirmed=True),))


def _make_take(
    shop: _Workshop, exercise: Exercise, stage: Stage, own: Chart, tempo_bpm: float, speed: float | None
) -> PlayableStage:
    options = shop.options
    kit = render_chart(own, SAMPLE_RATE_HZ, loop=stage.loop)
    length = len(kit.samples)
    stem = f"{exercise.name}/{stage.name}-{tempo_bpm:g}bpm"
    click = _click(shop, own, stage.loop)
    along = _counted(shop, own, stage, mixed([placed(kit, options.kit_db, options.kit_pan), *click]))
    files = [("kit and click" if click else "kit", _save(shop, stem, along, stage.loop))]
    sounds = {"kit": _level(shop, kit.samples, stage.loop)}
    if speed is not None:
        back, out = _record_excerpt(shop, stage, speed, length)
        sounds |= {"back": _level(shop, back, stage.loop), "out": _level(shop, out, stage.loop)}
        # As loud as the rest, but limited only once, in the mix.
        back = levelled(back, SAMPLE_RATE_HZ, options.loudness_lufs, NO_CEILING_DBTP, stage.loop)
        record = placed(Audio(back, SAMPLE_RATE_HZ), options.recording_db, options.recording_pan)
        along = _counted(shop, own, stage, mixed([record, *(x * np.float32(0.5) for x in click)]))
        files.append(("to play along", _save(shop, f"{stem}-drums-down", along, stage.loop)))
        files.append(("to listen to", _save(shop, f"{stem}-drums-up", out, stage.loop)))
    clicks = {
        kind: [
            (round(own.time_map.seconds(k, p), 5), accented)
            for k, bar in enumerate(own.time_map.bars)
            for p, accented in click_positions(bar, kind)
        ]
        for kind in CLICKS
    }
    count_in, count_in_s = count_in_clicks(
        own.time_map.bars[0], own.time_map.tempo_bpm(0), max(1, options.count_in_bars)
    )
    return PlayableStage(
        tempo_bpm,
        length / SAMPLE_RATE_HZ,
        [(round(at_s, 5), accented) for at_s, accented in count_in],
        count_in_s,
        PAGE_PADDING / SAMPLE_RATE_HZ,
        clicks,
        {name: _page_sound(shop, f"{stem}-{name}", x, stage.loop) for name, x in sounds.items()},
        files,
    )


def _click(shop: _Workshop, own: Chart, loop: bool) -> list[np.ndarray]:
    """The click along a stage, in its place; nothing without one."""
    options = shop.options
    if options.click == "none":
        return []
    beat = render_click(own.time_map, options.click, SAMPLE_RATE_HZ, loop=loop)
    return [placed(beat, options.click_db, options.click_pan)]


def _count_in(shop: _Workshop, own: Chart) -> np.ndarray:
    """At the tempo in which the stage begins: the recording's own where it plays it."""
    count = render_count_in(own.time_map.bars[0], own.time_map.tempo_bpm(0), SAMPLE_RATE_HZ, shop.options.count_in_bars)
    return placed(count, shop.options.click_db, shop.options.click_pan)


def _counted(shop: _Workshop, own: Chart, stage: Stage, x: np.ndarray) -> np.ndarray:
    """With the count-in before it, where it is no loop."""
    if stage.loop or not shop.options.count_in_bars:
        return x
    return np.concatenate([_count_in(shop, own), x])


def _record_excerpt(shop: _Workshop, stage: Stage, speed: float, length: int) -> tuple[np.ndarray, np.ndarray]:
    """The stage's bars of the recording at another speed: drums back, drums out."""
    time_map = shop.chart.time_map
    start_s, end_s = time_map.bar_start_s(stage.bars[0]), time_map.bar_end_s(stage.bars[-1])
    first_s = max(0.0, start_s - AROUND_S)
    last_s = end_s + (AROUND_S if stage.loop else max(AROUND_S, RING_OUT_S * speed))
    heard = shop.heard
    assert heard is not None  # else no speed is asked for
    span = round(first_s * SAMPLE_RATE_HZ), round(last_s * SAMPLE_RATE_HZ)
    drums, rest = (Audio(part, SAMPLE_RATE_HZ) for part in heard.apart(*span))
    near = [
        shop.chart.note_time_s(k, n) - first_s
        for k in range(max(0, stage.bars[0] - 1), min(len(time_map), stage.bars[-1] + 2))
        for n in shop.chart.bars[k].notes
    ]
    attacks_s = settle_attacks(drums, near) if speed != 1 else ()
    slow_drums, slow_rest = stretch_audio(drums, speed, attacks_s).samples, stretch_audio(rest, speed, ()).samples
    at = round((start_s - first_s) / speed * SAMPLE_RATE_HZ)
    out = []
    for drums_db in (shop.options.drums_down_db, shop.options.drums_up_db):
        level = DrumLevel.of(drums.samples, rest.samples, drums_db, SAMPLE_RATE_HZ)
        x = level.mixed(slow_drums, slow_rest)
        if drums_db > 0:  # the band steps back instead, so that both are as loud
            x *= np.float32(10 ** (-drums_db / 20))
        x = x if x.shape[1] == 2 else np.repeat(x, 2, axis=1)
        cut = x[at : at + length]
        cut = np.pad(cut, ((0, length - len(cut)), (0, 0)))
        out.append(_joined(cut, x[:at]) if stage.loop else _faded(cut))
    return out[0], out[1]


def _joined(x: np.ndarray, before: np.ndarray) -> np.ndarray:
    """A loop whose end runs into what led to its beginning."""
    n = min(round(SEAM_S * SAMPLE_RATE_HZ), len(before), len(x) // 2)
    if n:
        rise = np.linspace(0, 1, n, dtype=np.float32)[:, None]
        x = x.copy()
        x[-n:] = x[-n:] * (1 - rise) + before[-n:] * rise
    return x


def _faded(x: np.ndarray) -> np.ndarray:
    n = min(len(x), round(RING_OUT_S * SAMPLE_RATE_HZ))
    x = x.copy()
    x[len(x) - n :] *= np.linspace(1, 0, n, dtype=np.float32)[:, None] ** 1.5
    return x


def _make_track(shop: _Workshop, exercise: Exercise) -> str:
    """Through the tempi with count-ins: the last stage that the kit plays alone."""
    options, repeats = shop.options, shop.options.track_repeats
    stage = [s for s in exercise.stages if not s.record][-1]
    parts = []
    for tempo_bpm in ladder_bpm(exercise.tempi_bpm, options.ladder_step_bpm):
        own = stage_chart(shop.chart, stage, tempo_bpm, options.crash_every)
        kit = placed(render_chart(own, SAMPLE_RATE_HZ, loop=True), options.kit_db, options.kit_pan)
        lap = mixed([kit, *_click(shop, own, True)])
        n, count = len(lap), _count_in(shop, own) if options.count_in_bars else kit[:0]
        # All rounds but the first sound the same, so they are levelled once, before the beginning of the next.
        x = _level(
            shop, np.concatenate([count, np.tile(lap, (min(repeats, 2), 1)), lap[: SAMPLE_RATE_HZ // 50]]), False
        )
        first, again = x[: len(count) + n], x[len(count) + n :][:n]
        parts += [first, np.tile(again, (repeats - 1, 1))]
    return _write(shop, f"{exercise.name}/track", np.concatenate(parts), "mp3")


def ladder_bpm(tempi_bpm: Sequence[float], step_bpm: float = 0.0) -> tuple[float, ...]:
    """Tempi of a ladder from the slowest to the original, the original always last.

    Examples
    --------
    >>> ladder_bpm((60.0, 82.0, 100.0), 15)
    (60.0, 75.0, 90.0, 100.0)
    """
    if not step_bpm:
        return tuple(tempi_bpm)
    count = int((tempi_bpm[-1] - tempi_bpm[0]) / step_bpm - 1e-9)
    return (*(tempi_bpm[0] + k * step_bpm for k in range(count + 1)), tempi_bpm[-1])


# -- files ---------------------------------------------------------------------------


def _level(shop: _Workshop, x: np.ndarray, loop: bool, lossy: bool = True) -> np.ndarray:
    ceiling_dbtp = CEILING_DBTP - (LOSSY_HEADROOM_DB if lossy else 0.0)
    return levelled(x, SAMPLE_RATE_HZ, shop.options.loudness_lufs, ceiling_dbtp, loop)


def _save(shop: _Workshop, name: str, x: np.ndarray, loop: bool, ending: str | None = None) -> str:
    ending = ending or shop.options.format
    return _write(shop, name, _level(shop, x, loop, ending == "mp3"), ending)


def _write(shop: _Workshop, name: str, x: np.ndarray, ending: str) -> str:
    path = shop.folder / "audio" / f"{name}.{ending}"
    path.parent.mkdir(exist_ok=True)
    save_audio(path, Audio(x, SAMPLE_RATE_HZ), None if ending == "mp3" else "PCM_16")
    shop.files.append(path)
    shop.lengths_s.append(len(x) / SAMPLE_RATE_HZ)
    return path.relative_to(shop.folder).as_posix()


def _page_sound(shop: _Workshop, key: str, x: np.ndarray, loop: bool) -> dict[str, str]:
    """Sound as a script that a page may load from disk, where it may not fetch."""
    if loop:
        x = np.take(x, np.arange(-PAGE_PADDING, len(x) + PAGE_PADDING), axis=0, mode="wrap")
    else:
        x = np.pad(x, ((PAGE_PADDING, 0), (0, 0)))
    code = mp3_text(x, SAMPLE_RATE_HZ)
    script = shop.folder / "page" / f"{key.replace('/', '-')}.js"
    script.write_text(f'heard({json.dumps(key)}, "{code}");\n', encoding="ascii")
    shop.lengths_s.append(len(x) / SAMPLE_RATE_HZ)
    return {"key": key, "script": script.relative_to(shop.folder).as_posix()}
