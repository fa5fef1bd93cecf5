"""From chart to sound: our kit plays the part, a click keeps time.

Everything is laid on exact samples.  A *loop* is rendered as the steady state
of playing it over and over: whatever rings past its end is added to its
beginning, hi-hats that close across the seam close, and the room rings round.

Flams, drags and rolls are played as :mod:`workbench.chart.ornaments` says.  A
choked cymbal is grabbed after an eighth note; any stroke of the hi-hat ends the
one before (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

import numpy as np

from workbench.chart import Chart
from workbench.chart.drumkit import instrument
from workbench.chart.meter import Bar, TimeMap
from workbench.chart.ornaments import play_note
from workbench.errors import WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ, Audio
from workbench.grouping import grouped
from workbench.sound.synthesis import add_room, kit_sample

#: A damped sound takes this long to fall silent, seconds (set by ear, no source).
DAMP_S = 0.02
#: What is left to ring after the last bar where nothing repeats, seconds (set by ear, no source).
RING_OUT_S = 2.0
#: Ways the click goes.
CLICKS: tuple[str, ...] = ("quarter", "eighth", "off-beat", "2 and 4")

#: Place between left (−1) and right (1), as the drummer sees the kit (common practice, no source).
PLACES: dict[str, float] = {
    "hi-hat": -0.35,
    "snare": -0.08,
    "kick": 0.0,
    "percussion": 0.25,
    "high tom": -0.25,
    "mid tom": 0.12,
    "floor tom": 0.45,
    "crash": -0.5,
    "second crash": 0.5,
    "ride": 0.5,
    "ride bell": 0.5,
    "splash": -0.1,
    "china": 0.65,
}


@dataclass(frozen=True)
class Hit:
    """One stroke to be sounded.

    Attributes
    ----------
    time_s : float
        Onset from the start of the sound.
    instrument : str
    velocity : int, 1–127
    articulations : frozenset of str
        Those that choose another sound (see :mod:`workbench.sound.synthesis`).
    stop_s : float or None
        When a hand or foot damps it.
    variation : int
        Which of the kit's hits of this loudness it is.
    """

    time_s: float
    instrument: str
    velocity: int
    articulations: frozenset[str] = frozenset()
    stop_s: float | None = None
    variation: int = 0


def hits_of(chart: Chart, first_bar: int = 0, end_bar: int | None = None) -> list[Hit]:
    """The strokes of bars ``first_bar … end_bar − 1`` as they were played, seconds from the first's line."""
    end_bar = len(chart) if end_bar is None else end_bar
    chart.time_map.check_bar(first_bar)
    chart.time_map.check_bar(end_bar - 1)
    origin_s = chart.time_map.bar_start_s(first_bar)
    hits: list[Hit] = []
    for k in range(first_bar, end_bar):
        for note in chart.bars[k].notes:
            own, *further = play_note(chart, k, note)
            stop_s = None
            if "choke" in note.articulations:
                at_s, off_s = (chart.time_map.seconds(k, note.position + length) for length in (0, Fraction(1, 8)))
                stop_s = own.time_s - origin_s + off_s - at_s
            said = note.articulations
            hits.append(Hit(own.time_s - origin_s, note.instrument, own.velocity, said, stop_s))
            hits += [Hit(s.time_s - origin_s, s.instrument, s.velocity, said) for s in further]
    hits.sort(key=lambda b: (b.time_s, b.instrument))
    played_before: dict[str, int] = {}
    for k, hit in enumerate(hits):
        count = played_before.get(hit.instrument, 0)
        hits[k] = replace(hit, variation=count)
        played_before[hit.instrument] = count + 1
    return hits


def mix_hits(
    hits: Iterable[Hit], length: int, sample_rate: int, *, loop: bool = False, room: bool = True
) -> np.ndarray:
    """Sound the strokes, (length, 2), float32.

    With ``loop`` the result is one round of endless playing; without, strokes
    before 0 are cut off and the sound ends at ``length``.
    """
    hits = sorted(hits, key=lambda b: (b.time_s, b.instrument))
    if length <= 0:
        raise WorkbenchError("A sound needs a length above zero.")
    stops = _stops(hits, length / sample_rate, loop)
    out = np.zeros((length, 2), np.float32)
    # All that stands in one place is laid together, and placed between left and right once.
    for place, there in grouped((place_of(h.instrument), (h, stop)) for h, stop in zip(hits, stops)).items():
        heard = np.zeros(length, np.float32)
        for hit, stop_s in there:
            shot = kit_sample(hit.instrument, hit.velocity, sample_rate, hit.variation, hit.articulations)
            if stop_s is not None:
                shot = _damped(shot, max(0.0, stop_s - hit.time_s), sample_rate)
            _lay(heard, shot, round(hit.time_s * sample_rate), loop)
        for channel, gain in zip(out.T, pan_gains(place)):
            channel += gain * heard
    if room:
        wet = add_room(out, sample_rate)
        out = _folded(wet, length) if loop else wet[:length]
    return out


def _stops(hits: Sequence[Hit], length_s: float, loop: bool) -> list[float | None]:
    """When each sound is damped: as asked, or by the hi-hat's next stroke."""
    hats = [k for k, b in enumerate(hits) if instrument(b.instrument).family == "hi-hat"]
    stops = [b.stop_s for b in hits]
    for k, after in zip(hats, [*hats[1:], hats[0] if hats and loop else None]):
        if after is None:
            continue
        at_s = hits[after].time_s + (length_s if after <= k else 0.0)
        asked_s = stops[k]
        stops[k] = at_s if asked_s is None else min(at_s, asked_s)
    return stops


def _damped(shot: np.ndarray, after_s: float, sample_rate: int) -> np.ndarray:
    start, fade = int(after_s * sample_rate), int(DAMP_S * sample_rate)
    if start >= len(shot):
        return shot
    shot = shot[: start + fade].copy()
    shot[start:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(len(shot) - start) / fade)
    return shot


def _lay(out: np.ndarray, x: np.ndarray, at: int, loop: bool) -> None:
    """Add ``x`` from sample ``at``, round the end of a loop."""
    length = len(out)
    if loop:
        at %= length
        while len(x):
            n = min(length - at, len(x))
            out[at : at + n] += x[:n]
            x, at = x[n:], 0
        return
    if at < 0:
        x, at = x[-at:], 0
    n = min(length - at, len(x))
    if n > 0:
        out[at : at + n] += x[:n]


def _folded(x: np.ndarray, length: int) -> np.ndarray:
    out = np.zeros((length, 2), np.float32)
    _lay(out, x, 0, True)
    return out


def place_of(name: str) -> float:
    """Where an instrument stands between left (−1) and right (1)."""
    return PLACES.get(name, PLACES.get(instrument(name).family, 0.0))


def pan_gains(place: float) -> np.ndarray:
    """Left and right gains of equal power, (2,); the middle is 1 : 1."""
    angle = (np.clip(place, -1, 1) + 1) * np.pi / 4
    return (np.sqrt(2) * np.array([np.cos(angle), np.sin(angle)])).astype(np.float32)


def render_chart(
    chart: Chart,
    sample_rate: int = SAMPLE_RATE_HZ,
    *,
    loop: bool = False,
    room: bool = True,
    whole_recording: bool = False,
) -> Audio:
    """The chart played by our kit.

    Parameters
    ----------
    loop : bool
        One round of endless repetition, ``loop_length`` samples long.
        Otherwise the last strokes ring out for :data:`RING_OUT_S`.
    whole_recording : bool
        Time counts from the start of the recording instead of the first bar
        line, so that the result lies on the recording.

    Returns
    -------
    Audio
        Stereo; peaks may pass full scale (see :mod:`workbench.sound.loudness`).
    """
    hits = hits_of(chart)
    length = loop_length(chart.time_map, sample_rate)
    if whole_recording:
        shift_s = chart.time_map.bar_start_s(0)
        hits = [
            replace(b, time_s=b.time_s + shift_s, stop_s=None if b.stop_s is None else b.stop_s + shift_s) for b in hits
        ]
        length += round(shift_s * sample_rate)
    if not loop:
        length += round(RING_OUT_S * sample_rate)
    return Audio(mix_hits(hits, length, sample_rate, loop=loop, room=room), sample_rate)


def loop_length(time_map: TimeMap, sample_rate: int, first_bar: int = 0, end_bar: int | None = None) -> int:
    """Samples from one bar line to another, rounded once."""
    end_bar = len(time_map) if end_bar is None else end_bar
    seconds = time_map.bar_end_s(end_bar - 1) - time_map.bar_start_s(first_bar)
    return round(seconds * sample_rate)


# -- click -----------------------------------------------------------------------


def click_positions(bar: Bar, kind: str) -> list[tuple[Fraction, bool]]:
    """Where a click falls in a bar, and whether it is accented (on 1 only).

    ``kind`` is one of :data:`CLICKS`; "2 and 4" means every second counted beat,
    "eighth" two (in compound meters three) to the beat, "off-beat" the ones
    between the beats.
    """
    if kind not in CLICKS:
        raise WorkbenchError(f"A click is one of {', '.join(CLICKS)}, not {kind!r}.")
    beat = bar.meter.beat_length
    parts = 3 if bar.meter.is_compound else 2
    # Counted in the full bar, so that a pick-up clicks like the end of a bar.
    places = beats = list(bar.meter.beat_positions(bar.meter.bar_length))
    if kind == "eighth":
        places = [b + p * beat / parts for b in beats for p in range(parts)]
    elif kind == "off-beat":
        places = [b + (parts - 1) * beat / parts for b in beats]
    elif kind == "2 and 4":
        places = beats[1::2]
    inside = [p - bar.missing for p in places if bar.missing <= p < bar.meter.bar_length]
    return [(p, p + bar.missing == 0) for p in inside]


def render_click(
    time_map: TimeMap,
    kind: str = "quarter",
    sample_rate: int = SAMPLE_RATE_HZ,
    first_bar: int = 0,
    end_bar: int | None = None,
    *,
    loop: bool = False,
    whole_recording: bool = False,
) -> Audio:
    """A click along the bars of a time map; higher and louder on 1.

    As long as :func:`render_chart` with the same bars makes it, so both mix.
    """
    end_bar = len(time_map) if end_bar is None else end_bar
    origin_s = 0.0 if whole_recording else time_map.bar_start_s(first_bar)
    length = loop_length(time_map, sample_rate, first_bar, end_bar)
    if whole_recording:
        length += round(time_map.bar_start_s(first_bar) * sample_rate)
    if not loop:
        length += round(RING_OUT_S * sample_rate)
    out = np.zeros((length, 1), np.float32)
    for k in range(first_bar, end_bar):
        for position, accented in click_positions(time_map.bars[k], kind):
            at = round((time_map.seconds(k, position) - origin_s) * sample_rate)
            _lay(out, click_sample(sample_rate, accented)[:, None], at, loop)
    return Audio(out, sample_rate)


def count_in_clicks(bar: Bar, tempo_bpm: float, bars: int = 1) -> tuple[list[tuple[float, bool]], float]:
    """Clicks (seconds, accented) of a count-in, and the seconds to the music.

    Before a pick-up the beats that it lacks are counted as well: "1 2 3 4, 1 2"
    before a pick-up on 3 (common practice, no source).
    """
    if bars < 1:
        raise WorkbenchError("A count-in has at least one bar.")
    beat, full = bar.meter.beat_length, bar.meter.bar_length
    whole = bars * full + bar.missing
    clicks = []
    for k in range(bars + 1):
        places = [k * full + p for p in bar.meter.beat_positions(full)]
        clicks += [(float(p / beat) * 60.0 / tempo_bpm, p == k * full) for p in places if p < whole]
    return clicks, float(whole / beat) * 60.0 / tempo_bpm


def render_count_in(bar: Bar, tempo_bpm: float, sample_rate: int = SAMPLE_RATE_HZ, bars: int = 1) -> Audio:
    """The count-in before a bar, exactly to its beginning."""
    clicks, seconds = count_in_clicks(bar, tempo_bpm, bars)
    out = np.zeros((round(seconds * sample_rate), 1), np.float32)
    for at_s, accented in clicks:
        _lay(out, click_sample(sample_rate, accented)[:, None], round(at_s * sample_rate), False)
    return Audio(out, sample_rate)


@lru_cache(maxsize=16)
def click_sample(sample_rate: int, accented: bool = False) -> np.ndarray:
    """A short woody tone, (n,), float32: 1.2 kHz, or 1.8 kHz accented."""
    t = np.arange(int(0.045 * sample_rate)) / sample_rate
    pitch_hz = 1800 if accented else 1200
    knock = 0.4 * np.sin(2 * np.pi * 2.76 * pitch_hz * t) * np.exp(-t / 0.003)
    out = (np.sin(2 * np.pi * pitch_hz * t) + knock) * np.exp(-t / 0.009) * np.minimum(t / 0.0005, 1)
    out[-64:] *= np.linspace(1, 0, 64)
    out = (out / np.abs(out).max() * (0.8 if accented else 0.6)).astype(np.float32)
    out.flags.writeable = False
    return out


# -- mixing ----------------------------------------------------------------------


def placed(audio: Audio, level_db: float = 0.0, place: float = 0.0) -> np.ndarray:
    """Stereo samples at a level and a place between left (−1) and right (1).

    Mono is panned with equal power; stereo is balanced: the far side is turned
    down, and what it carried is moved to the near one.
    """
    gain = np.float32(10 ** (level_db / 20))
    x = audio.samples
    if x.shape[1] == 1:
        return x * pan_gains(place) * gain
    x = x[:, :2]
    if place == 0:
        return x * gain
    far = 1 if place < 0 else 0
    moved = np.float32(min(abs(place), 1.0))
    out = x.copy()
    out[:, 1 - far] += moved * x[:, far] * np.float32(np.sqrt(0.5))
    out[:, far] *= 1 - moved
    return out * gain


def mixed(parts: Iterable[np.ndarray]) -> np.ndarray:
    """Stereo parts added up, as long as the longest."""
    parts = list(parts)
    out = np.zeros((max(len(p) for p in parts), 2), np.float32)
    for p in parts:
        out[: len(p)] += p
    return out
