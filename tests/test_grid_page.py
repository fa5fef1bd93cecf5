"""The page's side of the grid: its pure functions under node, and their agreement with Python's."""

import json
import shutil
import subprocess
from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given
from hypothesis import strategies as st

from tests.charts import charts, edits
from tests.effort import examples
from workbench.chart import Chart, Mark, Note, PossibleHit, WrittenBar
from workbench.chart.counting import bar_list, count_syllable, the_place
from workbench.chart.data import to_data
from workbench.chart.drums import drums_of
from workbench.chart.edits import AcceptHit, AddNote, ChangeNote, RemoveMark, RemoveNote, SetBars, SetMark, apply
from workbench.chart.meter import TimeMap
from workbench.errors import ChartError
from workbench.grid import bundle
from workbench.grid.messages import changed_parts, kit_rows
from workbench.reading.questions import doubts_of, questions

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent

#: Reads cases from a file; answers what the page makes of each.
AGREEMENT = """
import { readFileSync } from "node:fs";
import { barList, columnsOf, placeAt, repeatsOf, thePlace, spoken, secondsAt, timeOf } from "./chart.js";
import { textOf } from "./fractions.js";
import { showAtOnce, withChange } from "./edits.js";
import { drumsOf, isDoubted } from "./drums.js";
import { questionsOf } from "./questions.js";
const cases = JSON.parse(readFileSync(process.argv[2], "utf8"));
console.log(JSON.stringify(cases.map(({ chart, edit, parts, places, kit }) => {
  const time = timeOf(chart.time_map);
  return {
    columns: chart.bars.map((b, k) =>
      columnsOf(chart.time_map.bars[k], b.subdivisions).map((c) => textOf(c.at))),
    spoken: chart.time_map.bars.map((t) => columnsOf(t).map((c) => spoken(t, c.at))),
    named: chart.time_map.bars.map((t) => columnsOf(t, Array(12).fill(24)).map((c) => thePlace(t, c.at))),
    seconds: places.map(([bar, position]) => secondsAt(time, bar, position)),
    places: places.map(([bar, position]) => placeAt(time, secondsAt(time, bar, position))),
    repeats: chart.bars.map((_, k) => repeatsOf(chart, k)),
    listed: [1, 2, 3].map((step) =>
      barList(chart, [...chart.bars.keys()].filter((k) => k % step === 0 || k > 4), Infinity)),
    drums: drumsOf(chart, time, chart.doubt_below ?? 0.75, { bars: [0, chart.bars.length - 1] }, kit)
      .map((d) => ({ ...d, doubted: isDoubted(d) })),
    questions: questionsOf(chart, time, chart.doubt_below ?? 0.75),
    shown: showAtOnce(chart, edit),
    changed: withChange(chart, parts),
  };
})));
"""


def node(*arguments: str) -> str:
    program = shutil.which("node")
    assert program, "These tests need node: install it with 'apt-get install nodejs' (Debian, Ubuntu)."
    done = subprocess.run([program, *arguments], capture_output=True, text=True, timeout=120, cwd=ROOT)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_pure_functions_under_node():
    out = node("--test", "tests/js/")
    assert "# fail 0" in out
    assert "# pass 0" not in out


def test_page_has_the_tables_of_counting_and_of_drums():
    assert (bundle.HERE / "js" / "counting.js").read_text("utf8") == bundle.counting_source()
    assert (bundle.HERE / "js" / "surfaces.js").read_text("utf8") == bundle.surfaces_source()


def repeating_songs():
    """Charts of bars that are more or less alike, with doubts and possible hits."""
    rng = np.random.default_rng(4)
    names = ("kick", "snare", "closed hi-hat", "open hi-hat")
    for _ in range(8):
        patterns = [[Note(F(k, 16), n) for k in range(16) for n in names if rng.random() < 0.2] for _ in range(3)]
        bars = [[n for n in patterns[rng.integers(3)] if rng.random() < 0.8] for _ in range(24)]
        unsure = (WrittenBar(tuple(replace(n, confidence=round(float(rng.random()), 2)) for n in b)) for b in bars)
        possible = (
            PossibleHit(float(rng.integers(24 * 16) / 8 + rng.random() * 0.05), n, 60, 0.4)
            for n in names
            for _ in range(40)
        )
        yield Chart(TimeMap.steady(24, 120), tuple(unsure), possible_hits=tuple(possible), doubt_below=0.6)


@pytest.fixture(scope="module")
def cases():
    """Charts with an edit, what Python makes of it, and places."""
    accepted = [(song, AcceptHit(h.time_s, h.instrument)) for song in repeating_songs() for h in song.possible_hits[:2]]
    collected = [(song, edit, apply(song, edit), [(3, 0.3)]) for song, edit in accepted]

    @examples(90, database=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck))
    @given(st.data())
    def collect(data):
        chart = data.draw(charts())
        places = [(k, f * float(b.length)) for k, b in enumerate(chart.time_map.bars) for f in (0.0, 0.31, 0.8)]
        last = len(chart) - 1
        of_marks = [RemoveMark(m.kind, m.start) for m in chart.marks] or [
            SetMark(Mark("fill", (last, F(1, 16)), (last + 1, F(0)), confirmed=True))
        ]
        for edit in (data.draw(edits(chart)), of_marks[0]):
            try:
                collected.append((chart, edit, apply(chart, edit), places))
            except ChartError:
                continue

    collect()
    assert len(collected) > 30
    return collected


@pytest.fixture(scope="module")
def answers(cases, tmp_path_factory):
    folder = tmp_path_factory.mktemp("agreement")
    for source in (bundle.HERE / "js").iterdir():
        (folder / source.name).write_bytes(source.read_bytes())
    (folder / "agreement.mjs").write_text(AGREEMENT)
    data = [
        {
            "chart": to_data(chart),
            "edit": to_data(edit),
            "parts": changed_parts(chart, after),
            "places": places,
            "kit": kit_rows(chart),
        }
        for chart, edit, after, places in cases
    ]
    (folder / "cases.json").write_text(json.dumps(data))
    return json.loads(node(str(folder / "agreement.mjs"), str(folder / "cases.json")))


def test_page_and_python_agree_on_columns(cases, answers):
    for (chart, *_), answer in zip(cases, answers, strict=True):
        assert answer["columns"] == [[str(p) for p in chart.grid_positions(k)] for k in range(len(chart))]


def test_page_and_python_count_alike(cases, answers):
    for (chart, *_), answer in zip(cases, answers, strict=True):
        bare = Chart.empty(chart.time_map)
        assert answer["spoken"] == [
            [count_syllable(bar, p) for p in bare.grid_positions(k)] for k, bar in enumerate(bare.time_map.bars)
        ]
        fine = Chart(chart.time_map, tuple(WrittenBar((), (24,) * 12) for _ in chart.bars))
        assert answer["named"] == [
            [the_place(bar, p) for p in fine.grid_positions(k)] for k, bar in enumerate(fine.time_map.bars)
        ]


def test_page_and_python_agree_on_time(cases, answers):
    for (chart, _, _, places), answer in zip(cases, answers, strict=True):
        assert answer["seconds"] == pytest.approx([chart.time_map.seconds(k, p) for k, p in places], abs=1e-9)
        for (k, p), place in zip(places, answer["places"], strict=True):
            assert (place["bar"], pytest.approx(place["position"], abs=1e-6)) == (k, p)


def test_page_and_python_agree_on_which_bars_repeat(cases, answers):
    for (chart, *_), answer in zip(cases, answers, strict=True):
        assert [tuple(bars) for bars in answer["repeats"]] == [chart.repeats_of(k) for k in range(len(chart))]


def test_page_and_python_list_bars_alike(cases, answers):
    for (chart, *_), answer in zip(cases, answers, strict=True):
        bars = range(len(chart))
        lists = [[k for k in bars if k % step == 0 or k > 4] for step in (1, 2, 3)]
        assert answer["listed"] == [bar_list(chart.time_map, some) for some in lists]


def test_page_and_python_ask_the_same(cases, answers):
    for (chart, *_), answer in zip(cases, answers, strict=True):
        asked = [[[d.bar_index, str(d.position), d.instrument] for d in q] for q in questions(chart, doubts_of(chart))]
        shown = [[[d["bar"], d["at"], d["instrument"]] for d in q] for q in answer["questions"]]
        assert sorted(shown) == sorted(asked)
    assert any(len(q) > 1 for answer in answers for q in answer["questions"])


def test_page_and_python_count_the_drums_alike(cases, answers):
    for (chart, *_), answer in zip(cases, answers, strict=True):
        assert answer["drums"] == [{**vars(d), "doubted": d.is_doubted} for d in drums_of(chart)]
    assert {d["doubted"] for answer in answers for d in answer["drums"]} == {False, True}


def test_what_python_reports_makes_the_page_equal_to_python(cases, answers):
    for (_, _, after, _), answer in zip(cases, answers, strict=True):
        assert answer["changed"] == json.loads(json.dumps(to_data(after)))


def test_note_edits_shown_at_once_are_what_python_makes_of_them(cases, answers):
    checked = 0
    for (_, edit, after, _), answer in zip(cases, answers, strict=True):
        if isinstance(edit, (AddNote, RemoveNote, ChangeNote, SetBars, AcceptHit)):
            checked += 1
            for mine, theirs in zip(answer["shown"]["bars"], to_data(after)["bars"], strict=True):
                assert {json.dumps(n, sort_keys=True) for n in _plain(mine["notes"])} == {
                    json.dumps(n, sort_keys=True) for n in _plain(theirs["notes"])
                }
    assert checked > 5


def test_mark_edits_shown_at_once_are_what_python_makes_of_them(cases, answers):
    checked = 0
    for (_, edit, after, _), answer in zip(cases, answers, strict=True):
        if isinstance(edit, (SetMark, RemoveMark)):
            checked += 1
            mine, theirs = answer["shown"]["marks"], to_data(after)["marks"]
            assert sorted(map(str, mine)) == sorted(map(str, theirs))
    assert checked > 30


def _plain(notes):
    """Notes without fields that are left out in one way of writing and empty in another."""
    return [{k: v for k, v in n.items() if v not in ([], "", False)} for n in notes]
