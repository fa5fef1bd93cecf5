"""The recording as exercises and lessons use it: its drums told from the rest, and both as a page holds them.

A page keeps drums and rest once, each in pieces of MP3 that lie over one another, so that it decodes no more than
what is heard and any decoder's delay only shifts what all pieces share.
"""

from __future__ import annotations

import base64
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from workbench.chart import Chart
from workbench.errors import WorkbenchError
from workbench.files.audio import SAMPLE_RATE_HZ, Audio, load_audio, sha256_of
from workbench.files.mp3 import coded_mp3
from workbench.progress import Progress, silent
from workbench.sound.loudness import TARGET_LUFS, loudness_lufs
from workbench.sound.separation import Separation, store_beside

#: Length of a page's piece and what it carries of its neighbours on both sides, seconds.
RECORD_PIECE_S, RECORD_LEAD_S = 8.0, 0.1
#: Bits a second that drums and rest get each, of those that MP3 knows (ISO/IEC 11172-3), and the most that a page's
#: sound may have in all, bytes as base64: longer songs get fewer bits, down to what a band can still be heard in.
RATES_BPS, MOST_RECORD_BYTES = (128_000, 112_000, 96_000, 80_000, 64_000), 11_000_000


def open_recording(chart: Chart, recording: str | os.PathLike, beside: str | os.PathLike) -> Separation:
    """The recording of a chart, ready for its drums to be told from the rest where they are needed.

    Parameters
    ----------
    chart : Chart
    recording : path
    beside : path
        Folder in which found drums are kept.

    Raises
    ------
    WorkbenchError
        If the chart is of another recording.
    AudioError
        If it cannot be used.
    """
    recording = Path(recording)
    if chart.recording is not None and chart.recording.sha256 and sha256_of(recording) != chart.recording.sha256:
        raise WorkbenchError(
            f"{recording} is not the recording this chart was made from "
            f"({Path(chart.recording.path).name}); give that one, or leave it out."
        )
    audio = load_audio(recording, sample_rate=SAMPLE_RATE_HZ)
    if audio.channels > 2:
        audio = Audio(audio.mono(), SAMPLE_RATE_HZ)
    return Separation.of(audio, store_beside(beside, recording, SAMPLE_RATE_HZ))


class RecordPiece(NamedTuple):
    """Drums and rest of a stretch of the recording, each as MP3 in base64."""

    drums: str
    rest: str


def record_pieces(heard: Separation, end_s: float, progress: Progress | None = None) -> tuple[list[RecordPiece], float]:
    """The recording up to a time as a page holds it, and the factor that makes it as loud as the pack's sound.

    Piece *k* begins :data:`RECORD_LEAD_S` before ``k`` times :data:`RECORD_PIECE_S`.
    """
    tell = progress or silent
    rate = heard.sample_rate
    count = int(np.ceil(end_s / RECORD_PIECE_S))
    length, lead = round(RECORD_PIECE_S * rate), round(RECORD_LEAD_S * rate)
    bps = bits_per_s(count)

    def cut() -> Iterator[tuple[np.ndarray, np.ndarray]]:
        for k in range(count):
            tell(k / count, "Taking the drums out of the song")
            yield heard.apart(k * length - lead, (k + 1) * length + lead)

    def coded(pair: Sequence[np.ndarray]) -> RecordPiece:
        return RecordPiece(*(mp3_text(x, rate, bps) for x in pair))

    with ThreadPoolExecutor(max_workers=min(2, os.cpu_count() or 1)) as pool:
        pieces = list(pool.map(coded, cut()))
    whole = heard.cut(0, round(end_s * rate))
    loudness = loudness_lufs(whole, rate)
    gain = 10 ** ((TARGET_LUFS - loudness) / 20) if np.isfinite(loudness) else 1.0
    tell(1.0, "Taking the drums out of the song")
    return pieces, float(gain)


#: Share of the drums that the separator finds (median of mixes of kits, performances and backing kept out of training);
#: the page's own mixer counts what stayed in the rest by it.
FOUND_SHARE = 0.9


def bits_per_s(pieces: int) -> int:
    """Bits a second that drums and rest get each in so many pieces.

    Examples
    --------
    >>> bits_per_s(27), bits_per_s(45)  # 3:30 and 6:00
    (128000, 80000)
    """
    most = MOST_RECORD_BYTES * 8 * 3 / 4 / (2 * pieces * (RECORD_PIECE_S + 2 * RECORD_LEAD_S))
    return next((bps for bps in RATES_BPS if bps <= most), RATES_BPS[-1])


def mp3_text(x: np.ndarray, rate: int, bits_per_s: int | None = None) -> str:
    """Sound (frames, channels) as MP3 in base64, of variable rate by default."""
    return base64.b64encode(coded_mp3(x, rate, bits_per_s)).decode()


def record_facts(chart: Chart, gain: float) -> dict[str, Any]:
    """What a page must know to play bars of the recording: times of their beats, and of the strokes in them, seconds.

    A pick-up bar begins where a full one would.
    """
    time_map = chart.time_map
    bars = []
    for k, bar in enumerate(time_map.bars):
        beat = bar.meter.beat_length
        positions = [j * beat - bar.missing for j in range(bar.meter.counted_beats)]
        beats = [*(time_map.seconds(k, float(p)) for p in positions), time_map.bar_end_s(k)]
        struck = sorted({round(chart.note_time_s(k, n), 3) for n in chart.bars[k].notes})
        bars.append({"beats": [round(t, 4) for t in beats], "struck": struck})
    return {
        "piece_s": RECORD_PIECE_S,
        "lead_s": RECORD_LEAD_S,
        "gain": round(gain, 4),
        "found": FOUND_SHARE,
        "bars": bars,
    }
