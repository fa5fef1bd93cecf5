"""The check as pages: what they say, and that texts stay texts."""

import base64
import io
import json
import re
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest
import soundfile

from tests.sentences import says
from tests.test_align import CHORUS, SONG, chart_of
from tests.test_check import HEARD, with_bar
from workbench.chart import Note, WrittenBar
from workbench.chart.events import Stroke
from workbench.checking.check import check_chart
from workbench.checking.check_report import check_page, lines_of, overview_svg, short_lines, summary_of, write_check
from workbench.errors import WorkbenchError
from workbench.files.audio import Audio, save_audio


@pytest.fixture(scope="module")
def check():
    ride = WrittenBar(tuple(replace(n, instrument="crash") if n.instrument == "ride" else n for n in CHORUS.notes))
    chart = chart_of(with_bar(5, ride.with_note(Note(F(7, 16), "snare"))))
    return check_chart(replace(chart, title='<b>Rain</b> & #let x = "1"'), HEARD, "song.flac")


def test_what_is_said_of_a_bar_is_said_once_for_all_its_places(check):
    (bar,) = check.worst_bars
    said = [line.text for line in lines_of(check, bar)]
    assert len(said) == 2
    assert any(says(text, "all 8ths", "crash", "ride") for text in said)
    assert any(says(text, "a of 2", "snare", "not heard") for text in said)


def test_the_terminal_lists_every_finding_of_a_bar_as_the_page_does(check):
    (bar,) = check.worst_bars
    short = short_lines(check)
    assert [text.split("Bar 6: ")[1] for text in short] == [line.text for line in lines_of(check, bar)]


def test_the_page_names_both_files_whatever_the_chart_is_called(check):
    """A MIDI file's title is often its track's name."""
    assert "Rain.mid against song.flac" in check_page(replace(check, draft="Rain.mid")).html()
    assert (
        "<svg" not in replace(check, bars=())._repr_html_()
        and 'viewBox="0 0 540 -4"' not in check_page(replace(check, bars=())).html()
    )


def test_a_recording_of_something_else_has_no_findings_that_the_page_does_not_list():
    """What the summary counts is on the page: in the recording of another song no bar is told as missing."""
    nothing = replace(HEARD, strokes=(Stroke(20.0, "floor tom", 90, 0.9),), activations=None)
    check = check_chart(chart_of(SONG), nothing)
    assert not check.bars and not check.findings and "hardly agree" in check.first[0]
    assert says(summary_of(check), "no bar", "found") and says(check_page(check).html(), "hardly agree", "no bar")


def test_summary(check):
    assert says(summary_of(check), "1 place", "wrong", "8", "listen", "1 of 12 bars")
    clean = check_chart(chart_of(SONG), HEARD)
    assert says(summary_of(clean), "Nothing to correct", "100%")


@pytest.mark.slow
def test_page_plays_bars_and_shows_their_notes(check, tmp_path):
    (tmp_path / "reports").mkdir()
    page = write_check(check, tmp_path / "reports/a.html", tmp_path / "my song.flac").read_text()
    assert 'src="../my%20song.flac"' in page
    (bar,) = check.worst_bars
    assert f'data-from="{bar.start_s:.3f}" data-to="{bar.end_s:.3f}"' in page
    assert page.count("<svg") == 3  # the overview; bar 6 as written and as recorded
    coloured = set(re.findall(r'id="note-5-[^"]*-([a-z]+)" class="note" fill="(#[0-9A-F]*)"', page))
    assert {name for name, _ in coloured} == {"crash", "ride", "snare"}
    sounds = re.findall(r'<audio id="(\w+)"', page)
    assert sounds == ["sound", "written_sound"]
    assert "85 dBA over 8 hours" in page and "protected by copyright" in page
    assert "<audio" not in check_page(check).html()


@pytest.mark.slow
def test_the_page_carries_the_recording(check, tmp_path):
    song = tmp_path / "song.wav"
    save_audio(song, Audio(np.full((44100 * 2, 2), 0.1, np.float32), 44100))
    page = write_check(check, tmp_path / "a.html", song).read_text()
    assert 'src="data:audio/mpeg;base64,' in page and "song.wav" not in page
    sound = re.search(r'src="data:audio/mpeg;base64,([^"]*)"', page)[1]
    assert soundfile.info(io.BytesIO(base64.b64decode(sound))).duration == pytest.approx(2.0, abs=0.1)


def test_texts_of_a_chart_stay_texts(check, tmp_path):
    assert "<b>Rain" not in check_page(check).html() and "&lt;b&gt;Rain" in check_page(check).html()
    assert write_check(check, tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")


def test_overview_has_a_square_for_each_bar_played(check):
    svg = overview_svg(check)
    assert svg.count("<rect") == 12 and svg.count("#D55E00") == 1


def test_json_and_other_endings(check, tmp_path):
    data = json.loads(write_check(check, tmp_path / "a.json").read_text())
    assert len(data["findings"]) == 9
    with pytest.raises(WorkbenchError, match="written as"):
        write_check(check, tmp_path / "a.doc")
