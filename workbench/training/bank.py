"""The bank: one-shots of drums and notes of other instruments, cut from sampled kits.

A *shot* is one recorded stroke, mono at 44.1 kHz, whose attack lies
:data:`PRE_ROLL_S` after its beginning.  Shots of one kit and instrument form a
*voice*: layers from soft to loud.  The whole bank is one sound file and one
JSON list, small enough to carry to a machine with a GPU.
"""

from __future__ import annotations

import argparse
import json
import re
import struct
import subprocess
import tempfile
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from math import gcd
from pathlib import Path

import mido
import numpy as np
import soundfile
from scipy.signal import resample_poly

from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.training import sources

PRE_ROLL_S = 0.001
PRE_ROLL = round(PRE_ROLL_S * SAMPLE_RATE_HZ)

#: Longest shot kept, seconds, by instrument of the drum key.
LONGEST_S = {
    "kick": 0.6,
    "snare": 0.6,
    "side stick": 0.3,
    "closed hi-hat": 0.4,
    "pedal hi-hat": 0.4,
    "open hi-hat": 1.4,
    "high tom": 0.9,
    "mid tom": 0.9,
    "floor tom": 1.1,
    "ride": 1.6,
    "ride bell": 1.4,
    "crash": 2.2,
    "tambourine": 0.5,
    sources.OTHER: 0.5,
    "note": 1.6,
}

#: Velocities at which sound fonts are struck; equal layers are dropped afterwards.
FONT_VELOCITIES = (25, 55, 80, 105, 127)

#: Melodic General MIDI programs (from 0) sampled for generated backing, by role.
NOTE_PROGRAMS = {
    "bass": (32, 33, 34, 35, 36, 38, 39),
    "guitar": (24, 25, 26, 27, 28, 29, 30),
    "keys": (0, 2, 4, 5, 16, 18, 11),
    "pad": (48, 50, 52, 53, 61, 89, 91),
    "lead": (40, 56, 65, 66, 71, 73, 80, 81, 22),
}
NOTE_PITCHES = {
    "bass": (28, 33, 38, 43),
    "guitar": (43, 49, 55, 61, 67, 73),
    "keys": (45, 52, 59, 66, 73),
    "pad": (48, 55, 62, 69),
    "lead": (58, 64, 70, 76),
}

#: Shots of different voices more alike than this are taken as the same recording.
SAME_SOUND = 0.96
SAME_LAYER = 0.995
HEAD = int(0.2 * SAMPLE_RATE_HZ)


@dataclass
class Shot:
    """One entry of the bank's list."""

    kit: str
    instrument: str
    voice: str
    layer: int
    pitch: int = 0
    start: int = 0
    length: int = 0


def trim_shot(samples: np.ndarray, longest_s: float) -> np.ndarray | None:
    """Cut one stroke: attack at :data:`PRE_ROLL_S`, tail at −60 dB, peak 0.9.

    The attack is the first sample above a tenth of the highest peak of the
    first 150 ms (common practice, no source).  Returns None for silence.
    """
    x = np.asarray(samples, np.float32)
    x = x - np.mean(x) if len(x) else x
    peak = np.max(np.abs(x), initial=0.0)
    if peak < 1e-4:
        return None
    first = int(np.argmax(np.abs(x) > 0.02 * peak))
    head = np.abs(x[first : first + int(0.15 * SAMPLE_RATE_HZ)])
    attack = first + int(np.argmax(head > 0.1 * head.max()))
    x = x[max(0, attack - PRE_ROLL) :]
    if attack < PRE_ROLL:
        x = np.concatenate([np.zeros(PRE_ROLL - attack, np.float32), x])
    x = x[: int(longest_s * SAMPLE_RATE_HZ)]
    block = 441
    level = (
        np.sqrt(np.mean(x[: len(x) // block * block].reshape(-1, block) ** 2, axis=1))
        if len(x) >= block
        else np.ones(1)
    )
    loud = np.flatnonzero(level > 1e-3 * level.max())
    x = x[: (loud[-1] + 2) * block].copy()
    fade = min(len(x) // 4, int(0.03 * SAMPLE_RATE_HZ))
    x[len(x) - fade :] *= np.linspace(1, 0, fade, dtype=np.float32)
    return 0.9 * x / np.max(np.abs(x))


def likeness(x: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Normalised correlation of aligned shots' first 0.2 s, at the best lag within 1 ms.

    Parameters
    ----------
    x : ndarray (n,)
    others : ndarray (shots, HEAD), rows from :func:`head_of`

    Returns
    -------
    ndarray (shots,), 0–1
    """
    lagged = np.stack([np.roll(head_of(x), lag) for lag in range(-44, 45, 4)], axis=1)
    return np.max(np.abs(others @ lagged), axis=1, initial=0.0)


def head_of(x: np.ndarray) -> np.ndarray:
    """The first 0.2 s of a shot, scaled to unit energy."""
    head = np.zeros(HEAD, np.float32)
    head[: min(len(x), HEAD)] = x[:HEAD]
    return head / np.float32(np.linalg.norm(head) + 1e-9)


def _read(path: Path) -> np.ndarray:
    x, rate = soundfile.read(path, dtype="float32", always_2d=True)
    x = x.mean(axis=1)
    if rate != SAMPLE_RATE_HZ:
        g = gcd(rate, SAMPLE_RATE_HZ)
        x = resample_poly(x, SAMPLE_RATE_HZ // g, rate // g).astype(np.float32)
    return x


def drum_presets(font: Path) -> tuple[int, dict[int, str]]:
    """MIDI channel (from 0) and presets of a font's drum kits.

    These are bank 128, played on channel 10, or bank 0 of a font without one.

    Source: SoundFont Technical Specification 2.04, 7.2 (the *phdr* sub-chunk).
    """
    data = font.read_bytes()
    at = data.find(b"phdr")
    size = struct.unpack("<I", data[at + 4 : at + 8])[0]
    presets: dict[int, dict[int, str]] = {}
    for k in range(at + 8, at + 8 + size - 38, 38):
        number, bank = struct.unpack("<HH", data[k + 20 : k + 24])
        presets.setdefault(bank, {})[number] = data[k : k + 20].split(b"\0")[0].decode("latin1")
    return (9, presets[128]) if 128 in presets else (0, presets[0])


def _render(font: Path, strikes: list[tuple[int, int, int, int]], spacing_s: float, channel: int) -> list[np.ndarray]:
    """Play (program, key, velocity, bank) strikes one by one through fluidsynth."""
    midi = mido.MidiFile(ticks_per_beat=1000)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=1_000_000, time=0))
    spacing, wait, current = int(spacing_s * 1000), 200, None
    for program, key, velocity, bank in strikes:
        if current != (program, bank):
            track.append(mido.Message("control_change", channel=channel, control=0, value=bank, time=0))
            track.append(mido.Message("program_change", channel=channel, program=program, time=0))
            current = (program, bank)
        track.append(mido.Message("note_on", channel=channel, note=key, velocity=velocity, time=wait))
        hold = spacing - 150
        track.append(mido.Message("note_off", channel=channel, note=key, velocity=0, time=hold))
        wait = spacing - hold
    with tempfile.TemporaryDirectory() as folder:
        mid, wav = Path(folder) / "a.mid", Path(folder) / "a.wav"
        midi.save(mid)
        subprocess.run(
            [
                "fluidsynth",
                "-ni",
                "-q",
                "-R",
                "0",
                "-C",
                "0",
                "-g",
                "0.4",
                "-r",
                str(SAMPLE_RATE_HZ),
                "-F",
                str(wav),
                str(font),
                str(mid),
            ],
            check=True,
            capture_output=True,
        )
        audio = _read(wav)
    start, step = int(0.19 * SAMPLE_RATE_HZ), spacing * SAMPLE_RATE_HZ / 1000
    return [audio[int(start + k * step) : int(start + (k + 1) * step) - 441] for k in range(len(strikes))]


def font_shots(
    font: Path, kit: str, table: dict[int, str], longest_s: float = 2.3
) -> Iterator[tuple[Shot, np.ndarray]]:
    """Every percussion key of every drum preset of a sound font, in layers."""
    channel, presets = drum_presets(font)
    for number, name in presets.items():
        if name.startswith(sources.OTHER_KEY_MAPS):
            continue
        strikes = [(number, k, v, 0) for k in table for v in FONT_VELOCITIES]
        rendered = _render(font, strikes, longest_s, channel)
        for (_, key, velocity, _), audio in zip(strikes, rendered, strict=True):
            x = trim_shot(audio, LONGEST_S[table[key]])
            if x is not None:
                preset = re.sub(r"\W+", " ", name).strip()
                yield Shot(f"{kit}: {preset}", table[key], str(key), FONT_VELOCITIES.index(velocity)), x


def hydrogen_shots(root: Path) -> Iterator[tuple[Shot, np.ndarray]]:
    """Strokes of the Hydrogen kits that :data:`sources.HYDROGEN` names."""
    for folder, (kit, table) in sources.HYDROGEN.items():
        text = (root / folder / "drumkit.xml").read_text(encoding="utf8", errors="replace")
        tree = ElementTree.fromstring(re.sub(r'\sxmlns="[^"]+"', "", text, count=1))
        for item in tree.iter("instrument"):
            name = item.findtext("name") or ""
            instrument = sources.classify(name, table)
            if instrument is None:
                continue
            layers = sorted((float(e.findtext("min") or 0), e.findtext("filename") or "") for e in item.iter("layer"))
            files = [f for _, f in layers] or [item.findtext("filename") or ""]
            for layer, file in enumerate(files):
                path = root / folder / file
                if path.is_file() and (x := trim_shot(_read(path), LONGEST_S[instrument])) is not None:
                    yield Shot(kit, instrument, name, layer), x


def single_shots(folder: Path, kit: str) -> Iterator[tuple[Shot, np.ndarray]]:
    """Single drum sounds in a folder, named by :data:`sources.SINGLE_FILES`."""
    for path in sorted(folder.iterdir()):
        instrument = sources.classify(path.stem, sources.SINGLE_FILES)
        if instrument is None:
            continue
        try:
            x = trim_shot(_read(path), LONGEST_S[instrument])
        except soundfile.LibsndfileError as error:
            print(f"left out: {error}")
            continue
        if x is not None:
            yield Shot(kit, instrument, path.stem, 0), x


def patch_shots(folder: Path, kit: str) -> Iterator[tuple[Shot, np.ndarray]]:
    """Strokes of a folder of Gravis Ultrasound patches (header sizes from memory: 239 + 96 bytes)."""
    for path in sorted(folder.glob("*.pat")):
        instrument = sources.GENERAL_MIDI.get(int(path.name[:3]))
        data = path.read_bytes()
        header = data[239 : 239 + 96]
        size, rate, modes = (struct.unpack("<I", header[8:12])[0], struct.unpack("<H", header[20:22])[0], header[55])
        if instrument is None or not modes & 1:
            continue
        raw = np.frombuffer(data[335 : 335 + size // 2 * 2], "<u2" if modes & 2 else "<i2").astype(np.float32)
        x = (raw - 32768 * bool(modes & 2)) / 32768
        g = gcd(rate, SAMPLE_RATE_HZ)
        x = resample_poly(x, SAMPLE_RATE_HZ // g, rate // g) if rate != SAMPLE_RATE_HZ else x
        if (y := trim_shot(x, LONGEST_S[instrument])) is not None:
            yield Shot(kit, instrument, path.stem, 0), y


def note_shots(font: Path, kit: str) -> Iterator[tuple[Shot, np.ndarray]]:
    """Notes of melodic programs for generated backing."""
    for role, programs in NOTE_PROGRAMS.items():
        strikes = [(p, key, 100, 0) for p in programs for key in NOTE_PITCHES[role]]
        for (program, key, _, _), audio in zip(strikes, _render(font, strikes, 1.8, channel=0), strict=True):
            if (x := trim_shot(audio, LONGEST_S["note"])) is not None:
                yield Shot(kit, role, str(program), 0, pitch=key), x


def drop_copies(shots: list[tuple[Shot, np.ndarray]]) -> list[tuple[Shot, np.ndarray]]:
    """Leave out layers equal to another layer and voices equal to another kit's."""
    kept: list[tuple[Shot, np.ndarray]] = []
    heads: dict[str, np.ndarray] = {}
    for shot, x in shots:
        if shot.pitch:
            kept.append((shot, x))
            continue
        seen = heads.get(shot.instrument, np.zeros((0, HEAD), np.float32))
        is_layer = any((s.kit, s.instrument, s.voice) == (shot.kit, shot.instrument, shot.voice) for s, _ in kept[-4:])
        if np.any(likeness(x, seen) > (SAME_LAYER if is_layer else SAME_SOUND)):
            continue
        heads[shot.instrument] = np.concatenate([seen, head_of(x)[None]])
        kept.append((shot, x))
    return kept


def write_bank(shots: list[tuple[Shot, np.ndarray]], folder: Path) -> None:
    """Write ``shots.flac`` (drums), ``notes.ogg`` (other instruments) and ``shots.json``."""
    folder.mkdir(parents=True, exist_ok=True)
    drums = [pair for pair in shots if not pair[0].pitch]
    notes = [pair for pair in shots if pair[0].pitch]
    at = 0
    for shot, x in drums + notes:
        shot.start, shot.length = at, len(x)
        at += len(x)
    soundfile.write(folder / "shots.flac", np.concatenate([x for _, x in drums]), SAMPLE_RATE_HZ, subtype="PCM_16")
    with soundfile.SoundFile(
        folder / "notes.ogg", "w", SAMPLE_RATE_HZ, 1, format="OGG", subtype="VORBIS", compression_level=0.5
    ) as out:
        for _, x in notes:
            out.write(x)
    (folder / "shots.json").write_text(json.dumps([asdict(s) for s, _ in drums + notes]))


def read_bank(folder: Path) -> tuple[list[Shot], np.ndarray]:
    """The bank's list and its samples, float32."""
    shots = [Shot(**d) for d in json.loads((folder / "shots.json").read_text())]
    parts = [soundfile.read(folder / name, dtype="float32")[0] for name in ("shots.flac", "notes.ogg")]
    return shots, np.concatenate(parts)


def collect(root: Path) -> list[tuple[Shot, np.ndarray]]:
    """All shots of the unpacked packages under *root* (one folder a package)."""
    fonts = root / "avldrums.lv2-soundfont/usr/share/sounds/sf2"
    fluid = root / "fluid-soundfont-gm/usr/share/sounds/sf2/FluidR3_GM.sf2"
    muse = root / "musescore-general-soundfont/usr/share/sounds/sf3/MuseScore_General_Full.sf3"
    tim = root / "timgm6mb-soundfont/usr/share/sounds/sf2/TimGM6mb.sf2"
    steps = (
        ("Black Pearl", lambda: font_shots(fonts / "Black_Pearl_4_LV2.sf2", "Black Pearl", sources.AVLDRUMS)),
        ("Red Zeppelin", lambda: font_shots(fonts / "Red_Zeppelin_4_LV2.sf2", "Red Zeppelin", sources.AVLDRUMS)),
        ("Hydrogen kits", lambda: hydrogen_shots(root / "hydrogen-drumkits/usr/share/hydrogen/data/drumkits")),
        ("FreePats", lambda: patch_shots(root / "freepats/usr/share/midi/freepats/Drum_000", "FreePats")),
        ("lmms", lambda: single_shots(root / "lmms-common/usr/share/lmms/samples/drums", "lmms")),
        ("sonic-pi", lambda: single_shots(root / "sonic-pi-samples/usr/share/sonic-pi/samples", "sonic-pi")),
        ("Tim GM", lambda: font_shots(tim, "Tim GM", sources.GENERAL_MIDI)),
        ("Fluid", lambda: font_shots(fluid, "Fluid", sources.GENERAL_MIDI)),
        ("MuseScore General", lambda: font_shots(muse, "MuseScore General", sources.GENERAL_MIDI)),
        ("Fluid notes", lambda: note_shots(fluid, "Fluid")),
        ("MuseScore notes", lambda: note_shots(muse, "MuseScore General")),
    )
    shots: list[tuple[Shot, np.ndarray]] = []
    for name, step in steps:
        found = list(step())
        print(f"{name}: {len(found)} shots", flush=True)
        shots += found
    return shots


def main() -> None:
    """Command line: unpacked packages in, bank out."""
    parser = argparse.ArgumentParser(
        description=__doc__.split("\n", 1)[0],
        epilog="Example: python -m workbench.training.bank build/packages build/bank",
    )
    parser.add_argument("packages", type=Path, help="folder with one unpacked Debian package a folder (dpkg -x)")
    parser.add_argument("bank", type=Path, help="folder to write")
    args = parser.parse_args()
    shots = drop_copies(collect(args.packages))
    write_bank(shots, args.bank)
    print(f"kept {len(shots)} shots of {len({s.kit for s, _ in shots})} kits")


if __name__ == "__main__":
    main()
