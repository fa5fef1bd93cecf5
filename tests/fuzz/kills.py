"""Work broken off: a process killed while it edits or writes, a disk that fills up.

What was confirmed is there afterwards, what was written is whole, and the work can be done again.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import astuple
from fractions import Fraction
from functools import cache
from pathlib import Path
from random import Random

import pandas

from tests.fuzz.inputs import Verdict, judge_main, judge_sentence
from tests.fuzz.seeds import seeds, small_chart
from workbench.chart import Chart, Note
from workbench.chart.edits import AddNote, ChangeNote, MoveBarLine, NameSection, SetHeading, apply
from workbench.errors import WorkbenchError
from workbench.files.chartfile import read_chart, write_chart
from workbench.files.document import ChartDocument
from workbench.listening.hearing import HEARD_FOLDER
from workbench.notation.midi_read import read_midi
from workbench.notation.musicxml_read import read_musicxml
from workbench.shelving.memory import SHELF_FOLDER

#: Kinds of breaking off and how many of a hundred are of each.
SHARES = {"edits": 68, "shelf": 2, "mark": 6, "draft": 7, "redraft": 3, "score": 7, "practice": 4, "full disk": 3}
_CHART = "song.chart.json"


def name_of(number: int) -> str:
    """Kind and place of the kill with a number, as "edits/17"."""
    slot = (number * 37) % 100
    for kind, share in SHARES.items():
        if slot < share:
            return f"{kind}/{number}"
        slot -= share
    raise AssertionError


def judge(name: str, folder: Path) -> Verdict:
    """Do it in an empty folder of its own."""
    kind, rng = name.split("/")[0], Random(f"3/{name}")
    if kind == "edits":
        return _edits(folder, rng, None)
    if kind == "full disk":
        return _full_disk(folder, rng)
    return _command(kind, folder, rng)


# -- editing --------------------------------------------------------------------------------------


def _steps(rng: Random, count: int) -> list[tuple[str, AddNote | None, Chart]]:
    """Steps of editing: what is done, and the chart after it."""
    done, undone, steps = [small_chart()], [], []
    for k in range(count):
        what = rng.choice(("do", "do", "do", "do", "undo", "redo", "save"))
        edit = None
        if what == "do":
            edit = _edit(done[-1], k, rng)
            done.append(apply(done[-1], edit))
            undone.clear()
        elif what == "undo" and len(done) > 1:
            undone.append(done.pop())
        elif what == "redo" and undone:
            done.append(undone.pop())
        elif what != "save":
            continue
        steps.append((what, edit, done[-1]))
    return steps


def _edit(chart: Chart, k: int, rng: Random):
    bar = rng.randrange(len(chart))
    if rng.random() < 0.6:
        return AddNote(bar, Note(Fraction(rng.randrange(64), 64), "china", rng.randint(1, 127)))
    if rng.random() < 0.3:
        return SetHeading(title=f"Copper Weather {k}" * rng.choice((1, 1, 500)))
    if rng.random() < 0.3:
        return MoveBarLine(bar, chart.time_map.bar_start_s(bar) + rng.uniform(-0.02, 0.02))
    if chart.bars[bar].notes and rng.random() < 0.5:
        return ChangeNote(bar, *rng.choice(chart.bars[bar].notes).key, velocity=rng.randint(1, 127))
    return NameSection(bar, f"Bridge {k}", rng.choice("ABC"))


def _perform(document: ChartDocument, what: str, edit) -> None:
    if what == "do":
        document.apply(edit)
    else:
        getattr(document, what)()


def _edits(folder: Path, rng: Random, room: Callable[[], None] | None) -> Verdict:
    """Edit until killed, or until the disk is full: what was confirmed is there, and nothing else."""
    path = folder / _CHART
    write_chart(small_chart(), path)
    steps = _steps(rng, 200)
    told, tell = os.pipe()

    def work() -> None:
        with ChartDocument.open(path) as document:
            for what, edit, _ in steps:
                _perform(document, what, edit)
                os.write(tell, b".")

    failed = _broken_off(work, (lambda: time.sleep(rng.uniform(0, 0.4))) if room is None else None)
    os.close(tell)
    with os.fdopen(told, "rb") as confirmed:
        count = len(confirmed.read())
    if room is not None:
        room()
    states = [small_chart(), *(chart for *_, chart in steps)]
    allowed = states[count : count + (2 if room is None else 1)]
    with ChartDocument.open(path) as document:
        if document.chart not in allowed:
            return Verdict("lost", f"{count} steps were confirmed; {document.notice or 'no notice'}")
        again = AddNote(0, Note(Fraction(1, 64), "cowbell", 99))
        document.apply(again)
        after = document.chart
    with ChartDocument.open(path) as document:
        if document.chart != after:
            return Verdict("lost", "an edit made after the break")
        document.save()
    if read_chart(path) != after:
        return Verdict("lost", "the chart saved after the break")
    left = _left_over(folder)
    return Verdict("left over", str(left)) if left else judge_sentence(failed) if failed else Verdict("clean")


def _broken_off(work: Callable[[], object], wait: Callable[[], None] | None) -> str:
    """Do work in a process that is killed when the waiting ends (or left alone); what it said where it failed."""
    said, say = os.pipe()
    pid = os.fork()
    if pid == 0:
        if wait is not None:
            # What it started outlives it, and complains of its end while the next is judged.
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
        try:
            work()
        except WorkbenchError as error:
            os.write(say, str(error).encode())
        except BaseException as error:
            os.write(say, f"{type(error).__name__}: {error}: out of range".encode())
        finally:
            os._exit(0)
    os.close(say)
    if wait is not None:
        wait()
        os.kill(pid, signal.SIGKILL)
    with os.fdopen(said, "rb") as sentence:
        text = sentence.read().decode()
    os.waitpid(pid, 0)
    return text


def _left_over(folder: Path) -> list[str]:
    return [p.name for p in folder.rglob("*") if p.name.startswith(".") and p.name not in (HEARD_FOLDER, SHELF_FOLDER)]


# -- commands --------------------------------------------------------------------------------------


def _words(kind: str, folder: Path) -> list[str]:
    chart, out = str(folder / _CHART), str(folder / "out")
    return {
        "draft": ["draft", str(folder / "song.wav"), "--out", out],
        "redraft": ["draft", str(folder / "song.wav"), "--out", str(folder), "--overwrite"],
        "score": ["score", chart, "--to", "pdf,musicxml,mxl,midi,svg,png", "--road-map", "--out", out],
        "practice": [
            "practice",
            chart,
            "--bars",
            "1-2",
            "--repeats",
            "0",
            "--tempi",
            "100",
            "--no-recording",
            "--out",
            out,
        ],
        "shelf": ["shelf", str(folder), "--do", "draft,score", "--out", out, "--workers", "1"],
        "mark": ["read", chart, "--mark", "--sticking"],
    }[kind]


_EDITS = tuple(AddNote(k, Note(Fraction(1, 32), "china", 70 + k)) for k in range(3))


def _prepare(folder: Path) -> None:
    """A recording, and a chart with edits that are confirmed and not saved."""
    (folder / "song.wav").write_bytes(seeds()["wav"][0])
    with ChartDocument.create(small_chart(), folder / _CHART) as document:
        for edit in _EDITS:
            document.apply(edit)


@cache
def _usual_s(kind: str) -> float:
    """How long a command takes here, seconds."""
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as name:
        _prepare(Path(name))
        start = time.monotonic()
        verdict = _run(_words(kind, Path(name)), Path(name))
        if verdict.outcome != "clean":
            raise RuntimeError(f"{kind} does not work undisturbed: {verdict}")
        return time.monotonic() - start


def _run(words: Sequence[str], folder: Path) -> Verdict:
    """A command in a process of its own: threads that libraries keep would be lost in the next fork.

    It ends as a program does, waiting for its threads: one cut short would leave semaphores to the tracker, which says
    so on standard error.
    """
    context = multiprocessing.get_context("fork")
    said, say = context.Pipe(duplex=False)
    process = context.Process(target=lambda: say.send(astuple(judge_main(list(words), folder))))
    process.start()
    say.close()
    try:
        return Verdict(*said.recv())
    except EOFError:
        process.join()
        return Verdict("traceback", f"the process died: {process.exitcode}")
    finally:
        process.join()
        said.close()


def _command(kind: str, folder: Path, rng: Random) -> Verdict:
    """A command killed at any moment, half of the time while it writes."""
    _prepare(folder)
    before = _files(folder)
    usual_s, words = _usual_s(kind), _words(kind, folder)

    def wait() -> None:
        end_s = time.monotonic() + usual_s
        if rng.random() < 0.5:
            time.sleep(rng.uniform(0, usual_s))
            return
        while _files(folder) == before and time.monotonic() < end_s:
            time.sleep(0.001)
        time.sleep(rng.expovariate(1 / 0.02))

    _broken_off(lambda: judge_main(words, folder), wait)
    return _aftermath(kind, folder, rng.random() < 0.3)


def _aftermath(kind: str, folder: Path, again: bool) -> Verdict:
    """Whether all is whole after a break, and the work can be done again."""
    try:
        broken = _broken_files(folder)
        if broken:
            return Verdict("lost", f"half written: {broken}")
        with ChartDocument.open(folder / _CHART) as document:
            there = all(document.chart.bars[e.bar_index].find(*e.note.key) for e in _EDITS)
        if not there and not (kind == "redraft" and _set_aside(folder)):
            return Verdict("lost", f"confirmed edits; {document.notice or 'no notice'}")
        if again:
            words = _words(kind, folder) + (["--overwrite"] if kind == "draft" else [])
            verdict = _run(words, folder)
            if verdict.outcome != "clean":
                return Verdict("lost", f"not to be done again: {verdict.outcome} {verdict.why}")
            left = _left_over(folder)
            if left:
                return Verdict("left over", str(left))
    except WorkbenchError as error:
        return Verdict("lost", f"not to be opened: {error}")
    return Verdict("clean")


def _set_aside(folder: Path) -> bool:
    """Whether the edits stand in a journal that was set aside."""
    return any(p.read_text("utf-8").count('"china"') >= len(_EDITS) for p in folder.glob("song.journal.*"))


def _files(folder: Path) -> set[tuple[str, int]]:
    return {(str(p), p.stat().st_mtime_ns) for p in folder.rglob("*") if p.exists()}


def _broken_files(folder: Path) -> list[str]:
    """Names of written files that are not whole."""
    ends = {".pdf": b"%%EOF", ".svg": b"</svg>", ".png": b"IEND\xaeB`\x82", ".html": b"</html>"}
    reads = {".chart.json": read_chart, ".csv": pandas.read_csv,
             ".mid": read_midi, ".musicxml": read_musicxml, ".mxl": read_musicxml}  # fmt: skip
    broken = []
    for path in folder.rglob("*"):
        if path.name.startswith(".") or not path.is_file() or SHELF_FOLDER in path.parts:
            continue
        end = ends.get(path.suffix)
        if end and not path.read_bytes().rstrip().endswith(end):
            broken.append(path.name)
        for ending, read in reads.items():
            if path.name.endswith(ending):
                try:
                    read(path)
                except WorkbenchError:
                    broken.append(path.name)
    return broken


# -- a full disk --------------------------------------------------------------------------------------


def mount(folder: Path, size: int) -> bool:
    """A disk of a size in bytes at a folder; False where this user may not."""
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    try:
        return subprocess.run(command, capture_output=True).returncode == 0
    except OSError:
        return False


def _full_disk(folder: Path, rng: Random) -> Verdict:
    disk = folder / "disk"
    disk.mkdir()
    if not mount(disk, 8 * 2**20):
        return Verdict("refused", "no disk could be mounted")
    try:
        return _on_full_disk(disk, rng)
    finally:
        os.chdir("/")
        subprocess.run(["umount", "-l", str(disk)], check=True)


def _on_full_disk(disk: Path, rng: Random) -> Verdict:
    filler = disk / "filler"

    def fill(left: int) -> None:
        size = os.statvfs(disk).f_bavail * os.statvfs(disk).f_frsize
        with open(filler, "wb") as file:
            file.write(bytes(max(size - left, 0)))

    if rng.random() < 0.5:
        fill(rng.choice((8, 12, 16, 24, 48)) * 4096)
        return _edits(disk, rng, filler.unlink)
    kind = rng.choice(("draft", "score", "practice", "mark", "redraft"))
    _prepare(disk)
    fill(rng.choice((0, 0, 1, 2, 4, 16, 64)) * 4096)
    verdict = _run(_words(kind, disk), disk)
    left = _left_over(disk)
    if verdict.outcome not in ("clean", "refused"):
        return verdict
    filler.unlink()
    after = _aftermath(kind, disk, True)
    return Verdict("left over", str(left)) if left and after.outcome == "clean" else after
