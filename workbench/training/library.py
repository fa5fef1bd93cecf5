"""All training sounds in memory: voices by instrument, notes by role, backing, in one flat array."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from workbench.chart.drumkit import DETECTED, THREE_TOMS
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.training import sources
from workbench.training.backing import BACKING_LEVEL, read_backing
from workbench.training.bank import read_bank
from workbench.training.module_clips import read_modules
from workbench.training.procedural import make_voices

#: Instruments a kit must have of its own to be the base of a clip's kit.
WHOLE_KIT = 7


@dataclass
class KitVoice:
    """Layers of one stroke sound, soft to loud, as (start, length) in the library's samples.

    ``pitch_hz`` is a tom's fundamental; other voices have 0.
    """

    kit: str
    layers: list[tuple[int, int]] = field(default_factory=list)
    pitch_hz: float = 0.0


@dataclass
class ModuleSong:
    """A tracker module (:mod:`workbench.training.module_clips`) or MIDI song: drums and rest, each (start, length) in
    the library's samples, strokes (n, 2): time_s, instrument, and, where they are known, beats (n, 2): time_s, number
    from 1."""

    drums: tuple[int, int]
    rest: tuple[int, int]
    strokes: np.ndarray
    beats: np.ndarray


@dataclass
class Library:
    """What a mix is made of.

    Attributes
    ----------
    samples : ndarray (n,), float32, 44.1 kHz
    voices : dict, instrument to its voices
    kits : dict, whole kits: name to {instrument: indices of voices}
    notes : dict, role to a list of instruments, each [(MIDI note, start, length), …]
    recorded, sung : list of (start, length)
        The rest of modules is among what is recorded.
    modules : list of collections of ModuleSong, drawn from equally often; empty for validation
    """

    samples: np.ndarray
    voices: dict[str, list[KitVoice]]
    kits: dict[str, dict[str, list[int]]]
    notes: dict[str, list[list[tuple[int, int, int]]]]
    recorded: list[tuple[int, int]]
    sung: list[tuple[int, int]]
    modules: list[list[ModuleSong]] = field(default_factory=list)


def fundamental_hz(stroke: np.ndarray) -> float:
    """Strongest partial of a drum stroke between 40 and 400 Hz."""
    power = np.abs(np.fft.rfft(stroke * np.hanning(2 * len(stroke))[len(stroke) :], 2**16))
    hz = np.fft.rfftfreq(2**16, 1 / SAMPLE_RATE_HZ)
    return float(hz[np.argmax(np.where((hz > 40) & (hz < 400), power, 0.0))])


def _is_held_out(kit: str) -> bool:
    return any(kit.startswith(name) for name in sources.HELD_OUT_KITS)


def _at_backing_level(samples: np.ndarray) -> np.ndarray:
    return samples * np.float32(BACKING_LEVEL / max(1e-3, float(np.sqrt(np.mean(samples**2)))))


def read_library(
    bank: Path, backings: list[Path], held_out: bool = False, seed: int = 1, modules: Sequence[Path] = ()
) -> Library:
    """Sounds for training, or (*held_out*) those kept out of it, for validation.

    Held-out voices are the kits and backing that :mod:`sources` names and
    procedural sounds of another seed; notes and sung phrases are shared.  Without backings nothing recorded is in it.
    *modules* are folders of tracker modules or MIDI songs: songs of their own, whose drums also serve other patterns,
    and whose rest other drums.
    """
    shots, samples = read_bank(bank)
    with ThreadPoolExecutor() as pool:
        read = list(pool.map(read_backing, backings))
    passages, recorded = [], np.concatenate([np.zeros(0, np.float32), *(samples for _, samples in read)])
    for (found_passages, _), start in zip(read, np.cumsum([0] + [len(samples) for _, samples in read]), strict=False):
        passages += [replace(p, start=p.start + int(start)) for p in found_passages]
    procedural = make_voices(seed + 1000 * held_out, 12 if held_out else 1000)
    parts = [samples, recorded]
    at = len(samples) + len(recorded)
    voices: dict[str, list[KitVoice]] = {name: [] for name in (*DETECTED, sources.OTHER)}
    notes: dict[str, dict[tuple[str, str], list[tuple[int, int, int]]]] = {}
    found: dict[tuple[str, str, str], KitVoice] = {}
    for shot in shots:
        if shot.pitch:
            key = (shot.kit, shot.voice)
            notes.setdefault(shot.instrument, {}).setdefault(key, []).append((shot.pitch, shot.start, shot.length))
        elif _is_held_out(shot.kit) == held_out or (held_out and shot.instrument in (sources.OTHER, "tambourine")):
            key3 = (shot.kit, shot.instrument, shot.voice)
            if key3 not in found:
                found[key3] = KitVoice(shot.kit)
                voices[shot.instrument].append(found[key3])
            found[key3].layers.append((shot.start, shot.length))
    for shot, x in procedural:
        key3 = (shot.kit, shot.instrument, shot.voice)
        if key3 not in found:
            found[key3] = KitVoice(shot.kit)
            voices[shot.instrument].append(found[key3])
        found[key3].layers.append((at, len(x)))
        parts.append(x)
        at += len(x)
    collections: list[list[ModuleSong]] = [[] for _ in modules]
    backing: list[tuple[int, int]] = []
    for songs, module in ((songs, m) for songs, folder in zip(collections, modules) for m in read_modules(folder)):
        places = []
        for x in (module.drums, _at_backing_level(module.rest)):
            places.append((at, len(x)))
            parts.append(x)
            at += len(x)
        songs.append(ModuleSong(places[0], places[1], module.strokes, module.beats))
        backing += [(places[1][0] + start, length) for start, length in module.backing]
        for instrument, x in module.shots:
            voices[instrument].append(KitVoice(f"module {module.name}", [(at, len(x))]))
            parts.append(x)
            at += len(x)
    kits: dict[str, dict[str, list[int]]] = {}
    for instrument, items in voices.items():
        for index, voice in enumerate(items):
            if not voice.kit.startswith("procedural"):
                kits.setdefault(voice.kit, {}).setdefault(instrument, []).append(index)
    kits = {kit: table for kit, table in kits.items() if len(table) >= WHOLE_KIT}
    everything = np.concatenate(parts).astype(np.float32)
    for name in THREE_TOMS:
        for voice in voices[name]:
            start, length = voice.layers[-1]
            voice.pitch_hz = fundamental_hz(everything[start : start + min(length, 2**15)])
    offset = len(samples)
    kept = [p for p in passages if p.package == "espeak-ng" or (p.package in sources.HELD_OUT_BACKING) == held_out]
    return Library(
        everything,
        voices,
        kits,
        {role: list(table.values()) for role, table in notes.items()},
        [(offset + p.start, p.length) for p in kept if p.package != "espeak-ng"] + backing,
        [(offset + p.start, p.length) for p in kept if p.package == "espeak-ng"],
        collections,
    )
