"""One damaged input: made from its number, given to the commands that read it, judged."""

from __future__ import annotations

import io
import json
import os
import re
import traceback
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from random import Random

from tests.fuzz.mutate import damage
from tests.fuzz.seeds import SAVED, journal_edit, seeds, small_chart
from workbench.chart.data import to_data
from workbench.chart.edits import SetHeading
from workbench.commands.cli import main
from workbench.errors import LONGEST_MESSAGE, WorkbenchError
from workbench.files import annotations
from workbench.files.audio import load_audio
from workbench.files.document import ChartDocument
from workbench.grid import HitGrid

#: What can come of an input; all but the first two are failures.
OUTCOMES = ("clean", "refused", "badly said", "traceback", "hang", "over memory", "lost", "left over", "socket")
#: Kinds of input and how many of a hundred are of each.
SHARES = {"chart": 16, "journal": 16, "message": 4, "musicxml": 16, "mxl": 6, "midi": 16, "csv": 7, "labels": 5,
          "wav": 3, "flac": 3, "ogg": 2, "mp3": 2, "aiff": 2, "m4a": 2}  # fmt: skip
_ENDINGS = {"chart": "chart.json", "midi": "mid", "labels": "txt"}
#: Words of Python's, which no user should read.
_PYTHON = re.compile(
    r"\[Errno|NoneType|<class|object has no|object is not|invalid literal|could not convert|codec can't|list index|"
    r"not supported between|unpack|Traceback|expected str|must be (real|str|int)|out of range|int too large|"
    r"integer string"
)
_CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


@dataclass(frozen=True)
class Verdict:
    """What came of an input, and why where it failed."""

    outcome: str
    why: str = ""


def name_of(number: int) -> str:
    """Kind and place of the input with a number, as "midi/17"."""
    slot = (number * 37) % 100  # spread, so that any stretch of numbers holds all kinds
    for kind, share in SHARES.items():
        if slot < share:
            return f"{kind}/{number}"
        slot -= share
    raise AssertionError


def make(name: str) -> bytes:
    """The damaged bytes of an input."""
    kind, rng = name.split("/")[0], Random(f"1/{name}")
    seed = rng.choice(seeds().get(kind) or (b"",))
    if kind != "journal":
        return damage(seed, kind, rng)
    chart, journal = seed.split(b"\0", 1)
    if rng.random() < 0.1:
        chart = damage(chart, "chart", rng)
    return chart + b"\0" + damage(journal, "journal", rng)


def judge(name: str, folder: Path) -> Verdict:
    """Give an input to what reads it, in an empty folder of its own."""
    kind, rng, data = name.split("/")[0], Random(f"2/{name}"), make(name)
    try:
        if kind == "message":
            return _judge_message(data, folder)
        if kind == "journal":
            return _judge_journal(data, folder)
        path = folder / f"x.{_ENDINGS.get(kind, kind)}"
        path.write_bytes(data)
        if kind in ("chart", "musicxml", "mxl", "midi"):
            return _judge_commands(path, rng)
        if kind == "labels":
            verdicts = [_judge_call(read, path) for read in (annotations.read_labels, annotations.read_beat_labels)]
            return max(verdicts, key=lambda v: OUTCOMES.index(v.outcome))
        if rng.random() < 0.1:
            return judge_main(["draft", str(path), "--out", str(folder / "out")], folder)
        return _judge_call(load_audio, path, rng.choice((None, 8000, 44100)), rng.random() < 0.5)
    except MemoryError:
        return Verdict("over memory")
    except Exception:
        return Verdict("traceback", traceback.format_exc())


def _judge_commands(path: Path, rng: Random) -> Verdict:
    formats = rng.choice(("musicxml", "midi", "musicxml,midi", "svg", "pdf"))
    commands = [["score", str(path), "--to", formats]]
    if rng.random() < 0.6:
        commands.append(["read", str(path), *rng.choice(([], ["--json"], ["--out", "out"], ["--against", str(path)]))])
    if path.name.endswith(".json") and rng.random() < 0.2:
        commands.append(["read", str(path), "--mark", "--sticking"])
    verdicts = [judge_main(command, path.parent) for command in commands]
    return max(verdicts, key=lambda v: OUTCOMES.index(v.outcome))


def judge_main(words: list[str], folder: Path) -> Verdict:
    """A command's status, what it says, and whether it left word of a fault."""
    said, told = io.StringIO(), io.StringIO()
    with redirect_stdout(said), redirect_stderr(told):
        status = main(words)
    faults = list(folder.rglob("workbench-fault-*.txt"))
    if faults:
        why = faults[0].read_text("utf-8")
        for fault in faults:
            fault.unlink()
        return Verdict("over memory" if "MemoryError" in why else "traceback", why)
    if "needs more memory" in told.getvalue():
        return Verdict("over memory", told.getvalue())
    if _CONTROLS.search(said.getvalue() + told.getvalue()):
        return Verdict("badly said", f"raw control characters from {words[0]}")
    if status == 2:
        lines = [line for line in told.getvalue().splitlines() if line.startswith("workbench ")]
        return judge_sentence(lines[-1].split(": ", 1)[1] if lines else told.getvalue())
    left = [p.name for p in folder.rglob(".*") if p.is_file()]
    return Verdict("left over", f"{words[0]} left {left}") if left else Verdict("clean")


def _judge_call(function, *args) -> Verdict:
    try:
        function(*args)
    except WorkbenchError as error:
        return judge_sentence(str(error))
    return Verdict("clean")


def judge_sentence(text: str) -> Verdict:
    bad = len(text) > LONGEST_MESSAGE or _CONTROLS.search(text) or _PYTHON.search(text) or not text.endswith((".", "!"))
    return Verdict("badly said", repr(text)) if bad else Verdict("refused")


def _judge_journal(data: bytes, folder: Path) -> Verdict:
    """What was saved is there, what was confirmed before the damage too, and what is edited next stays."""
    chart, journal = data.split(b"\0", 1)
    whole_chart, whole_journal = seeds()["journal"][0].split(b"\0", 1)
    path = folder / "j.chart.json"
    path.write_bytes(chart)
    (folder / "j.journal.jsonl").write_bytes(journal)
    undamaged = os.path.commonprefix([journal, whole_journal]).rsplit(b"\n", 1)[0]
    kept = max(SAVED, undamaged.count(b'"do"'))
    after = journal_edit(30)
    try:
        with ChartDocument.open(path) as document:
            if chart == whole_chart:
                lacking = [k for k in range(kept) if not _holds(document.chart, journal_edit(k))]
                if lacking:
                    return Verdict("lost", f"edits {lacking} of {kept} that stood before the damage")
            document.apply(after)
        with ChartDocument.open(path) as document:
            if not _holds(document.chart, after):
                return Verdict("lost", f"an edit made after opening the damaged journal; {document.notice}")
            document.save()
    except WorkbenchError as error:
        verdict = judge_sentence(str(error))
        if verdict.outcome == "refused" and chart == whole_chart:
            return Verdict("lost", f"a whole chart was not opened: {error}")
        return verdict
    return Verdict("clean")


def _judge_message(data: bytes, folder: Path) -> Verdict:
    """What the page sends is answered with a sentence at worst, and the next edit is made."""
    try:
        message = json.loads(data)
    except (ValueError, RecursionError):
        return Verdict("refused")  # by Jupyter
    after = to_data(SetHeading(artist="The Day Trams"))
    with ChartDocument.create(small_chart(), folder / "m.chart.json") as document:
        grid, sent = HitGrid(document), []
        grid.send = lambda content, buffers=None: sent.append(content)
        grid._receive(grid, message, [])
        grid._receive(grid, {"type": "do", "client": "another page", "seq": 1, "edit": after}, [])
        grid._workers.shutdown()  # what it was busy with is done
        grid.close()
        if document.chart.artist != "The Day Trams":
            return Verdict("lost", f"the edit after it: {sent}")
    said = [s["error"] for s in sent if "error" in s]
    if any("fault of the workbench" in s for s in said):
        return Verdict("traceback", str(said))
    return judge_sentence(said[0]) if said else Verdict("clean")


def _holds(chart, edit) -> bool:
    return chart.bars[edit.bar_index].find(edit.note.position, edit.note.instrument) is not None
