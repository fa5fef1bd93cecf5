"""From chart to sound: our kit plays the part, a click keeps time.

Everything is laid on exact samples.  A *loop* is rendered as the steady state
of playing it over and over: whatever rings past its end is added to its
beginning, hi-hats that close across the seam close, and the room rings round.

Articulations, common practice, no source: a flam's grace note falls
:data:`FLAM_S` before the stroke, a drag's two :data:`DRAG_S`; a roll fills the
note's time with strokes every :data:`ROLL_STEP_S`; a choked cymbal is grabbed
after an eighth note; any stroke of the hi-hat ends the one before.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from workbench.chart import Chart
from workbench.drumkit import INSTRUMENTS, instrument
from workbench.errors import WorkbenchError
from workbench.synthesis import add_room, kit_sample

FLAM_S = 0.028
DRAG_S = (0.066, 0.033)
ROLL_STEP_S = 0.055
#: A damped sound takes this long to fall silent.
DAMP_S = 0.02
#: Velocity of grace notes against their stroke.
GRACE_SHARE = 0.45

#: Place between left (−1) and right (1), as the drummer sees the kit.
PLACES: dict[str, float] = {
    "hi-hat": -0.35, "snare": -0.08, "kick": 0.0, "percussion": 0.25,
    "high tom": -0.25, "mid tom": 0.12, "floor tom": 0.45,
    "crash": -0.5, "second crash": 0.5, "ride": 0.5, "ride bell": 0.5,
    "splash": -0.1, "china": 0.65,
}


@dataclass(frozen=True)
class Blow:
    """One stroke to be sounded.

    Attributes
    ----------
    time_s : float
        Onset from the start of the sound.
    instrument : str
    velocity : int, 1–127
    articulations : frozenset of str
        Those that choose another sound (see :mod:`workbench.synthesis`).
    stop_s : float or None
        When a hand or foot damps it.
    """

    time_s: float
    instrument: str
    velocity: int
    articulations: frozenset[str] = frozenset()
    stop_s: float | None = None


def blows_of(chart: Chart, first_bar: int = 0, end_bar: int | None = None, *,
             instruments: Collection[str] | None = None, played: bool = True) -> list[Blow]:
    """The strokes of bars ``first_bar … end_bar − 1``, seconds from the first's line.

    Parameters
    ----------
    instruments : names or None
        Only these; None means all.
    played : bool
        With the feel (deviations) of the recording, or exactly as written.
    """
    end_bar = len(chart) if end_bar is None else end_bar
    chart.time_map.check_bar(first_bar)
    chart.time_map.check_bar(end_bar - 1)
    origin_s = chart.time_map.bar_start_s(first_bar)
    blows: list[Blow] = []
    for k in range(first_bar, end_bar):
        for note in chart.bars[k].notes:
            if instruments is not None and note.instrument not in instruments:
                continue
            at_s = chart.time_map.seconds(k, note.position) - origin_s
            eighth_s = chart.time_map.seconds(k, note.position + Fraction(1, 8)) - origin_s - at_s
            at_s += note.deviation_s if played else 0.0
            blows += _spelled_out(note, at_s, eighth_s, chart, k)
    return sorted(blows, key=lambda b: b.time_s)


def _spelled_out(note, at_s: float, eighth_s: float, chart: Chart, bar_index: int) -> list[Blow]:
    said = note.articulations
    stop_s = at_s + eighth_s if "choke" in said else None
    grace = max(1, round(note.velocity * GRACE_SHARE))
    out = [Blow(at_s, note.instrument, note.velocity, said, stop_s)]
    if "flam" in said:
        out.append(Blow(at_s - FLAM_S, note.instrument, grace, said))
    if "drag" in said:
        out += [Blow(at_s - before, note.instrument, grace, said) for before in DRAG_S]
    if "roll" in said:
        later = [n.position for n in chart.bars[bar_index].notes
                 if n.instrument == note.instrument and n.position > note.position]
        bar = chart.time_map.bars[bar_index]
        until = min([*later, note.position + bar.meter.beat_length, bar.length])
        length_s = (chart.time_map.seconds(bar_index, until)
                    - chart.time_map.seconds(bar_index, note.position))
        steps = max(2, round(length_s / ROLL_STEP_S))
        out += [Blow(at_s + length_s * s / steps, note.instrument,
                     max(1, round(note.velocity * (0.62 + 0.06 * (s % 2)))), said)
                for s in range(1, steps)]
    return out


def mix_blows(blows: Iterable[Blow], length: int, sample_rate: int, *, loop: bool = False,
              room: bool = True) -> np.ndarray:
    """Sound the strokes, (length, 2), float32.

    With ``loop`` the result is one round of endless playing; without, strokes
    before 0 are cut off and the sound ends at ``length``.
    """
    blows = sorted(blows, key=lambda b: (b.time_s, b.instrument))
    if length <= 0:
        raise WorkbenchError("A sound needs a length above zero.")
    stops = _stops(blows, length / sample_rate, loop)
    out = np.zeros((length, 2), np.float32)
    for k, (blow, stop_s) in enumerate(zip(blows, stops)):
        shot = kit_sample(blow.instrument, blow.velocity, sample_rate, k, blow.articulations)
        if stop_s is not None:
            shot = _damped(shot, max(0.0, stop_s - blow.time_s), sample_rate)
        stereo = shot[:, None] * pan_gains(place_of(blow.instrument))
        _lay(out, stereo, round(blow.time_s * sample_rate), loop)
    if room:
        wet = add_room(out, sample_rate)
        out = _folded(wet, length) if loop else wet[:length]
    return out


def _stops(blows: Sequence[Blow], length_s: float, loop: bool) -> list[float | None]:
    """When each sound is damped: as asked, or by the hi-hat's next stroke."""
    hats = [k for k, b in enumerate(blows) if instrument(b.instrument).family == "hi-hat"]
    stops = [b.stop_s for b in blows]
    for k, after in zip(hats, [*hats[1:], hats[0] if hats and loop else None]):
        if after is None:
            continue
        at_s = blows[after].time_s + (length_s if after <= k else 0.0)
        stops[k] = at_s if stops[k] is None else min(at_s, stops[k])
    return stops


def _damped(shot: np.ndarray, after_s: float, sample_rate: int) -> np.ndarray:
    start, fade = int(after_s * sample_rate), int(DAMP_S * sample_rate)
    if start >= len(shot):
        return shot
    shot = shot[:start + fade].copy()
    shot[start:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(len(shot) - start) / fade)
    return shot


def _lay(out: np.ndarray, x: np.ndarray, at: int, loop: bool) -> None:
    """Add ``x`` from sample ``at``, round the end of a loop."""
    length = len(out)
    if loop:
        at %= length
        while len(x):
            n = min(length - at, len(x))
            out[at:at + n] += x[:n]
            x, at = x[n:], 0
        return
    if at < 0:
        x, at = x[-at:], 0
    n = min(length - at, len(x))
    if n > 0:
        out[at:at + n] += x[:n]


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


assert set(PLACES) <= {i.name for i in INSTRUMENTS} | {i.family for i in INSTRUMENTS}
