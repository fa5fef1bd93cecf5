"""Findings beside the grid."""

from dataclasses import replace
from fractions import Fraction as F

from tests.sentences import says
from tests.test_align import SONG, chart_of, played
from workbench.chart import Note
from workbench.checking.check import check_chart
from workbench.checking.checklist import CheckList
from workbench.listening.transcription import Transcription


class FakeGrid:
    def __init__(self):
        self.playing, self.did = False, []

    def show_bar(self, number, position, instrument):
        self.did.append(number)
        self.place = (position, instrument)

    def run(self, command):
        self.did.append(command)
        self.playing = not self.playing


def test_a_finding_leads_the_grid_to_its_bar():
    order = [*SONG[:8], *SONG[4:8], *SONG[8:]]
    strokes, beats, _ = played(order)
    written = [*SONG[:9], SONG[9].with_note(Note(F(7, 16), "crash")), *SONG[10:]]
    check = check_chart(chart_of(written), Transcription(tuple(strokes), tuple(beats), strokes[-1].time_s + 1))
    grid = FakeGrid()
    found = CheckList(check, grid)
    assert found.play.disabled
    found.found.value = next(k for text, k in found.found.options if "crash" in text)
    assert found.chosen.kind == "extra"
    # Bar 10 of the chart is the fourteenth that the recording plays.
    assert grid.did == [14] and "sure" in found.said.value
    assert grid.place == (F(7, 16), "crash")
    found.play.click()
    assert grid.did == [14, 14, "play"] and grid.playing
    found.play.click()
    assert grid.did[3:] == ["play", 14, "play"]


def test_the_same_in_several_places_of_a_bar_is_one_line():
    strokes, beats, _ = played(SONG)
    written = [*SONG[:5], replace_all(SONG[5], "ride", "crash"), *SONG[6:]]
    check = check_chart(chart_of(written), Transcription(tuple(strokes), tuple(beats), strokes[-1].time_s + 1))
    assert len(check.findings) == 8 and {f.kind for f in check.findings} == {"wrong drum"}
    grid = FakeGrid()
    found = CheckList(check, grid)
    ((text, k),) = found.found.options
    assert says(text, "Bar 6, all 8ths", "crash is written", "ride is heard")
    found.found.value = k
    assert grid.did == [6] and found.chosen is check.findings[0]


def replace_all(bar, old, new):
    return replace(bar, notes=tuple(replace(n, instrument=new) if n.instrument == old else n for n in bar.notes))


def test_a_clean_check_has_an_empty_list():
    strokes, beats, _ = played(SONG, jitter_s=0.003)
    check = check_chart(chart_of(SONG), Transcription(tuple(strokes), tuple(beats), strokes[-1].time_s + 1))
    assert CheckList(check, FakeGrid()).said.value == "Nothing to correct was found."
