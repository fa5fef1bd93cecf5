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
from tests.test_align import CHORUS, FILL, SONG, chart_of
from tests.test_check import HEARD, shifted, with_bar
from workbench.chart import Note, WrittenBar
from workbench.chart.events import Stroke
from workbench.checking.check import check_chart
from workbench.checking.check_report import check_page, lines_of, overview_svg, short_lines, summary_of, write_check
from workbench.checking.judging import doubted
from workbench.checking.reportpage import VERMILION
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


def test_minor_doubts_of_a_bar_come_after_what_is_likelier_in_another(check):
    """The terminal shows some lines only: a snare that is likely missing is not crowded out."""
    (bar,) = check.worst_bars
    (one, *_) = bar.findings
    faint = [("crash", 0.15), ("ride", 0.15), ("china", 0.15), ("splash", 0.15)]
    many = tuple(
        replace(one, kind="missing", position=F(k, 16), heard_instrument=name, probability=probability)
        for k, (name, probability) in enumerate([("kick", 0.7), *faint])
    )
    likely = replace(many[0], heard_instrument="snare", probability=0.5, text="Bar 7, 1: snare is heard.")
    bars = (replace(bar, findings=many), replace(bar, bar_index=6, bar_number=7, findings=(likely,)))
    lines = short_lines(replace(check, bars=bars, patterns=()))
    assert [text.split(": ")[1] for text in lines[:3]] == ["Bar 6", "Bar 7", "Bar 6"]


def bars_shown(check):
    return [content for kind, content in check_page(check, "song.flac", "written.mp3").blocks if kind == "bar"]


def coloured(svg):
    """Places and drums of the notes in colour, with their colours."""
    return dict(re.findall(r'id="note-\d+-([^"]*)" class="note" fill="(#[0-9A-F]*)"', svg))


@pytest.mark.slow
def test_what_is_the_same_in_several_bars_stands_on_staves_and_each_bar_plays():
    """The snare on 2 of three bars written on the & of 2; in one of them something else is wrong as well."""
    late = [bar.without(F(1, 4), "snare").with_note(Note(F(3, 8), "snare")) for bar in SONG[:3]]
    late[1] = late[1].with_note(Note(F(11, 16), "kick"))
    check = check_chart(chart_of([*late, *SONG[3:]]), HEARD, "song.flac")
    pattern, single = bars_shown(check)
    assert {pattern.name, *(name for name, _ in pattern.alike)} == {"Bar 1", "Bar 2", "Bar 3"}
    assert single.name == "Bar 2" and any(says(line.text, "snare", "heard on 2") for line in single.lines)
    for bar in (pattern, single):  # told among the patterns, it still differs in its bar
        assert coloured(bar.written)["3_8-snare"] and coloured(bar.recorded)["1_4-snare"]
        assert "3_8-snare" not in bar.recorded
    plays = re.findall(r'data-sound="sound" [^>]*>([^<]*)<', check_page(check, "song.flac", "written.mp3").html())
    assert [name for name in plays if name != "As recorded"] == [name for name, _ in pattern.alike]


@pytest.mark.slow
def test_what_is_hardly_likely_is_in_colour_too():
    """What a line says is seen on the staff, however doubtful."""
    check = check_chart(chart_of(with_bar(5, CHORUS.without(F(3, 16), "kick"))), HEARD)
    (finding,) = check.findings
    doubt = doubted(finding, 0.24)
    bars = tuple(replace(b, findings=(doubt,)) if b.findings else b for b in check.bars)
    (bar,) = bars_shown(replace(check, findings=(doubt,), bars=bars))
    assert coloured(bar.recorded) == {"3_16-kick": "#0072B2"} and not coloured(bar.written)


@pytest.mark.slow
def test_a_note_moved_over_the_bar_line_is_seen_where_it_is_heard(check):
    (bar,) = check.worst_bars
    over = replace(bar.findings[0], kind="wrong place", instrument="kick", position=F(0), heard_at=(4, F(7, 8)))
    other = replace(bar.findings[0], position=F(3, 4), instrument="snare", kind="extra", bar_index=4)
    bars = tuple(
        replace(b, findings=(over,)) if b is bar else replace(b, findings=(other,) * (b.bar_index == 4))
        for b in check.bars
    )
    shown = {b.name: b for b in bars_shown(replace(check, findings=(over, other), bars=bars))}
    assert set(coloured(shown["Bar 5"].recorded)) == {"7_8-kick"} and "-5-0_1-kick" not in shown["Bar 6"].recorded


def test_notes_of_a_bar_heard_elsewhere_are_told_with_where(check):
    (bar,) = check.worst_bars
    one = replace(bar.findings[0], kind="wrong place", instrument="kick", heard_instrument="kick")
    pairs = [(F(1, 4), (5, F(1, 8))), (F(3, 4), (5, F(1, 2)))]
    moved = tuple(replace(one, position=written, heard_at=heard) for written, heard in pairs)
    (line,) = lines_of(check, replace(bar, findings=moved))
    assert line.text == "On 2 and 4: kick is written, but heard on the & of 1 and on 3."
    (line,) = lines_of(check, replace(bar, findings=(moved[0], replace(moved[1], heard_at=(6, F(0))))))
    assert "elsewhere" in line.text, "no place of this bar"


def test_a_bar_written_late_is_shown_where_it_is_heard():
    """What fell over its end into the next bar, two floor toms, is shown in it where it is heard."""

    def names(notes):
        ids = [(n.position.as_integer_ratio(), n.instrument.replace(" ", "-")) for n in notes]
        return {f"{number}_{of}-{name}" for (number, of), name in ids}

    (bar,) = bars_shown(check_chart(chart_of(shifted(SONG, 3, 3, F(1, 8))), HEARD))
    assert set(coloured(bar.recorded)) == names(FILL.notes)
    late = [replace(n, position=n.position + F(1, 8)) for n in CHORUS.notes if n.position < F(7, 8)]
    (bar,) = bars_shown(check_chart(chart_of(with_bar(4, WrittenBar(tuple(late)))), HEARD))
    assert bar.name == "Bar 5" and [says(line.text, "Bar 5", "an eighth late") for line in bar.lines] == [True]
    assert set(coloured(bar.written)) == names(late)
    assert set(coloured(bar.recorded)) == names(n for n in CHORUS.notes if n.position < F(7, 8))


def test_all_bars_of_a_run_written_late_are_coloured_and_shown():
    """One sentence, at the first: the others are in its colour on the map, and their staves follow it."""
    check = check_chart(chart_of(shifted(SONG, 4, 6, F(1, 8))), HEARD)
    assert len(check.findings) == 1 and says(summary_of(check), "1 place is wrong", "in 3 of 12 bars")
    shown = bars_shown(check)
    assert [(b.name, len(b.lines)) for b in shown] == [("Bar 5", 1), ("Bar 6", 0), ("Bar 7", 0)]
    assert all(coloured(b.written) and coloured(b.recorded) for b in shown)
    assert check_page(check).pdf().startswith(b"%PDF")
    fills = re.findall('<rect [^>]*fill="(#[^"]+)"', overview_svg(check))
    assert [k for k, fill in enumerate(fills) if fill == VERMILION] == [4, 5, 6]


@pytest.mark.slow
def test_the_pick_up_has_one_name_in_the_terminal_on_the_page_and_in_its_map(check):
    opening = replace(check, bars=tuple(replace(b, bar_number=0) for b in check.worst_bars))
    (bar,) = bars_shown(opening)
    assert bar.name == "Pick-up" and all("Pick-up: " in text for text in short_lines(opening))
    svg = overview_svg(opening)
    assert "<title>Pick-up: " in svg and re.findall(r"<tspan[^>]*>([^<]*)", svg) == ["Pick-", "up"]


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
    doubts = replace(check, findings=tuple(f for f in check.findings if f.verdict == "listen"))
    assert says(summary_of(doubts), "8 places are worth a listen")
    clean = check_chart(chart_of(SONG), HEARD)
    assert says(summary_of(clean), "Nothing to correct", "100 %")


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
