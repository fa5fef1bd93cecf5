"""The engraved score beside the grid."""

import time
from fractions import Fraction as F

from workbench.chart import Note
from workbench.chart.edits import AddNote
from workbench.errors import ChartError
from workbench.grid import ScoreView


def test_the_score_follows_the_edits(document):
    score = ScoreView(document, 0, 1)
    assert len(score.pages) == 1 and 'id="bar-1"' in score.pages[0] and 'id="bar-2"' not in score.pages[0]
    before = score.pages
    document.apply(AddNote(1, Note(F(1, 8), "crash")))
    document.apply(AddNote(1, Note(F(3, 8), "crash")))
    end = time.monotonic() + 120
    while score.pages == before and time.monotonic() < end:
        time.sleep(0.05)
    assert score.pages[0].count("crash") > before[0].count("crash")
    score.close()
    document.undo()
    assert not score._timer.is_alive() or score._timer.finished.is_set()


def test_a_score_that_cannot_be_engraved_says_that_it_is_out_of_date(document, monkeypatch, caplog):
    from workbench.engraving import engrave

    score = ScoreView(document, 0, 1)
    before = score.pages
    faults = [ChartError("Nothing to <engrave>."), ValueError("?")]

    def fails(*_, **__):
        raise faults[0]

    with monkeypatch.context() as patch:
        patch.setattr(engrave, "engrave_svg", fails)
        while faults:
            score._renew()
            assert score.pages[1:] == before and "out of date" in score.pages[0]
            assert "<engrave>" not in score.pages[0]
            assert ("engrave&gt;" in score.pages[0]) == isinstance(faults.pop(0), ChartError)
    score._renew()
    assert score.pages == before
    score.close()


def test_an_edit_stops_the_engraving_of_what_was_before(document, monkeypatch):
    from workbench.engraving import engrave

    score = ScoreView(document, 0, 1)
    before, passed = score.pages, []

    def edited_meanwhile(chart, bars, progress):
        progress(0.1, "")
        document.apply(AddNote(1, Note(F(1, 8), "crash")))
        progress(0.2, "")
        passed.append(chart)

    with monkeypatch.context() as patch:
        patch.setattr(engrave, "engrave_svg", edited_meanwhile)
        score._renew()
    assert score.pages == before and not passed
    score._renew()
    assert score.pages[0].count("crash") > before[0].count("crash")
    score.close()
