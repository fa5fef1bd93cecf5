"""The command ``workbench score`` and the files it writes."""

import json
import re
from dataclasses import replace
from fractions import Fraction

import pytest

from tests.sentences import says
from workbench.chart import Chart, Mark, Note, Section, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.commands.cli import main
from workbench.errors import FileFormatError
from workbench.files.chartfile import read_chart, write_chart
from workbench.notation.midi_read import read_midi
from workbench.notation.musicxml_read import read_musicxml
from workbench.scorefiles import read_any_chart, write_scores


@pytest.fixture
def chart_file(tmp_path):
    bar = WrittenBar((Note(Fraction(0), "kick"), Note(Fraction(1, 4), "snare")))
    other = WrittenBar((Note(Fraction(0), "kick"), Note(Fraction(1, 2), "snare")))
    chart = Chart(
        TimeMap.steady(8, 100), (bar, bar, bar, other) * 2, title="Slow Ferry", sections=(Section(0, "Verse", "A"),)
    )
    path = tmp_path / "ferry.chart.json"
    write_chart(chart, path)
    return path


def test_all_formats_are_written_beside_the_chart(chart_file, capsys):
    assert main(["score", str(chart_file), "--to", "pdf,musicxml,mxl,midi,svg,png", "--road-map", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    names = ["ferry.pdf", "ferry.musicxml", "ferry.mxl", "ferry.mid", "ferry.svg", "ferry.png", "ferry-road-map.pdf"]
    assert said == {"files": [str(chart_file.with_name(n)) for n in names], "problems": [], "doubtful": 0}
    heads = [b"%PDF", b"<?xm", b"PK\x03\x04", b"MThd", b"<svg", b"\x89PNG", b"%PDF"]
    assert [chart_file.with_name(n).read_bytes()[:4] for n in names] == heads


def test_formats_can_be_named_one_by_one(chart_file):
    assert main(["score", str(chart_file), "--to", "midi", "--to", "svg,mxl"]) == 0
    assert {p.suffix for p in chart_file.parent.iterdir()} >= {".mid", ".svg", ".mxl"}
    assert not chart_file.with_name("ferry.pdf").exists()


def test_musicxml_is_folded_like_the_page_unless_without_repeats(chart_file):
    assert main(["score", str(chart_file), "--to", "musicxml", "--no-repeats"]) == 0
    text = chart_file.with_name("ferry.musicxml").read_text("utf-8")
    assert text.count("<measure ") == 8 and "<repeat" not in text
    assert main(["score", str(chart_file), "--to", "musicxml"]) == 0
    folded = chart_file.with_name("ferry.musicxml").read_text("utf-8")
    assert folded.count("<measure ") == 4 and "<repeat" in folded


def test_doubtful_notes_are_counted_and_marked_on_request(chart_file, capsys):
    """A snare that is doubted in two bars alike, which a repeat sign would make one; one of them is confirmed."""
    chart = read_chart(chart_file)
    for k in (0, 4, 5):
        snare = chart.bars[k].find(Fraction(1, 4), "snare")
        doubted = replace(snare, confidence=0.3, confirmed=k == 5)
        chart = chart.with_bar(k, chart.bars[k].with_note(doubted))
    write_chart(chart, chart_file)
    marks = lambda: chart_file.with_name("ferry.mei").read_text("utf-8").count(">?</rend>")
    assert main(["score", str(chart_file), "--to", "mei"]) == 0
    assert marks() == 0 and says(capsys.readouterr().err, "2 of its 16 notes", "--doubts")
    assert main(["score", str(chart_file), "--to", "mei,musicxml", "--doubts"]) == 0
    # Both bars are in the file, too, though one repeat could stand for them.
    written = chart_file.with_name("ferry.musicxml").read_text("utf-8")
    assert written.count(">?</words>") == 2 and "<repeat" not in written
    assert marks() == 2 and says(capsys.readouterr().err, "2 of its 16 notes", "marked")
    assert main(["score", str(chart_file), "--to", "mei", "--doubts", "--bars", "6-8"]) == 0
    assert "not sure" not in capsys.readouterr().err, "none in these bars"


def test_excerpt_is_named_by_its_bars_and_holds_only_them(chart_file, tmp_path):
    out = tmp_path / "deep" / "folder"
    assert main(["score", str(chart_file), "--bars", "3-4", "--to", "svg,midi,musicxml", "--out", str(out)]) == 0
    assert sorted(p.name for p in out.iterdir()) == [
        "ferry-bars-3-4.mid",
        "ferry-bars-3-4.musicxml",
        "ferry-bars-3-4.svg",
    ]
    assert len(read_musicxml(out / "ferry-bars-3-4.musicxml").chart) == 2
    assert len(read_midi(out / "ferry-bars-3-4.mid").chart) == 2


def test_bars_of_an_excerpt_keep_their_numbers(chart_file, tmp_path):
    assert main(["score", str(chart_file), "--bars", "3-4", "--to", "musicxml", "--out", str(tmp_path / "x")]) == 0
    text = (tmp_path / "x" / "ferry-bars-3-4.musicxml").read_text("utf-8")
    assert re.findall(r'<measure number="(\d+)"', text) == ["3", "4"]


def test_title_and_artist_can_be_said_and_stay_out_of_the_chart(chart_file):
    before = chart_file.read_bytes()
    assert (
        main(["score", str(chart_file), "--to", "musicxml", "--title", "Fast Ferry", "--artist", "The Night Trams"])
        == 0
    )
    text = chart_file.with_name("ferry.musicxml").read_text("utf-8")
    assert "Fast Ferry" in text and "The Night Trams" in text and chart_file.read_bytes() == before


def test_a_road_map_alone_needs_no_format(chart_file):
    assert main(["score", str(chart_file), "--to", "", "--road-map"]) == 0
    assert chart_file.with_name("ferry-road-map.pdf").exists()


def test_a_file_in_the_place_of_the_folder_is_told_before_anything_is_read(tmp_path, capsys):
    (tmp_path / "taken").write_text("")
    for command in (["score", "nothing.mid"], ["read", "nothing.mid"], ["demo"]):
        assert main([*command, "--out", str(tmp_path / "taken")]) == 2
        assert "taken is a file, not a folder" in capsys.readouterr().err


def test_an_unknown_option_shows_the_usage_of_its_command(chart_file, capsys):
    with pytest.raises(SystemExit, match="2"):
        main(["score", str(chart_file), "--colour", "red"])
    said = capsys.readouterr().err
    assert said.startswith("usage: workbench score") and "score does not take --colour red" in said


def test_our_midi_is_read_without_a_complaint(chart_file, capsys):
    chart = read_chart(chart_file)
    notes = (
        Note(Fraction(0), "snare", 100, {"flam"}),
        Note(Fraction(1, 8), "snare", 30, {"ghost"}, -0.02),
        Note(Fraction(3, 4), "pedal hi-hat", 60, deviation_s=0.05),
    )
    write_chart(replace(chart, bars=(WrittenBar(notes), *chart.bars[1:])), chart_file)
    assert main(["score", str(chart_file), "--to", "midi"]) == 0
    capsys.readouterr()
    assert main(["score", str(chart_file.with_name("ferry.mid")), "--to", "musicxml"]) == 0
    assert read_musicxml(chart_file.with_name("ferry.musicxml")).chart.bars[0].content == WrittenBar(notes).content


def test_parts_by_others_become_pages_and_what_is_missing_is_said(chart_file, capsys):
    main(["score", str(chart_file), "--to", "musicxml,midi"])
    for name in ("ferry.musicxml", "ferry.mid"):
        other = chart_file.with_name("other-" + name)
        other.write_bytes(chart_file.with_name(name).read_bytes())
        assert main(["score", str(other), "--to", "pdf"]) == 0
        assert chart_file.with_name("other-ferry.pdf").exists()
    text = chart_file.with_name("ferry.musicxml").read_text("utf-8").replace("<sound ", "<unknown ")
    odd = chart_file.with_name("odd.musicxml")
    odd.write_text(text.replace("<metronome", "<dashes type='start'/><metronome"), "utf-8")
    capsys.readouterr()
    assert main(["score", str(odd), "--to", "pdf"]) == 1
    said = capsys.readouterr().err
    assert "dashes" in said and "the score is written" in said


@pytest.mark.parametrize(
    "arguments, message",
    [
        (["nothing.chart.json"], "nothing.chart.json"),
        (["song.mp3"], "draft its chart first"),
        (["song.doc"], "no drum part that can be read"),
        (["{chart}", "--to", "docx"], "no score format 'docx'"),
        (["{chart}", "--bars", "x"], "Write bars as 5-8"),
        (["{chart}", "--bars", "6-5"], "earlier bar first"),
        (["{chart}", "--bars", "7-99"], "There is no bar 99"),
        (["{chart}", "--slashes", "1-b"], "Write bars as 5-8"),
        (["{chart}", "--out", "{chart}"], "is a file, not a folder"),
        (["{chart}", "--to", ""], "at least one score format"),
        (["{chart}", "--to", " , "], "at least one score format"),
    ],
)
def test_what_is_not_possible_is_one_sentence(chart_file, capsys, arguments, message):
    arguments = [a.format(chart=chart_file) for a in arguments]
    assert main(["score", *arguments]) == 2
    said = capsys.readouterr()
    assert message in said.err and "Traceback" not in said.err and said.out == ""


def test_unknown_ending_and_unwritable_place(chart_file):
    with pytest.raises(FileFormatError, match="no drum part that can be read"):
        read_any_chart("part.pdf")
    chart = read_any_chart(chart_file).chart
    chart_file.with_name("ferry.pdf").mkdir()
    with pytest.raises(FileFormatError, match="could not be written"):
        write_scores(chart, chart_file, ["pdf"])


def test_which_fills_are_marked_is_an_option(chart_file):
    chart = read_chart(chart_file)
    write_chart(replace(chart, marks=(Mark("fill", (3, Fraction(1, 2)), (4, Fraction(0))),)), chart_file)
    for which, count in (("confirmed", 0), ("all", 1), ("none", 0)):
        assert main(["score", str(chart_file), "--to", "musicxml", "--fills", which]) == 0
        assert chart_file.with_name("ferry.musicxml").read_text("utf-8").count(">fill<") == count


def test_breaks_numbers_and_house_style_are_obeyed(chart_file):
    style = chart_file.with_name("house.json")
    style.write_text('{"similes": false, "repeats": false, "bars_per_line": 3, "music_font": "Leland"}')
    arguments = ["--to", "musicxml,svg", "--style", str(style), "--line-breaks", "2", "--page-breaks", "5"]
    assert main(["score", str(chart_file), *arguments]) == 0
    assert len(list(chart_file.parent.glob("ferry*.svg"))) == 2
    assert main(["score", str(chart_file), "--to", "musicxml", "--no-form", "--printed-numbers"]) == 0
    text = chart_file.with_name("ferry.musicxml").read_text("utf-8")
    assert re.findall(r'<measure number="(\d+)"', text) == ["1", "2", "3", "4"]


def test_a_part_is_laid_on_a_recording(chart_file, tmp_path, capsys, monkeypatch):
    laid = Chart(TimeMap.steady(8, 90, start_s=2.0), read_chart(chart_file).bars)
    monkeypatch.setattr("workbench.alignment.alignedchart.lay_on_recording", lambda *given: (laid, 0.93))
    assert main(["score", str(chart_file), "--to", "midi", "--recording", "song.flac"]) == 0
    assert "93 %" in capsys.readouterr().err
    back = read_midi(chart_file.with_name("ferry.mid")).chart
    assert back.time_map.tempo_bpm(2) == pytest.approx(90, abs=0.01)
