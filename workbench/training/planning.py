"""Plans of mixes: every random choice of a clip, as plain arrays, before any sound is made.

A plan says which piece of the library sounds when, at what speed and level, on
which *row* (a group of instruments that share equaliser and room), how the rows
are mixed, and what the network should answer.  :mod:`workbench.training.mixing`
turns plans into sound.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from workbench.chart.drumkit import THREE_TOMS
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.features import FRAME_RATE_HZ
from workbench.training import performances as play
from workbench.training import rarities
from workbench.training.arrangement import arrange_notes
from workbench.training.bank import PRE_ROLL
from workbench.training.library import KitVoice, Library
from workbench.training.other_meters import Laid, lay_over
from workbench.training.performances import INDEX, OTHER_INDEX, Performance
from workbench.training.sources import OTHER

#: Rows of a mix: eight of drums, four of backing.
DRUM_ROWS, ROWS = 8, 12
BASS_ROW, CHORD_ROW, LEAD_ROW, RECORDED_ROW = 8, 9, 10, 11
EQ_POINTS = 9

NAMES = (*INDEX, *[OTHER] * rarities.OTHERS)
ROW_OF = np.array((0, 1, 2, 3, 3, 3, 4, 4, 4, 5, 5, 6, *[7] * (1 + rarities.OTHERS)))
HAT_ROW, RIDE_ROW, CRASH_ROW = 3, 5, 6

#: Usual level of each instrument in a kit, dB (own choice, by ear of common practice).
LEVEL_DB = np.array([0, 0, -6, -12, -10, -15, -2, -2, -2, -11, -9, -6, -12, *[-8] * rarities.OTHERS], float)

#: Instruments that ring when struck.
IS_CYMBAL = np.array([n in ("ride", "ride bell", "crash", "open hi-hat") for n in NAMES])

#: The nearest two strokes of one instrument that are told apart, seconds.
NEAREST_GRACE_S = 0.028

NEVER = 2**30


@dataclass
class Plan:
    """One clip.

    Attributes
    ----------
    ints : ndarray (events, 5), int32; floats : ndarray (events, 5), float32
    eq_db : ndarray (ROWS + 1, EQ_POINTS), dB at points evenly spaced in octaves;
        the last row colours the room
    wet : ndarray (ROWS,), room level
    settings : ndarray (n,), the rest of the mix, see :data:`SETTINGS`
    onset, velocity : ndarray (frames, 13); beat, downbeat : ndarray (frames,)
    strokes : ndarray (n, 3), labelled time_s, instrument, velocity
    beats : ndarray (n, 2), time_s, beat number in the bar from 1
    meter : str, of most bars; empty if nothing says what the beats are called
    """

    ints: np.ndarray
    floats: np.ndarray
    eq_db: np.ndarray
    wet: np.ndarray
    settings: np.ndarray
    onset: np.ndarray
    velocity: np.ndarray
    beat: np.ndarray
    downbeat: np.ndarray
    strokes: np.ndarray
    beats: np.ndarray
    meter: str = ""


SETTINGS = (
    "room_s",
    "room_delay_s",
    "drum_drive",
    "drum_squeeze",
    "drums_db",
    "mix_drive",
    "mix_squeeze",
    "low_pass_hz",
    "noise_db",
    "has_drums",
    "has_backing",
    "gain_db",
    "lossy",
    "backing_squeeze",
    "backing_drive",
    "high_pass_hz",
    "plain",
)


@dataclass
class Material:
    """What plans draw on."""

    library: Library
    grooves: list[Performance]
    fills: list[Performance]


#: Share of clips without what is hard on purpose (walls of sound, dull hats, telephones): clean drums stay heard.
PLAIN_SHARE = 0.4

#: Share of clips cut from tracker modules and MIDI songs, for each collection of them.
MODULE_SHARE = 0.15

#: Share of these whose drums play with the rest of any module.
STRANGE_REST_SHARE = 0.3

#: Share of performances in 4/4 that are laid over other meters.
OTHER_METERS_SHARE = 0.3

#: Instruments that are one thing, or are bought as a set, and how often their voices come from one kit.
SETS: tuple[tuple[tuple[str, ...], float], ...] = (
    (("closed hi-hat", "open hi-hat", "pedal hi-hat"), 0.75),
    (THREE_TOMS, 0.85),
    (("ride", "ride bell"), 0.6),
    (("snare", "side stick"), 0.6),
)


def _choose_kit(rng: np.random.Generator, library: Library, calculated: float = 0.3) -> list[KitVoice]:
    """A voice for each of :data:`NAMES`: a base kit with guests from anywhere, or a motley kit.

    *calculated* is the share of calculated voices among guests. What is one thing (:data:`SETS`) mostly stays
    together; toms fall in pitch.
    """
    kit_names = list(library.kits)
    guests = rng.choice([0.1, 0.45, 1.0], p=[0.3, 0.45, 0.25])
    base = {} if guests == 1.0 else library.kits[kit_names[rng.integers(len(kit_names))]]
    chosen = {}
    for name in (*INDEX, OTHER):
        if name in base and rng.random() > guests:
            voices = base[name]
            chosen[name] = library.voices[name][voices[rng.integers(len(voices))]]
        else:
            chosen[name] = _any_voice(rng, library.voices[name], calculated)
    for names, together in SETS:
        if rng.random() < together:
            kit = chosen[names[rng.integers(len(names))]].kit
            for name in names:
                own = [v for v in library.voices[name] if v.kit == kit]
                if own and chosen[name].kit != kit:
                    chosen[name] = own[rng.integers(len(own))]
    falling = sorted((chosen[name] for name in THREE_TOMS), key=lambda voice: -voice.pitch_hz)
    chosen.update(zip(THREE_TOMS, falling, strict=True))
    others = [_any_voice(rng, library.voices[OTHER], calculated) for _ in range(rarities.OTHERS - 1)]
    return [*(chosen[name] for name in (*INDEX, OTHER)), *others]


def _any_voice(rng: np.random.Generator, voices: list[KitVoice], calculated: float) -> KitVoice:
    """A sampled voice of any kit, or (share *calculated*) a calculated one."""
    made = [v for v in voices if v.kit.startswith("procedural")]
    real = [v for v in voices if not v.kit.startswith("procedural")]
    pool = made if made and (not real or rng.random() < calculated) else real
    return pool[rng.integers(len(pool))]


def stroke_events(
    rng: np.random.Generator,
    library: Library,
    time_s: np.ndarray,
    instrument: np.ndarray,
    velocity: np.ndarray,
    machine: bool,
    plain: bool,
) -> tuple[np.ndarray, np.ndarray]:
    """Events of the drums: layer by velocity, pitch, level, choke and snare buzz.

    A *machine* has more calculated voices and plays the same layer at the same pitch throughout.
    """
    kit = _choose_kit(rng, library, 0.65 if machine else 0.3)
    n_names = len(NAMES)
    rate = np.exp(rng.normal(0, 0.09, n_names)) * np.exp(rng.normal(0, 0.04))
    rate[list(play.TOMS)] *= rng.uniform(0.85, 1.15)
    for higher, lower in pairwise(play.TOMS):
        if kit[higher].pitch_hz and kit[lower].pitch_hz:
            highest = kit[higher].pitch_hz * rate[higher] / rng.uniform(1.1, 1.3)
            rate[lower] = min(rate[lower], highest / kit[lower].pitch_hz)
    level_db = LEVEL_DB + rng.normal(0, 4, n_names)
    if not plain and rng.random() < 0.35:
        level_db[[play.CLOSED, play.OPEN, play.PEDAL]] += rng.uniform(-6, 3)
    gamma = rng.uniform(0.7, 1.7)
    # Drums may be damped shortly; cymbals ring, or they would become hi-hats; half-open hats ring a little.
    shortest = np.where(IS_CYMBAL, 0.5, 0.05)
    damp_s = np.exp(rng.uniform(np.log(shortest), np.log(4 * shortest + 0.4)))
    damp = np.where(rng.random(n_names) < 0.3, 1 / (SAMPLE_RATE_HZ * damp_s), 0.0)
    if rng.random() < 0.2:
        damp[play.OPEN] = 1 / (SAMPLE_RATE_HZ * rng.uniform(0.1, 0.35))
    washy = np.where(IS_CYMBAL & (rng.random(n_names) < 0.4), rng.uniform(0.2, 0.9, n_names), 0.0)
    level_db = level_db + 9 * washy

    order = np.argsort(time_s, kind="stable")
    time_s, instrument, velocity = time_s[order], instrument[order], velocity[order]
    n = len(time_s)
    offset, length = np.empty(n, np.int64), np.empty(n, np.int64)
    for k in range(n):
        layers = kit[instrument[k]].layers
        at = round(velocity[k] * (len(layers) - 1) + rng.normal(0, 0.6)) if len(layers) > 1 else 0
        at = len(layers) - 1 if machine else at
        offset[k], length[k] = layers[min(max(at, 0), len(layers) - 1)]
    stop = np.full(n, NEVER)
    hats = np.flatnonzero(np.isin(instrument, (play.CLOSED, play.OPEN, play.PEDAL)))
    if rng.random() < 0.9 and len(hats) > 1:
        gap = np.diff(time_s[hats]) * SAMPLE_RATE_HZ
        # Hats held open ring into the next stroke; closing them ends the sound.
        ringing = (instrument[hats[1:]] == play.OPEN) & (rng.random() < 0.6)
        stop[hats[:-1]] = np.where(ringing, NEVER, np.maximum(gap, 200))
    if rng.random() < 0.06:
        crash = instrument == play.CRASH
        stop[crash] = rng.uniform(0.1, 0.6) * SAMPLE_RATE_HZ
    gain = 10 ** (level_db[instrument] / 20) * np.maximum(velocity**gamma, 0.05) * np.exp(rng.normal(0, 0.05, n))
    start = np.round(time_s * SAMPLE_RATE_HZ - PRE_ROLL / rate[instrument])
    jitter = np.exp(rng.normal(0, 0.0 if machine else 0.004, n))
    ints = np.stack([ROW_OF[instrument], start, offset, length, stop], axis=1)
    floats = np.stack(
        [
            rate[instrument] * jitter,
            gain,
            damp[instrument],
            np.full(n, 1 / (SAMPLE_RATE_HZ * rng.uniform(0.005, 0.03))),
            washy[instrument],
        ],
        axis=1,
    )
    if rng.random() < 0.25:
        voice = library.voices["snare"][rng.integers(len(library.voices["snare"]))]
        hit = np.isin(instrument, (play.KICK, *play.TOMS))
        buzz_i, buzz_f = ints[hit].copy(), floats[hit].copy()
        buzz_i[:, 0], buzz_i[:, 2:4] = 1, voice.layers[0]
        buzz_i[:, 1] += int(0.004 * SAMPLE_RATE_HZ)
        buzz_f[:, 0], buzz_f[:, 1] = 1.0, floats[hit, 1] * 10 ** (rng.uniform(-40, -26) / 20)
        ints, floats = np.concatenate([ints, buzz_i]), np.concatenate([floats, buzz_f])
    return ints, floats


def _add_flams(
    rng: np.random.Generator, time_s: np.ndarray, instrument: np.ndarray, velocity: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Sometimes a soft stroke just before strokes of snare and toms; with it, which strokes the network need not name.

    A grace stroke nearer than :data:`NEAREST_GRACE_S` is one stroke with its main stroke to a detector of 10 ms
    frames.
    """
    share = rng.choice([0.0, 0.06, 0.3], p=[0.6, 0.26, 0.14])
    flam = np.isin(instrument, (play.SNARE, *play.TOMS)) & (rng.random(len(instrument)) < share)
    gap = np.clip(rng.uniform(0.018, 0.045) * rng.normal(1, 0.15, flam.sum()), 0.015, 0.06)
    hidden = np.concatenate([np.zeros(len(time_s), bool), gap < NEAREST_GRACE_S])
    soft = velocity[flam] * rng.uniform(0.3, 0.75)
    more = (time_s[flam] - gap, instrument[flam], soft)
    time_s, instrument, velocity = (
        np.concatenate(pair) for pair in zip((time_s, instrument, velocity), more, strict=True)
    )
    return time_s, instrument, velocity, hidden


def _recorded_events(
    rng: np.random.Generator, library: Library, clip_s: float
) -> tuple[list[list[float]], list[list[float]]]:
    ints: list[list[float]] = []
    floats: list[list[float]] = []
    at = -rng.uniform(0, 4)
    while at < clip_s:
        offset, length = library.recorded[rng.integers(len(library.recorded))]
        rate = float(np.exp(rng.uniform(np.log(0.8), np.log(1.25))))
        ints.append([RECORDED_ROW, at * SAMPLE_RATE_HZ, offset, length, NEVER])
        floats.append([rate, 1.0, 0.0, 0.0, 0.0])
        at += length / rate / SAMPLE_RATE_HZ
    return ints, floats


def _sung_events(
    rng: np.random.Generator, library: Library, clip_s: float
) -> tuple[list[list[float]], list[list[float]]]:
    ints: list[list[float]] = []
    floats: list[list[float]] = []
    at = rng.uniform(0, 3)
    while at < clip_s:
        offset, length = library.sung[rng.integers(len(library.sung))]
        rate = float(np.exp(rng.uniform(np.log(0.6), np.log(1.4))))
        ints.append([LEAD_ROW, at * SAMPLE_RATE_HZ, offset, length, NEVER])
        floats.append([rate, rng.uniform(0.4, 1.6), 0.0, 0.0, 0.0])
        at += length / rate / SAMPLE_RATE_HZ + rng.exponential(1.0)
    return ints, floats


def _module_clip(rng: np.random.Generator, library: Library, clip_s: float) -> Plan:
    """A passage of a tracker module or a MIDI song, its drums and its rest, or another's, mixed anew; loudness is not
    known, beats seldom."""
    songs = library.modules[rng.integers(len(library.modules))]
    song = songs[rng.integers(len(songs))]
    rest = song.rest
    if rng.random() < STRANGE_REST_SHARE:
        rest = songs[rng.integers(len(songs))].rest
    rate = float(np.exp(rng.normal(0, 0.09)))
    first_s = rng.uniform(0, max(0.0, song.drums[1] / SAMPLE_RATE_HZ - clip_s * rate))
    alone, plain = rng.random() < 0.2, rng.random() < PLAIN_SHARE
    start = -first_s * SAMPLE_RATE_HZ / rate
    ints = np.array([(DRUM_ROWS - 1, start, *song.drums, NEVER), (RECORDED_ROW, start, *rest, NEVER)])
    eq_db, wet, settings = draw_mix(rng, True, not alone, plain)
    time_s, instrument = (song.strokes[:, 0] - first_s) / rate, song.strokes[:, 1].astype(int)
    inside = (time_s >= 0) & (time_s < clip_s)
    t, i = time_s[inside], instrument[inside]
    frames = round(clip_s * FRAME_RATE_HZ)
    onset = np.zeros((frames, len(INDEX)), np.float16)
    frame, ok = _mark(frames, t)
    _spread(onset, frame[ok], i[ok], (0.35,))
    beat, downbeat = np.full(frames, -1, np.float16), np.full(frames, -1, np.float16)
    beats = song.beats * (1 / rate, 1) - (first_s / rate, 0)
    if len(beats):
        known = slice(0, max(0, int(beats[-1, 0] * FRAME_RATE_HZ)))
        beat[known] = downbeat[known] = 0
        for target, which in ((beat, beats), (downbeat, beats[beats[:, 1] == 1])):
            frame, ok = _mark(frames, which[:, 0])
            _spread(target, frame[ok], None, (0.6, 0.2))
    return Plan(
        ints.astype(np.int32),
        np.tile(np.array([rate, 1, 0, 0, 0], np.float32), (2, 1)),
        eq_db.astype(np.float32),
        wet.astype(np.float32),
        settings.astype(np.float32),
        onset,
        np.zeros_like(onset),
        beat,
        downbeat,
        np.stack([t, i, np.full(len(t), 0.8)], axis=1),
        beats[(beats[:, 0] >= 0) & (beats[:, 0] < clip_s)],
    )


def _mark(frames: int, times_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Frame of each time and whether it lies inside the clip."""
    frame = np.round(times_s * FRAME_RATE_HZ).astype(int)
    return frame, (frame >= 0) & (frame < frames)


def _spread(target: np.ndarray, frame: np.ndarray, column: np.ndarray | None, neighbours: tuple[float, ...]) -> None:
    for reach, value in enumerate((1.0, *neighbours)):
        for at in (frame - reach, frame + reach):
            ok = (at >= 0) & (at < len(target))
            index = (at[ok],) if column is None else (at[ok], column[ok])
            np.maximum.at(target, index, value)


def plan_clip(
    rng: np.random.Generator,
    material: Material,
    clip_s: float,
    backed: bool = False,
    plain_share: float = PLAIN_SHARE,
    vary: Callable[[np.random.Generator, Performance, float], float] = rarities.vary,
) -> Plan:
    """Draw one clip of *clip_s* seconds; *backed* ones are never drums alone; *vary* plays what performances seldom
    hold."""
    library = material.library
    if rng.random() < MODULE_SHARE * len(library.modules):
        return _module_clip(rng, library, clip_s)
    draw = rng.random()
    human, machine = draw < 0.5, draw > 0.82
    with_drums, plain = rng.random() > 0.05, rng.random() < plain_share
    if human:
        performance = play.human_performance(rng, material.grooves, material.fills, 1.0 + clip_s * 3.5)
        tempo = float(np.clip(performance.tempo_bpm * np.exp(rng.normal(0, 0.18)), 50, 200))
    else:
        make = rarities.machine_performance if machine else play.generated_performance
        performance = make(rng, 1.0 + clip_s * 3.5)
        tempo = float(np.clip(performance.tempo_bpm, 48, 200))
    play.swap_instruments(rng, performance)
    play.double_snare(rng, performance)
    play.leave_out(rng, performance)
    play.add_percussion(rng, performance)
    tempo = vary(rng, performance, tempo)
    n = performance.beats_per_bar
    if n == 4 and rng.random() < OTHER_METERS_SHARE:
        laid = lay_over(rng, performance, tempo, clip_s)
        performance, tempo, n = laid.performance, laid.tempo_bpm, 8
    else:
        beats = np.arange(int(performance.length) + 2)
        laid = Laid(performance, beats, beats % n, beats, tempo, {4: "4/4", 3: "3/4"}.get(n, ""))
    if (human or machine) and np.all(np.diff(laid.groups) == 1):
        rarities.swing(rng, performance)
    rarities.breaks(rng, performance, laid.beats[laid.numbers == 0])
    grid = play.beat_times(rng, int(performance.length) + 1, tempo, steady=machine)
    shift = rng.uniform(0, n) * 60 / tempo
    time_s = np.interp(performance.beat, np.arange(len(grid)), grid) - shift
    time_s = time_s + rng.normal(
        0, 0.0 if machine else 0.002 if human else rng.choice([0.002, 0.006, 0.01]), len(time_s)
    )
    instrument, velocity = performance.instrument.astype(int), np.clip(performance.velocity, 0.03, 1.0)
    inside = (time_s > -2.0) & (time_s < clip_s + 0.05)
    time_s, instrument, velocity = time_s[inside], instrument[inside], velocity[inside]
    # A bass that goes on where the kick leaves a stroke out must not be heard as a kick.
    bass_s = time_s[instrument == play.KICK]
    if rng.random() < 0.15:
        sounds = (instrument != play.KICK) | (rng.random(len(time_s)) > rng.uniform(0.05, 0.5))
        time_s, instrument, velocity = time_s[sounds], instrument[sounds], velocity[sounds]
    hidden = np.zeros(len(time_s), bool)
    if not machine:
        time_s, instrument, velocity, hidden = _add_flams(rng, time_s, instrument, velocity)
    beat_s, pulse_s = (np.interp(x, np.arange(len(grid)), grid) - shift for x in (laid.beats, laid.groups))
    number = laid.numbers

    ints, floats = [np.zeros((0, 5))], [np.zeros((0, 5))]
    if with_drums:
        i, f = stroke_events(rng, library, time_s, instrument, velocity, machine, plain)
        ints.append(i)
        floats.append(f)
    draw = rng.random()
    backing = draw < (0.58 if plain else 0.74) or backed or not with_drums
    rhythm = False
    if backing:
        recorded = bool(library.recorded) and rng.random() < 0.62
        rhythm = not recorded or rng.random() < 0.45
        extra: list[tuple[list[list[float]], list[list[float]]]] = []
        if recorded:
            extra.append(_recorded_events(rng, library, clip_s))
        if rhythm:
            rows = (BASS_ROW, CHORD_ROW, LEAD_ROW)
            extra.append(arrange_notes(rng, library, pulse_s, beat_s[number == 0], bass_s, clip_s, rows))
        if rng.random() < 0.5 and library.sung:
            extra.append(_sung_events(rng, library, clip_s))
        for i_list, f_list in extra:
            if i_list:
                ints.append(np.array(i_list))
                floats.append(np.array(f_list))

    eq_db, wet, settings = draw_mix(rng, with_drums, backing, plain)
    frames = round(clip_s * FRAME_RATE_HZ)
    onset, level = np.zeros((frames, len(INDEX)), np.float16), np.zeros((frames, len(INDEX)), np.float16)
    labelled = (instrument < OTHER_INDEX) & ~hidden & (time_s >= 0) & (time_s < clip_s) & with_drums
    t, i, v = time_s[labelled], instrument[labelled], velocity[labelled]
    frame, ok = _mark(frames, t)
    _spread(onset, frame[ok], i[ok], (0.35,))
    for d in (-1, 0, 1):
        np.maximum.at(level, (np.clip(frame[ok] + d, 0, frames - 1), i[ok]), v[ok])
    beat, downbeat = np.zeros(frames, np.float16), np.zeros(frames, np.float16)
    heard = with_drums or rhythm
    if heard:
        frame, ok = _mark(frames, beat_s)
        _spread(beat, frame[ok], None, (0.6, 0.2))
        ok &= number == 0
        _spread(downbeat, frame[ok], None, (0.6, 0.2))
    elif not heard:
        beat[:], downbeat[:] = -1, -1
    inside = (beat_s >= 0) & (beat_s < clip_s)
    return Plan(
        np.concatenate(ints).astype(np.int32),
        np.concatenate(floats).astype(np.float32),
        eq_db.astype(np.float32),
        wet.astype(np.float32),
        settings.astype(np.float32),
        onset,
        level,
        beat,
        downbeat,
        np.stack([t, i, v], axis=1),
        np.stack([beat_s[inside], number[inside] + 1], axis=1),
        laid.meter,
    )


def plan_clear_clip(rng: np.random.Generator, material: Material, clip_s: float) -> Plan:
    """A clip of drums that are heard more or less easily, as in most recordings that somebody charts."""
    plan = plan_clip(rng, material, clip_s, backed=rng.random() < 0.6, plain_share=0.8)
    ease, value = rng.random(), dict(zip(SETTINGS, plan.settings, strict=True))
    value["drums_db"] = rng.normal(-1, 3) + 10 * ease
    value |= {name: value[name] * (rng.random() > ease) for name in ("lossy", "mix_drive", "drum_drive")}
    value |= {name: value[name] * (1 - 0.7 * ease) for name in ("mix_squeeze", "drum_squeeze")}
    plan.settings[:] = list(value.values())
    plan.eq_db *= np.float32(1 - 0.7 * ease)
    plan.wet *= np.float32(1 - 0.6 * ease)
    return plan


def draw_mix(
    rng: np.random.Generator, with_drums: bool, backing: bool, plain: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Equaliser, room levels and settings of a clip; unless *plain*, now and then hard to hear through."""
    eq_db = _equaliser(rng)
    wet = (
        np.where(rng.random(ROWS) < 0.8, 1.0, 0.3)
        * rng.choice([0.0, 0.15, 0.4, 0.9], p=[0.2, 0.35, 0.3, 0.15])
        * rng.uniform(0.3, 1.0, ROWS)
    )
    value = {
        "room_s": np.exp(rng.uniform(np.log(0.03), np.log(0.5))),
        "room_delay_s": rng.uniform(0.0, 0.03),
        "drum_drive": rng.choice([0.0, rng.uniform(0.1, 3.0)], p=[0.5, 0.5]),
        "drum_squeeze": rng.choice([0.0, rng.uniform(0.2, 0.9)], p=[0.4, 0.6]),
        "drums_db": rng.uniform(-12, 18) if rng.random() < 0.4 else rng.normal(-2, 4),
        "mix_drive": rng.choice([0.0, rng.uniform(0.1, 1.5)], p=[0.6, 0.4]),
        "mix_squeeze": rng.choice([0.0, rng.uniform(0.1, 0.8)], p=[0.4, 0.6]),
        "low_pass_hz": rng.choice([20000.0, rng.uniform(8000, 19000)], p=[0.5, 0.5]),
        "noise_db": rng.uniform(-90, -38),
        "has_drums": float(with_drums),
        "has_backing": float(backing),
        "gain_db": rng.uniform(-14, 4) if rng.random() < 0.35 else rng.normal(0, 2),
        "lossy": rng.choice([0.0, rng.uniform(0.15, 1.2)], p=[0.75, 0.25]),
        "backing_squeeze": 0.0,
        "backing_drive": 0.0,
        "high_pass_hz": 1.0,
        "plain": float(plain),
    }
    if not plain:
        _dull_or_thin(rng, eq_db)
        if rng.random() < 0.55:  # a wall of sound: distorted, dense, masking
            value |= {"backing_squeeze": 0.6, "backing_drive": np.exp(rng.uniform(np.log(1.5), np.log(12)))}
        draw = rng.random()
        if draw < 0.15:  # mastered as loud as it goes
            value |= {"mix_drive": rng.uniform(1.5, 5), "mix_squeeze": rng.uniform(0.4, 0.9)}
        elif draw < 0.22:  # a telephone in a loud room
            value |= {"high_pass_hz": rng.uniform(80, 400), "low_pass_hz": np.exp(rng.uniform(*np.log((3500, 10000))))}
            value |= {"mix_drive": rng.uniform(0.5, 6), "noise_db": rng.uniform(-45, -22)}
        elif draw < 0.3:  # a room with a long tail
            value["room_s"] = rng.uniform(0.4, 1.0)
            wet = np.maximum(wet, rng.uniform(0.3, 0.9))
    wet[DRUM_ROWS:] *= 0.4
    return eq_db, wet, np.array([value[name] for name in SETTINGS])


def _dull_or_thin(rng: np.random.Generator, eq_db: np.ndarray) -> None:
    """Sometimes hats and cymbals lose their top or their body, in place (the eight octaves of :data:`EQ_POINTS`)."""
    point = np.arange(EQ_POINTS)
    top, body = np.clip((point - 4) / 4, 0, 1), np.clip((6 - point) / 4, 0, 1)
    for row, dull, thin in ((HAT_ROW, 0.25, 0.2), (RIDE_ROW, 0.1, 0.1), (CRASH_ROW, 0.15, 0.1)):
        draw = rng.random()
        if draw < dull:
            eq_db[row] -= rng.uniform(5, 32) * top
        elif draw < dull + thin:
            eq_db[row] -= rng.uniform(5, 24) * body


def _equaliser(rng: np.random.Generator) -> np.ndarray:
    """A tilt and a smooth wiggle for each row and the room, dB at EQ_POINTS points from 30 Hz to 20 kHz."""
    x = np.linspace(-1, 1, EQ_POINTS)
    strength = rng.choice([0.3, 1.0, 1.6], p=[0.3, 0.5, 0.2])
    tilt = rng.normal(0, 3.5 * strength, (ROWS + 1, 1)) * x
    wiggle = rng.normal(0, 2.5 * strength, (ROWS + 1, EQ_POINTS))
    common = rng.normal(0, 1.5, (1, EQ_POINTS)) + rng.normal(0, 2.0) * x
    eq = tilt + wiggle + common
    eq[ROWS] = -rng.uniform(0, 12) * (x + 1) / 2 + rng.normal(0, 2, EQ_POINTS)
    return eq
