"""Songs of exactly known bars from tracker modules, heard once, as :mod:`workbench.training.bar_songs` keeps them.

A module's rows are exact in time.  Used are modules of one tempo whose patterns
have 64 rows: four bars of 4/4 (common practice, no source).  Whether four or eight
rows are a beat is said by the tempo, which is to be 85 to 180 a minute; other
levels are a matter of taste there.  Debian packages the modules with games
(unpack their ``.deb`` files, a folder each; the songs of a package are learnt from,
or tested on, together)::

    python -m workbench.training.module_songs build/packages build/songs --library libopenmpt.so.0
"""

from __future__ import annotations

import argparse
import ctypes
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
import soundfile

from workbench.training.bar_songs import LONGEST_EXCERPT_S, hear_song

ENDINGS = (".mod", ".xm", ".it", ".s3m")
MODULE_ROWS = 64
MODULE_RATE_HZ, BLOCK = 48_000, 240
#: Beats a minute that count as the beat.
LIKELY_BPM = (85.0, 180.0)


def play_module(library: ctypes.CDLL, path: Path, skip_s: float) -> tuple[np.ndarray, list, Counter]:
    """Samples; (seconds, row) of each row that begins; and how often each (pattern rows, speed, tempo) was met."""
    create = library.openmpt_module_create_from_memory2
    create.restype, create.argtypes = ctypes.c_void_p, [ctypes.c_char_p, ctypes.c_size_t] + [ctypes.c_void_p] * 7
    library.openmpt_module_set_position_seconds.argtypes = [ctypes.c_void_p, ctypes.c_double]
    library.openmpt_module_read_float_mono.restype = ctypes.c_size_t
    library.openmpt_module_read_float_mono.argtypes = [
        ctypes.c_void_p,
        ctypes.c_int32,
        ctypes.c_size_t,
        ctypes.c_void_p,
    ]
    data = path.read_bytes()
    module = ctypes.c_void_p(create(data, len(data), *[None] * 7))
    if not module:
        return np.zeros(0, np.float32), [], Counter()
    library.openmpt_module_set_position_seconds(module, skip_s)
    block, blocks, rows, met, last = np.zeros(BLOCK, np.float32), [], [], Counter(), None
    while len(blocks) * BLOCK < LONGEST_EXCERPT_S * MODULE_RATE_HZ:
        if not library.openmpt_module_read_float_mono(module, MODULE_RATE_HZ, BLOCK, block.ctypes.data):
            break
        pattern, row, order, speed, tempo = (
            getattr(library, f"openmpt_module_get_current_{name}")(module)
            for name in ("pattern", "row", "order", "speed", "tempo")
        )
        if (order, row) != last:
            rows.append((len(blocks) * BLOCK / MODULE_RATE_HZ, row))
            last = (order, row)
        met[(library.openmpt_module_get_pattern_num_rows(module, pattern), speed, tempo)] += 1
        blocks.append(block.copy())
    library.openmpt_module_destroy(module)
    return np.concatenate(blocks) if blocks else block[:0], rows, met


def find_beats(rows: list[tuple[float, int]], met: Counter) -> list[tuple[float, int]]:
    """(seconds, number in the bar from 1) of each beat, or none where tempo or patterns leave a doubt."""
    common, count = met.most_common(1)[0] if met else ((0, 0, 0), 0)
    if count < 0.99 * met.total() or common[0] != MODULE_ROWS or len(rows) < MODULE_ROWS:
        return []
    _, speed, tempo = common
    bpm = 60 / (4 * speed * 2.5 / tempo)
    per_beat = next((r for r in (4, 8, 16) if LIKELY_BPM[0] < bpm * 4 / r <= LIKELY_BPM[1]), 0)
    return [(t, row // per_beat % 4 + 1) for t, row in rows if row % per_beat == 0] if per_beat else []


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("packages", type=Path, help="folder of unpacked packages")
    parser.add_argument("out", type=Path)
    parser.add_argument("--library", default="libopenmpt.so.0")
    parser.add_argument("--skip-s", type=float, default=0.0)
    args = parser.parse_args()
    library = ctypes.CDLL(args.library)
    args.out.mkdir(parents=True, exist_ok=True)
    for path in sorted(p for p in args.packages.rglob("*") if p.suffix.lower() in ENDINGS and p.is_file()):
        out = args.out / f"module-{path.stem}-{args.skip_s:.0f}.npz"
        if out.exists():
            continue
        samples, rows, met = play_module(library, path, args.skip_s)
        beats = find_beats(rows, met)
        if len(samples) < 25 * MODULE_RATE_HZ or not beats:
            continue
        with tempfile.TemporaryDirectory() as folder:
            wav = Path(folder) / "song.wav"
            soundfile.write(wav, samples / max(1.0, np.abs(samples).max()), MODULE_RATE_HZ)
            hear_song(wav, out, path.relative_to(args.packages).parts[0], "4/4", *(np.array(x) for x in zip(*beats)))
        print(out.stem, len(beats), flush=True)


if __name__ == "__main__":
    main()
