"""A shelf against single commands: time, growth, memory, what a death costs; the catalogue's search in a browser.

    python -m tests.benchmarks.bench_shelf [--songs 40] [--seconds 20] [--from FOLDER] [--rows 10000] [--search-only]

Songs are pieces of the demo song, and of the recordings of a folder, of a length each.  The named baseline is as many
single commands ``workbench draft``, one after the other (measured on some of them, which take the same each).  The
same songs are worked through by this machine's workers, by joblib's and by a local Dask cluster with as many, in turn
(``--engines-only``).  The page is searched in Chromium.
"""

from __future__ import annotations

import argparse
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import product
from pathlib import Path
from random import Random
from unittest.mock import patch

import numpy as np
import soundfile

import workbench as wb
from workbench.files.audiosource import RECORDING_ENDINGS
from workbench.shelving.catalogue import catalogue_page, catalogue_rows
from workbench.shelving.cluster import Cluster
from workbench.shelving.crew import work_here
from workbench.shelving.memory import SongMemory
from workbench.shelving.songs import ShelfSong, find_songs
from workbench.shelving.work import GivenFile, SongWork, do_work

DEMO = Path(__file__).parents[2] / "data" / "demo" / "copper-weather.ogg"
#: What must hold: time as a share of single commands, growth of time with songs (exponent), memory of a worker (GiB),
#: search (ms), and Dask's time against our own workers'.
MOST_SHARE, MOST_EXPONENT, MOST_GIB, MOST_SEARCH_MS, MOST_DASK = 0.6, 1.1, 1.5, 100, 1.15
WORKERS = 2
#: Times that each engine works through the songs, in turn: other work on the machine meets all alike.
REPEATS = 3
#: Single commands that are measured; they differ by few per cent.
SINGLES = 4
QUESTIONS = ("shuffle", "shuffle tempo<100", '"open hi-hat on the & of 4"', "tempo>90 difficulty<=2 trams", "s")


def cut_songs(folder: Path, count: int, seconds: float, source: Path | None) -> None:
    """Pieces of the demo song and of other recordings, no two alike."""
    recordings = [DEMO]
    if source is not None:
        recordings += sorted(p for p in source.rglob("*") if p.suffix.lower() in RECORDING_ENDINGS)
    for k in range(count):
        path = recordings[k % len(recordings)]
        info = soundfile.info(path)
        room = max(info.duration - seconds, 0.0)
        first = int(Random(k).uniform(0, room) * info.samplerate)
        samples, rate = soundfile.read(path, int(seconds * info.samplerate), first, dtype="float32", always_2d=True)
        soundfile.write(folder / f"piece {k:03}.flac", np.clip(samples, -1, 1), rate, subtype="PCM_16")


def shelved_s(folder: Path, **how) -> tuple[float, float]:
    """Seconds of a whole command by the clock and of its processors, the start of Python and its workers included."""
    with tempfile.TemporaryDirectory() as out:
        code = (
            f"import workbench as wb; s = wb.shelf({str(folder)!r}, out={out!r}, **{how!r}); assert not s.failures, s"
        )
        before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        worked_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        return time.perf_counter() - begun, worked_s


def single_s(folder: Path) -> float:
    """Seconds of a single command, the mean of some."""
    taken = []
    for path in sorted(folder.glob("*.flac"))[:SINGLES]:
        with tempfile.TemporaryDirectory() as out:
            begun = time.perf_counter()
            command = [sys.executable, "-m", "workbench", "draft", str(path), "--out", out]
            subprocess.run(command, check=True, capture_output=True)
            taken.append(time.perf_counter() - begun)
    return float(np.mean(taken))


def works(folder: Path, place: str) -> list[SongWork]:
    songs, _ = find_songs(folder)
    return [SongWork(s.key, ("draft",), GivenFile(str(s.recording)), place=place) for s in songs]


def do_and_weigh(work: SongWork) -> tuple[int, float, float]:
    """Do the work; which worker this is, and what it has taken so far: seconds of processor, the most memory (GiB)."""
    done = do_work(work)
    assert not done.failures, done.failures
    taken = resource.getrusage(resource.RUSAGE_SELF)
    return os.getpid(), taken.ru_utime + taken.ru_stime, taken.ru_maxrss / 2**20


def by_our_own(songs: list[SongWork]) -> Iterator:
    from tests.benchmarks.bench_shelf import do_and_weigh  # of a module: a worker has another main module

    yield from (weighed for _, weighed in work_here(do_and_weigh, songs, WORKERS, 4 * 2**30))


def by_joblib(songs: list[SongWork]) -> Iterator:
    import joblib

    from tests.benchmarks.bench_shelf import do_and_weigh

    yield from joblib.Parallel(WORKERS, return_as="generator_unordered")(joblib.delayed(do_and_weigh)(w) for w in songs)


def on_dask(songs: list[SongWork]) -> Iterator:
    from distributed import LocalCluster

    from tests.benchmarks.bench_shelf import do_and_weigh

    with (
        patch.dict(os.environ),  # Dask sets variables for its workers here, which the next engine's would take over
        LocalCluster(WORKERS, threads_per_worker=1, memory_limit="2GiB", dashboard_address=None) as local,
        Cluster.at(local.scheduler_address) as cluster,
    ):
        yield from (weighed for _, weighed in cluster.work(do_and_weigh, songs))


def compare_engines(folder: Path) -> float:
    """The same songs by each engine in turn, some times, the least of each; the most memory of a worker, GiB.

    Time counts from when as many songs are done as there are workers: processes, imports and networks are started.
    """
    engines = {"our own workers": by_our_own, "joblib (loky)": by_joblib, "Dask": on_dask}
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in engines}
    most = 0.0
    for _, (name, engine) in product(range(REPEATS), engines.items()):
        with tempfile.TemporaryDirectory() as place:
            told = [(time.perf_counter(), *weighed) for weighed in engine(works(folder, place))]
        count = len(told) - WORKERS
        worked = [[cpu for _, pid, cpu, _ in told if pid == worker] for worker in {pid for _, pid, *_ in told}]
        cpu_s = sum(max(w) - min(w) for w in worked) / (len(told) - len(worked))
        taken[name].append(((told[-1][0] - told[WORKERS - 1][0]) / count, cpu_s))
        most = max(most, *(gib for *_, gib in told))
    least = {name: np.min(found, axis=0) for name, found in taken.items()}
    for name, (clock_s, cpu_s) in least.items():
        ratios = least[name] / least["our own workers"]
        print(f"{name}, once started: {clock_s:.2f} s a song, {cpu_s:.2f} s of a worker's processor; "
              f"ratios {ratios[0]:.2f}, {ratios[1]:.2f}")  # fmt: skip
    ratio = least["Dask"][0] / least["our own workers"][0]
    print(_verdict(f"on Dask {ratio:.2f} × our own workers", ratio, MOST_DASK))
    return most


def deaths(folder: Path, count: int) -> None:
    """A worker killed, then the command: songs that were begun again."""
    with tempfile.TemporaryDirectory() as out:
        command = [sys.executable, "-m", "workbench", "shelf", str(folder), "--out", out, "--workers", str(WORKERS)]
        running = subprocess.Popen(command, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        charted = lambda: len(list(Path(out).glob("*.chart.json")))
        _wait_until(running, lambda: charted() >= max(1, count // 8))
        children = Path(f"/proc/{running.pid}/task/{running.pid}/children").read_text().split()
        spawned = [int(p) for p in children if b"spawn_main" in Path(f"/proc/{p}/cmdline").read_bytes()]
        os.kill(spawned[0], signal.SIGKILL)
        _wait_until(running, lambda: charted() >= max(2, count // 4))
        running.kill()
        running.wait()
        before = charted()
        again = wb.shelf(folder, out=out, workers=WORKERS)
        lost = len(again.worked) - (count - before)
        print(f"a worker killed, then the command: {before} of {count} songs were done, {len(again.worked)} after it, "
              f"{lost} of them twice; {len(again.failures)} failures")  # fmt: skip
        assert not again.failures and len(again.songs) == count and lost <= WORKERS


def _wait_until(running: subprocess.Popen, reached: Callable[[], bool]) -> None:
    while not reached():
        assert running.poll() is None, "the command ended too early"
        time.sleep(0.05)


def search(count: int) -> None:
    """Search a catalogue of many rows in Chromium."""
    from playwright.sync_api import sync_playwright

    from tests.browser.lab import CHROMIUM_FLAGS, find_chromium

    rows = many_rows(count)
    begun = time.perf_counter()
    page_text = catalogue_page(rows, "Shelf")
    print(f"a page of {count} rows: {len(page_text) / 1e6:.1f} MB, written in {time.perf_counter() - begun:.1f} s")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        path = Path(folder, "catalogue.html")
        path.write_text(page_text, "utf-8")
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=list(CHROMIUM_FLAGS))
        page = browser.new_page()
        begun = time.perf_counter()
        page.goto(path.as_uri())
        page.wait_for_selector("tbody tr")
        print(f"opened in {time.perf_counter() - begun:.1f} s")
        slowest = 0.0
        for question in QUESTIONS:
            taken = [page.evaluate(ASK, question) for _ in range(5)]
            slowest = max(slowest, float(np.median(taken)))
            print(f"  {question}: {np.median(taken):.0f} ms, {page.inner_text('#count')}")
        browser.close()
    print(_verdict(f"{count} rows searched, sorted and drawn in {slowest:.0f} ms at most", slowest, MOST_SEARCH_MS))


#: Types a question and waits until what was found is laid out.
ASK = """question => {
  const input = document.getElementById("question");
  input.value = question;
  const begun = performance.now();
  input.dispatchEvent(new Event("input"));
  document.body.getBoundingClientRect();
  return performance.now() - begun;
}"""


def many_rows(count: int) -> list[dict]:
    """Rows of as many songs, made of the readings of the demo song at other tempi and by other names."""
    with tempfile.TemporaryDirectory() as folder:
        wb.demo_song(folder, "chart")
        shelf = wb.shelf(folder, do=(), workers=1)
        entry = next(m.entry for m in shelf.shelved.memories.values() if m.entry)
    rng, memories = Random(1), {}
    for k in range(count):
        grooves = [
            {**g, "name": rng.choice((g["name"], "shuffle", "waltz", "samba"))}
            for g in entry["grooves"]
            if rng.random() < 0.8
        ]
        strokes = {name: [p for p in places if rng.random() < 0.7] for name, places in entry["strokes"].items()}
        more = {"title": f"Song {k}", "artist": rng.choice(("The Night Trams", "The Low Tides")), "grooves": grooves}
        more |= {"tempo_bpm": rng.randint(60, 200), "difficulty": rng.randint(1, 5), "strokes": strokes}
        memories[str(k)] = SongMemory(entry={**entry, **more})
    return catalogue_rows([ShelfSong(str(k), Path(), None) for k in range(count)], memories, Path())


def _verdict(text: str, value: float, most: float) -> str:
    return f"{text}: {'within limits' if value <= most else 'BEYOND'} (must be ≤ {most:g})"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--songs", type=int, default=40)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--from", dest="source", type=Path, help="a folder of recordings to cut songs from, too")
    parser.add_argument("--rows", type=int, default=10_000)
    parser.add_argument("--search-only", action="store_true")
    parser.add_argument("--engines-only", action="store_true")
    args = parser.parse_args()
    if not args.engines_only:
        search(args.rows)
    if args.search_only:
        return 0
    with tempfile.TemporaryDirectory() as made:
        if args.engines_only:
            cut_songs(Path(made), args.songs, args.seconds, args.source)
            compare_engines(Path(made))
            return 0
        parts = {count: Path(made, str(count)) for count in (args.songs, args.songs // 2, args.songs // 4)}
        for count, place in parts.items():
            place.mkdir()
            cut_songs(place, count, args.seconds, args.source)
        folder = parts[args.songs]
        single = single_s(folder)
        print(f"a single command: {single:.2f} s; {args.songs} of them: {args.songs * single:.0f} s (baseline)")
        taken = {count: shelved_s(place, workers=WORKERS) for count, place in parts.items()}
        whole, _ = taken[args.songs]
        share = whole / (args.songs * single)
        said = f"{args.songs} songs in {whole:.0f} s with {WORKERS} workers, {share:.2f} of the baseline"
        print(_verdict(said, share, MOST_SHARE))
        most, half, quarter = (worked for _, worked in taken.values())  # of the processors: a busy machine counts less
        exponent = float(np.log2((most - half) / (half - quarter)))  # without the start, which all have
        said = ", ".join(f"{count} songs {worked:.0f} s of processor" for count, (_, worked) in taken.items())
        print(_verdict(f"{said}: growth exponent {exponent:.2f}", exponent, MOST_EXPONENT))
        cost = (most - quarter) / (args.songs - args.songs // 4)
        print(
            f"a song of {args.seconds:g} s costs {cost:.2f} s of a core, a million {cost * 1e6 / 86400:.0f} days of one"
        )
        gib = compare_engines(folder)
        print(_verdict(f"memory of a worker: {gib:.2f} GiB at most", gib, MOST_GIB))
        deaths(folder, args.songs)
    return 0


if __name__ == "__main__":
    sys.exit(main())
