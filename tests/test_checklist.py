"""Findings beside the grid."""

from fractions import Fraction as F

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
    extra = next(k for k, f in enumerate(check.findings) if f.kind == "extra")
    found.found.value = extra
    # Bar 10 of the chart is the fourteenth that the recording plays.
    assert grid.did == [14] and "sure" in found.said.value
    assert grid.place == (F(7, 16), "crash")
    found.play.click()
    assert grid.did == [14, 14, "play"] and grid.playing
    found.play.click()
    assert grid.did[3:] == ["play", 14, "play"]


def test_a_clean_check_has_an_empty_list():
    strokes, beats, _ = played(SONG, jitter_s=0.003)
    check = check_chart(chart_of(SONG), Transcription(tuple(strokes), tuple(beats), strokes[-1].time_s + 1))
    assert CheckList(check, FakeGrid()).said.value == "Nothing to correct was found."
