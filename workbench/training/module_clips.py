"""Tracker modules as training songs: drums and rest apart, with the exact time of each stroke.

A module says which sample sounds when, seldom what it is.  A sample that is always played at about the same pitch is
heard alone by the packaged detector: what that names clearly, and what has the length and colour of a hat, is a drum;
what is percussive but unclear, played too seldom to tell or at several pitches, as toms are, is silent in both stems.
One stroke of each drum is kept, too, as a sound for other patterns.
Used are the modules of the Debian packages :data:`MODULE_PACKAGES`; those of other packages are kept for validation::

    python -m workbench.training.module_clips build/packages build/modules --library libopenmpt.so.0
"""

from __future__ import annotations

import argparse
import ctypes
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from workbench.chart.drumkit import DETECTED
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.listening.detect import compute_activations
from workbench.training.backing import PASSAGE_S
from workbench.training.bank import LONGEST_S, trim_shot
from workbench.training.module_songs import ENDINGS, find_beats, play_module
from workbench.training.performances import INDEX
from workbench.training.screen import FEW_STROKES_PER_S, count_strokes

#: Packages whose modules are trained on, and their licences.
MODULE_PACKAGES = {
    "bb": "GPL-2+",
    "circuslinux-data": "GPL",
    "ironseed-data": "GPL-3+",
    "madbomber-data": "GPL-2, GPL",
    "open-invaders-data": "GPL-2+",
    "pekka-kana-2-data": "BSD-2-Clause",
    "tecnoballz-data": "GPL-3+",
    "tomatoes-data": "zlib, GPL-2+",
    "tuxmath-data": "public domain",
}

#: Packages whose bars judge the chooser of bars, so that the detector does not learn them.
BEATS_KEPT_OUT = ("circuslinux-data", "madbomber-data", "open-invaders-data", "tecnoballz-data", "tomatoes-data")

LONGEST_MODULE_S, HEARD_S = 66.0, 30.0
#: Fewest notes of a drum, and of all drums of a module.
FEWEST_NOTES, FEWEST_IN_MODULE = 6, 40
#: A sample played at more pitches than this is no drum, whatever it sounds like.
MOST_PITCHES = 7
#: Notes softer than this volume column (of 64) do not count as strokes.
SOFTEST = 6
#: A sample is what it is named with this activation, and unclear from the second.
CLEARLY, UNCLEARLY = 0.6, 0.3
#: A stroke that is kept rings at least so long, and is cut so long before it begins, seconds.
SHORTEST_STROKE_S, BEFORE_STROKE_S = 0.08, 0.004
_STEP = 64


class Module:
    """A module being played by libopenmpt, whose instruments can be silenced."""

    def __init__(self, library: ctypes.CDLL, path: Path, silent: frozenset[int] = frozenset()) -> None:
        self._library, data = library, path.read_bytes()
        create = library.openmpt_module_ext_create_from_memory
        create.restype, create.argtypes = ctypes.c_void_p, [ctypes.c_char_p, ctypes.c_size_t] + [ctypes.c_void_p] * 7
        library.openmpt_module_ext_get_module.restype = ctypes.c_void_p
        library.openmpt_module_read_float_mono.restype = ctypes.c_size_t
        self._whole = ctypes.c_void_p(create(data, len(data), *[None] * 7))
        if not self._whole:
            raise ValueError(f"{path} is no module.")
        self.module = ctypes.c_void_p(library.openmpt_module_ext_get_module(self._whole))
        self.count = self.say("get_num_instruments") or self.say("get_num_samples")
        # The C interface "interactive": sixteen functions, of which the thirteenth mutes an instrument.
        table = (ctypes.c_void_p * 16)()
        library.openmpt_module_ext_get_interface(self._whole, b"interactive", table, ctypes.sizeof(table))
        mute = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int32, ctypes.c_int)(table[12])
        for k in silent:
            mute(self._whole, k - 1, 1)

    def say(self, what: str, *args: int) -> int:
        """An answer of ``openmpt_module_…``."""
        return int(getattr(self._library, f"openmpt_module_{what}")(self.module, *args))

    def play(self, samples: int) -> np.ndarray:
        """The next samples, fewer at the end."""
        out = np.zeros(samples, np.float32)
        got = self._library.openmpt_module_read_float_mono(
            self.module, SAMPLE_RATE_HZ, ctypes.c_size_t(samples), out.ctypes.data_as(ctypes.c_void_p)
        )
        return out[:got]

    def close(self) -> None:
        self._library.openmpt_module_ext_destroy(self._whole)


def read_notes(module: Module) -> list[tuple[float, int, int]]:
    """(seconds, instrument, pitch) of each note, as far as :data:`LONGEST_MODULE_S`."""
    at, last, playing, notes = 0, None, {}, []
    while at < LONGEST_MODULE_S * SAMPLE_RATE_HZ and (got := len(module.play(_STEP))):
        here = tuple(module.say(f"get_current_{name}") for name in ("order", "pattern", "row"))
        if here != last:
            last = here
            for channel in range(module.say("get_num_channels")):
                note, instrument, effect, volume = (
                    module.say("get_pattern_row_channel_command", *here[1:], channel, k) & 255 for k in (0, 1, 2, 4)
                )
                if instrument:
                    playing[channel] = instrument
                if 0 < note < 121 and channel in playing and not (effect == 1 and volume < SOFTEST):
                    notes.append((at / SAMPLE_RATE_HZ, playing[channel], note))
        at += got
    return notes


def name_sample(samples: np.ndarray, times_s: list[float]) -> str:
    """What a sample, heard alone, is: a name of the drum key, "unclear" or "no drum"."""
    stretch = int(0.35 * SAMPLE_RATE_HZ)
    cuts = [samples[int(t * SAMPLE_RATE_HZ) :][:stretch] for t in times_s]
    cuts = [c for c in cuts if len(c) == stretch and np.abs(c).max() > 0.05 * np.abs(samples).max()]
    if not cuts:
        return "unclear"
    level = np.mean(np.square(cuts), axis=0)[: stretch // 441 * 441].reshape(-1, 441).mean(axis=1)
    after = level[level.argmax() :] < 0.01 * level.max()
    length_s = 0.01 * float(np.argmax(after) if after.any() else 35)
    power = np.mean([np.abs(np.fft.rfft(c[:8192] * np.hanning(16384)[8192:])) ** 2 for c in cuts], axis=0)
    hz = np.fft.rfftfreq(8192, 1 / SAMPLE_RATE_HZ)
    centre_hz, low = float(hz @ power / power.sum()), power[hz < 150].sum() / power.sum()
    flat = np.exp(np.mean(np.log(power[10:3000] + 1e-12))) / power[10:3000].mean()
    onset = compute_activations(samples / np.abs(samples).max() / 2).onset
    heard = np.mean([onset[max(0, int(100 * t) - 3) : int(100 * t) + 6].max(axis=0) for t in times_s], axis=0)
    name = DETECTED[int(heard.argmax())].replace("pedal", "closed")
    fits = {
        "kick": centre_hz < 1500 and length_s < 0.35,
        "snare": flat > 0.01 and length_s < 0.35 and low < 0.8,
        "side stick": length_s < 0.15,
        "closed hi-hat": centre_hz > 3000 and length_s < 0.2,
        "open hi-hat": centre_hz > 3000,
        "crash": centre_hz > 2000 and length_s > 0.25,
        "ride": centre_hz > 2000 and length_s > 0.2,
    }.get(name, "tom" in name and centre_hz < 1500 and flat < 0.2)
    if heard.max() > CLEARLY and fits:
        return name
    if heard.max() <= CLEARLY and centre_hz > 5000 and flat > 0.03 and length_s < 0.13 and len(times_s) > 20:
        return "closed hi-hat"
    percussive = flat > 0.02 or (length_s < 0.2 and low > 0.5) or heard.max() > UNCLEARLY
    return "unclear" if percussive else "no drum"


def _is_steady(pitches: list[int]) -> bool:
    return len(set(pitches)) <= 2 or max(map(pitches.count, pitches)) > 0.9 * len(pitches)


def _is_melody(pitches: list[int]) -> bool:
    return len(set(pitches)) > MOST_PITCHES and not _is_steady(pitches)


def _settle(name: str, pitches: list[int]) -> str:
    """What a sample that sounds like *name* is taken for, by how often and how high it is played."""
    if _is_steady(pitches):
        return name if len(pitches) >= FEWEST_NOTES or name == "no drum" else "unclear"
    # What sounds like a kick at several pitches is a bass.
    return "unclear" if name in INDEX and name != "kick" else "no drum"


def cut_stroke(samples: np.ndarray, times_s: list[float], name: str) -> np.ndarray | None:
    """The stroke of a sample, heard alone, that rings longest before the next; None if none rings long enough."""
    ends = [*times_s[1:], times_s[-1] + LONGEST_S[name]]
    rings = [min(b - a, LONGEST_S[name]) for a, b in zip(times_s, ends, strict=True)]
    best = int(np.argmax(rings))
    if rings[best] < SHORTEST_STROKE_S:
        return None
    first = max(0, int((times_s[best] - BEFORE_STROKE_S) * SAMPLE_RATE_HZ))
    return trim_shot(
        samples[first : int((times_s[best] + rings[best] - BEFORE_STROKE_S) * SAMPLE_RATE_HZ)], rings[best]
    )


@dataclass
class SplitModule:
    """Strokes (seconds, name), drums and rest of a module, and a stroke of each drum: (name, samples)."""

    strokes: list[tuple[float, str]]
    drums: np.ndarray
    rest: np.ndarray
    shots: list[tuple[str, np.ndarray]]


def split_module(library: ctypes.CDLL, path: Path) -> SplitModule | None:
    """Take a module apart; None where there are too few drums."""

    def play(sounding: set[int], seconds: float) -> np.ndarray:
        one = Module(library, path, frozenset(range(1, count + 1)) - sounding)
        samples = one.play(int(seconds * SAMPLE_RATE_HZ))
        one.close()
        return samples

    module = Module(library, path)
    notes, count = read_notes(module), module.count
    module.close()
    names, shots = {}, {}
    for k in range(1, count + 1):
        mine = [(t, pitch) for t, instrument, pitch in notes if instrument == k]
        pitches = [pitch for _, pitch in mine]
        if not mine or _is_melody(pitches):
            continue
        samples = play({k}, HEARD_S)
        times = [t for t, _ in mine if t < len(samples) / SAMPLE_RATE_HZ - 0.4][:60]
        if times and np.abs(samples).max() > 1e-4:
            names[k] = _settle(name_sample(samples, times), pitches)
            if names[k] in INDEX:
                shots[k] = cut_stroke(samples, times, names[k])
    drums = {k for k, name in names.items() if name in INDEX}
    strokes = [(t, names[k]) for t, k, _ in notes if k in drums]
    if len({name for _, name in strokes}) < 2 or len(strokes) < FEWEST_IN_MODULE:
        return None
    silent = drums | {k for k, name in names.items() if name == "unclear"}
    rest = play(set(range(1, count + 1)) - silent, LONGEST_MODULE_S)
    kept = [(names[k], shot) for k, shot in shots.items() if shot is not None]
    return SplitModule(strokes, play(drums, LONGEST_MODULE_S), rest, kept)


def quiet_passages(rest: np.ndarray) -> list[tuple[int, int]]:
    """Passages of a module's rest, (start, length), in which the packaged detector hears (almost) no drum either."""
    each = int(PASSAGE_S * SAMPLE_RATE_HZ)
    level = np.sqrt(np.mean(rest**2)) / 4
    starts = range(0, len(rest) - each + 1, each)
    cuts = ((start, rest[start : start + each]) for start in starts)
    return [(a, each) for a, x in cuts if np.sqrt(np.mean(x**2)) > level and count_strokes(x) < FEW_STROKES_PER_S]


@dataclass
class ReadModule:
    """A module as kept: name, strokes (n, 2: time_s, instrument), beats (n, 2: time_s, number), samples of drums and
    rest, where in the rest no drum is heard (start, length), and a stroke of each drum."""

    name: str
    strokes: np.ndarray
    beats: np.ndarray
    drums: np.ndarray
    rest: np.ndarray
    backing: list[tuple[int, int]]
    shots: list[tuple[str, np.ndarray]]


def read_modules(folder: Path) -> Iterator[ReadModule]:
    """All modules of a folder."""
    samples = soundfile.read(folder / "modules.ogg", dtype="float32")[0]
    for song in json.loads((folder / "modules.json").read_text()):
        strokes = np.array([(t, INDEX[name]) for t, name in song["strokes"]], float)
        drums, rest = (samples[start : start + length] for start, length in (song["drums"], song["rest"]))
        shots = [(name, samples[start : start + length]) for name, start, length in song.get("shots", ())]
        backing = [(start - song["rest"][0], length) for start, length in song.get("backing", ())]
        beats = np.array(song["beats"], float).reshape(-1, 2)
        yield ReadModule(song["name"], strokes, beats, drums, rest, backing, shots)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("packages", type=Path, help="folder of unpacked packages, only those to be trained on")
    parser.add_argument("out", type=Path)
    parser.add_argument("--library", default="libopenmpt.so.0")
    args = parser.parse_args()
    library = ctypes.CDLL(args.library)
    args.out.mkdir(parents=True, exist_ok=True)
    at, songs = 0, []
    with soundfile.SoundFile(args.out / "modules.ogg", "w", SAMPLE_RATE_HZ, 1, format="OGG", subtype="VORBIS") as file:
        for path in sorted(p for p in args.packages.rglob("*") if p.suffix.lower() in ENDINGS and p.is_file()):
            found = split_module(library, path)
            if found is None:
                continue
            strokes, drums, rest = found.strokes, found.drums, found.rest
            _, rows, met = play_module(library, path, 0.0)
            song: dict = {"name": path.stem, "strokes": [(round(t, 4), name) for t, name in strokes]}
            kept_out = path.relative_to(args.packages).parts[0] in BEATS_KEPT_OUT
            song["beats"] = [] if kept_out else [(round(t, 4), n) for t, n in find_beats(rows, met)]
            for stem, samples in (("drums", drums), ("rest", rest)):
                song[stem] = (at, len(samples))
                for k in range(0, len(samples), SAMPLE_RATE_HZ):
                    file.write(0.9 * samples[k : k + SAMPLE_RATE_HZ] / max(np.abs(drums).max(), np.abs(rest).max()))
                at += len(samples)
            song["backing"] = [(song["rest"][0] + start, length) for start, length in quiet_passages(rest)]
            song["shots"] = []
            for name, shot in found.shots:
                song["shots"].append((name, at, len(shot)))
                file.write(shot)
                at += len(shot)
            songs.append(song)
            print(path.stem, len(strokes), flush=True)
    (args.out / "modules.json").write_text(json.dumps(songs))


if __name__ == "__main__":
    main()
