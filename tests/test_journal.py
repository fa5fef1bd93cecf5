"""The journal: whatever happens to its bytes and lines, what was confirmed before comes back."""

import json
import random
from dataclasses import dataclass
from fractions import Fraction as F

import pytest

from workbench.chart import Chart, Note
from workbench.chart.data import to_data
from workbench.chart.edits import AddNote, SetHeading
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError, FileFormatError
from workbench.files.chartfile import dumps_chart
from workbench.files.history import History
from workbench.files.journal import header_of, journal_bytes, recover, saved_charts, sha256_of_bytes

EMPTY = Chart.empty(TimeMap.steady(1, 120), title="Copper Weather")
SAVED, NEXT = "saved", SetHeading(artist="The Night Trams")
#: What a user did, in the small: edits, undo, redo, two saves, the last edit undone.
STEPS = [0, 1, SAVED, "undo", "redo", 2, SAVED, 3, 4, "undo"]


@dataclass
class Session:
    """A journal, the charts after each of its steps, and the chart file after each save."""

    data: bytes
    charts: list[Chart]
    files: dict[int, bytes]  # by the revision that they hold


def _session(steps=STEPS):
    history, files = History((EMPTY,)), {0: dumps_chart(EMPTY).encode()}
    start = {"n": 0, "saved": sha256_of_bytes(files[0]), "chart": to_data(EMPTY)}
    lines, charts = [header_of(start), start], [EMPTY]
    for step in steps:
        if step == SAVED:
            files[history.revision] = dumps_chart(history.chart).encode()
            lines.append({"n": history.revision, "saved": sha256_of_bytes(files[history.revision])})
            continue
        line = {step: 1}
        if isinstance(step, int):
            line = {"do": to_data(AddNote(0, Note(F(step, 16), "kick", 1 + step)))}
        history = history.with_step(line)
        lines.append({"n": history.revision, **line})
        charts.append(history.chart)
    return Session(journal_bytes(lines), charts, files)


SESSION = _session()
LINES = SESSION.data.splitlines(keepends=True)
LAST = len(SESSION.charts) - 1


def confirmed_before(line_index):
    """The revision reached by the lines before this one."""
    return max([json.loads(x)["n"] for x in LINES[:line_index]], default=0)


def holds(damaged, line_index, saved):
    """Whether nothing confirmed before the damaged line is lost, and editing goes on from there."""
    file = SESSION.files[saved]
    found = recover(file, damaged)
    reached = found.history.revision if found.lines else saved
    assert reached >= max(confirmed_before(line_index), saved)
    assert found.history.chart == SESSION.charts[reached]
    assert not found.lines or SESSION.charts[found.saved_revision] == SESSION.charts[saved]
    # What a document does then: write the journal anew, and the next edit behind it.
    lines = found.lines
    if not lines:
        start = {"n": 0, "saved": sha256_of_bytes(file), "chart": to_data(found.history.chart)}
        lines = [header_of(start), start]
    after = found.history.with_edit(NEXT)
    again = recover(file, journal_bytes([*lines, {"n": after.revision, "do": to_data(NEXT)}]))
    assert again.whole and again.history.chart == after.chart and again.history.revision == after.revision
    return found


@pytest.mark.parametrize("saved", SESSION.files)
def test_an_untouched_journal_gives_everything(saved):
    found = holds(SESSION.data, len(LINES), saved)
    assert found.whole and found.history.revision == LAST and found.history.at == 4 and len(found.history.edits) == 5
    assert journal_bytes(found.lines) == SESSION.data


def _altered(values_of):
    """Every byte altered: the line it is in, and the journal after."""
    k = 0
    for index, line in enumerate(LINES):
        for byte in line:
            for value in values_of(k, byte):
                yield index, SESSION.data[:k] + bytes([value]) + SESSION.data[k + 1 :]
            k += 1


@pytest.mark.slow
def test_every_byte_altered():
    chance = random.Random(1)
    for index, damaged in _altered(lambda k, byte: [byte ^ (1 << chance.randrange(8))]):
        saved = chance.choice(list(SESSION.files))
        found = holds(damaged, index, saved)
        assert not found.whole
        if b'"saved"' in LINES[index] and b'"chart"' not in LINES[index] and damaged.count(b"\n") >= len(LINES):
            assert found.history.revision == LAST, "damage to what is no step costs nothing"


@pytest.mark.slow
@pytest.mark.parametrize("stride", [53, pytest.param(1, marks=pytest.mark.soak)])
@pytest.mark.parametrize("saved", SESSION.files)
def test_bytes_altered_in_many_ways(saved, stride):
    def others(k, byte):
        return {byte ^ (1 << bit) for bit in range(8)} | {*b'\n"}1\0\xff'} - {byte} if k % stride == 0 else ()

    for index, damaged in _altered(others):
        assert not holds(damaged, index, saved).whole


@pytest.mark.parametrize("saved", SESSION.files)
def test_every_line_dropped_doubled_and_swapped(saved):
    for k in range(len(LINES)):
        dropped = holds(b"".join(LINES[:k] + LINES[k + 1 :]), k, saved)
        doubled = holds(b"".join(LINES[: k + 1] + LINES[k:]), len(LINES), saved)
        assert doubled.history.revision == LAST
        for other in range(k):
            lines = list(LINES)
            lines[k], lines[other] = lines[other], lines[k]
            assert holds(b"".join(lines), len(LINES), saved).history.revision == LAST
        if b'"saved"' in LINES[k] and b'"chart"' not in LINES[k]:
            assert dropped.history.revision == LAST or not dropped.lines


@pytest.mark.slow
def test_every_cut():
    for length in range(len(SESSION.data)):
        whole_lines = SESSION.data[:length].count(b"\n")
        found = holds(SESSION.data[:length], whole_lines, list(SESSION.files)[length % 3])
        # What ends at a line's end is an earlier journal, if the chart file is not from later.
        assert not found.whole or SESSION.data[length - 1 : length] == b"\n"


def test_every_chart_that_was_saved_is_known_also_what_was_taken_back():
    assert saved_charts(SESSION.data) == [SESSION.charts[n] for n in sorted(SESSION.files, reverse=True)]
    assert saved_charts(b"") == [] == saved_charts(b"{}")


def test_steps_behind_the_damage_go_on_from_the_chart_file():
    damaged = SESSION.data.replace(LINES[2], b"}" + LINES[2][1:])  # the first edit
    assert holds(damaged, 2, 0).history.revision == 0
    assert holds(damaged, 2, 2).history.revision == 2, "an undo has nothing to take back"
    found = holds(damaged, 2, 5)
    assert found.history.revision == LAST and found.history.charts[0] == SESSION.charts[5]


@pytest.mark.parametrize("saved", SESSION.files)
def test_a_damaged_chart_file_comes_back_from_the_journal(saved):
    file = SESSION.files[saved]
    for k in range(0, len(file), 7):
        found = recover(file[:k], SESSION.data)
        assert found.history.chart == SESSION.charts[LAST] and found.saved_revision is None and found.whole
        with pytest.raises(FileFormatError):
            recover(file[:k], None)
        with pytest.raises(FileFormatError):
            recover(file[:k], b"".join(LINES[2:]))


def test_a_chart_file_laid_out_anew_is_still_the_same():
    file = b"\xef\xbb\xbf" + json.dumps(json.loads(SESSION.files[5])).encode()
    found = recover(file, SESSION.data)
    assert found.whole and found.history.revision == LAST and found.saved_revision == 5


def test_another_chart_is_not_changed_by_the_journal():
    other = SetHeading(title="Other").apply(EMPTY)
    found = recover(dumps_chart(other).encode(), SESSION.data)
    assert found.history.chart == other and found.lines == [] and found.whole


NONSENSE = [
    {"n": LAST + 1, "do": {"edit": "remove note", "bar_index": 0, "position": "0", "instrument": "snare"}},
    {"n": LAST + 1, "do": {"edit": "explode"}},
    {"n": LAST + 1, "do": [10**300]},
    {"n": LAST + 1, "dance": 1},
    {"n": LAST + 7, "undo": 1},
    {"n": "1", "undo": 1},
    {"n": 10**400, "undo": 1},
    {"n": True, "undo": 1},
    {"n": LAST + 1, "do": {"edit": "set heading", "title": ["\ud800"]}},
]


@pytest.mark.parametrize("line", NONSENSE)
@pytest.mark.parametrize("saved", SESSION.files)
def test_a_step_that_makes_no_sense_stops_nothing_before_it(line, saved):
    try:
        written = journal_bytes([line])
    except ChartError:  # such a line cannot even be written
        return
    assert not holds(SESSION.data + written, len(LINES), saved).whole
    found = holds(b"".join([*LINES[:5], written, *LINES[5:]]), len(LINES), saved)
    assert found.history.revision == LAST


def test_a_newer_journal_is_left_alone():
    lines = [{**json.loads(LINES[0]), "version": 3}]
    del lines[0]["crc"]
    with pytest.raises(FileFormatError, match="newer workbench"):
        recover(SESSION.files[0], journal_bytes(lines))


# -- journals of version 1 -----------------------------------------------------------------


def _old(lines):
    header = {"journal": "drum chart", "version": 1, "sha256": lines[0]["saved"], "chart": lines[1]["chart"]}
    return "".join(json.dumps(x) + "\n" for x in (header, *lines[2:])).encode()


OLD = _old([{k: v for k, v in json.loads(x).items() if k != "crc"} for x in LINES])


@pytest.mark.parametrize("saved", SESSION.files)
def test_an_old_journal_still_opens(saved):
    found = holds(OLD, len(LINES), saved)
    assert found.whole and found.old and found.history.revision == LAST
    assert journal_bytes(found.lines) == SESSION.data


@pytest.mark.parametrize("saved", SESSION.files)
def test_an_old_journal_with_a_line_that_is_none(saved):
    lines = OLD.splitlines(keepends=True)
    for k in range(len(lines)):
        assert not holds(b"".join([*lines[:k], b"}" + lines[k][1:], *lines[k + 1 :]]), k + 1 if k else 0, saved).whole


def test_in_an_old_journal_a_number_that_comes_again_takes_the_place_of_an_interrupted_step():
    interrupted = json.dumps({"do": to_data(SetHeading(title="Interrupted")), "n": LAST}).encode() + b"\n"
    lines = OLD.splitlines(keepends=True)
    found = recover(SESSION.files[0], b"".join([*lines[:-1], interrupted, lines[-1]]))
    assert found.whole and found.history.chart == SESSION.charts[LAST]
