"""How fast a full practice pack of the demo song is made, and how well loops join.

Baseline: real time, the length of all sound made (files and page).  Must reach:
65 × real time on two cores, and a minute in all; loops exact to the sample; a loop within −60 dBFS of
the same bars played on and on.
"""

from __future__ import annotations

import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

import workbench as wb
from workbench.files.audio import SAMPLE_RATE_HZ
from workbench.files.chartfile import read_chart
from workbench.practice.exercises import choose_exercises
from workbench.practice.pack import make_practice_pack
from workbench.practice.stagecharts import stage_chart
from workbench.reading.read import read_part
from workbench.sound.rendering import hits_of, mix_hits, render_chart

ROUNDS = 5


def seam_dbfs(chart) -> float:
    """Greatest difference of a loop from a later round of endless playing."""
    lap = render_chart(chart, SAMPLE_RATE_HZ, loop=True).samples
    n = len(lap)
    shift = [k * n / SAMPLE_RATE_HZ for k in range(ROUNDS)]
    on_and_on = [
        replace(b, time_s=b.time_s + s, stop_s=None if b.stop_s is None else b.stop_s + s)
        for s in shift
        for b in hits_of(chart)
    ]
    whole = mix_hits(on_and_on, ROUNDS * n, SAMPLE_RATE_HZ)
    # Not the last round: the next would begin a little early, and nothing follows it.
    later = whole[(ROUNDS - 2) * n : (ROUNDS - 1) * n]
    return 20 * np.log10(np.abs(later - lap).max() + 1e-9)


def main() -> None:
    recording, truth = wb.demo_song(), wb.demo_song(what="chart")
    chart = read_chart(truth)
    reading = read_part(chart)
    exercises = choose_exercises(reading)
    with tempfile.TemporaryDirectory() as folder:
        start, start_cpu = time.perf_counter(), time.process_time()
        pack = make_practice_pack(chart, Path(folder) / "pack", recording=recording)
        spent_s, cpu_s = time.perf_counter() - start, time.process_time() - start_cpu
        size_mb = sum(p.stat().st_size for p in pack.folder.rglob("*") if p.is_file()) / 1e6
        print(f"{len(pack.exercises)} exercises, {len(pack.files)} files, {size_mb:.0f} MB")
        print(
            f"{pack.audio_s:.0f} s of sound in {spent_s:.1f} s: {pack.audio_s / spent_s:.1f} x real time "
            f"(must be 65, and at most 60 s); {pack.audio_s / cpu_s:.1f} x for one core's time"
        )
        wrong = 0
        for e in exercises:
            for s in (s for s in e.stages if s.loop and not s.record):
                for tempo_bpm in e.tempi_bpm:
                    path = pack.folder / "audio" / e.name / f"{s.name}-{tempo_bpm:g}bpm.flac"
                    expected = round(stage_chart(chart, s, tempo_bpm).time_map.end_s * SAMPLE_RATE_HZ)
                    wrong += soundfile.info(path).frames != expected
        print(f"loops that are not exact to the sample: {wrong} (must be 0)")
    worst = max(
        seam_dbfs(stage_chart(chart, s, e.tempi_bpm[-1]))
        for e in exercises
        for s in e.stages
        if s.loop and not s.record
    )
    print(f"worst loop against endless playing: {worst:.0f} dBFS (must be below -60)")


if __name__ == "__main__":
    main()
