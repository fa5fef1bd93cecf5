"""MusicXML: everything a chart says of its notes survives writing and reading."""

import zipfile
from copy import deepcopy
from dataclasses import replace
from fractions import Fraction
from io import BytesIO

import music21
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st
from lxml import etree

from tests.chart_strategies import charts
from tests.effort import examples
from workbench.chart import Chart, Mark, Note, Section, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.engraving.engrave import engrave_svg
from workbench.errors import ChartError, FileFormatError, WorkbenchError
from workbench.files.imports import ImportOptions
from workbench.notation.fillsigns import shown_fills
from workbench.notation.musicxml import musicxml_bytes, write_musicxml
from workbench.notation.musicxml_read import read_musicxml, read_musicxml_bytes
from workbench.notation.roadsigns import CODA, FERMATA, SEGNO
from workbench.notation.scoresigns import ScoreOptions

SETTINGS = examples(60, suppress_health_check=list(HealthCheck))


def carried(chart, fills="confirmed"):
    """What MusicXML carries of a chart, deviations apart (their last digits may differ)."""
    bars = [[(n.position, n.instrument, n.velocity, n.articulations, n.sticking) for n in b.notes] for b in chart.bars]
    return (
        chart.time_map,
        bars,
        chart.title,
        chart.artist,
        chart.texts,
        chart.feel_told,
        [s for s in chart.sections],
        shown_fills(chart, fills),
    )


def deviations(chart):
    return [n.deviation_s for _, n in chart.notes()]


@SETTINGS
@given(charts())
def test_a_chart_comes_back(chart):
    back = read_musicxml_bytes(musicxml_bytes(chart))
    assert back.problems == ()
    assert carried(back.chart) == carried(chart)
    assert deviations(back.chart) == pytest.approx(deviations(chart), abs=1e-9)


@SETTINGS
@given(charts(most_bars=3, parts=(1, 2, 3, 4, 6, 8)))
def test_styles_do_not_change_what_is_carried(chart):
    for options in (
        ScoreOptions(one_voice=True),
        ScoreOptions(similes=False, multirests=False),
        ScoreOptions(sticking=False, counts=True),
        ScoreOptions(slashes=(0,)),
    ):
        back = read_musicxml_bytes(musicxml_bytes(chart, options)).chart
        cues = [t for t in back.texts if t.text != "play 1"]  # what says that the first bar shows slashes
        assert (len(cues) < len(back.texts)) == bool(options.slashes)
        assert carried(replace(back, texts=cues)) == carried(chart)


def test_compressed_file_holds_the_same_score(tmp_path):
    chart = song()
    path = write_musicxml(chart, tmp_path / "song.mxl")
    assert zipfile.ZipFile(path).read("score.musicxml") == musicxml_bytes(chart)
    assert read_musicxml(path).chart == read_musicxml_bytes(musicxml_bytes(chart)).chart
    assert path.read_bytes() == write_musicxml(chart, tmp_path / "again.mxl").read_bytes()


def song() -> Chart:
    """Eight bars: a groove four times, its repeat with another last bar."""
    hats = [Note(Fraction(k, 8), "closed hi-hat", 80) for k in range(8)]
    groove = WrittenBar((*hats, Note(Fraction(0), "kick", 100), Note(Fraction(1, 4), "snare", 100)))
    other = WrittenBar((*hats, Note(Fraction(0), "kick", 100), Note(Fraction(3, 4), "snare", 100)))
    fill = WrittenBar(tuple(Note(Fraction(k, 16), "floor tom", 90) for k in range(16)))
    bars = (groove, other, groove, other, groove, other, groove, fill)
    return Chart(TimeMap.steady(8, 100), bars, title="Slow Ferry", sections=(Section(0, "Verse", "A"),))


def test_folded_repeats_unfold_to_what_is_heard():
    chart = song()
    data = musicxml_bytes(chart, ScoreOptions(repeats=True))
    root = etree.fromstring(data)
    assert len(root.findall("part/measure")) == 5
    assert [e.get("number") for e in root.iter("ending") if e.get("type") == "start"] == ["1", "2"]
    back = read_musicxml_bytes(data).chart
    assert [b.pattern for b in back.bars] == [b.pattern for b in chart.bars]


def test_output_is_the_same_each_time():
    assert musicxml_bytes(song()) == musicxml_bytes(song())


def test_text_is_never_markup():
    nasty = '<b>&amp;"\'</b> ]]> <!-- <?x ?> \\"}} #evil()'
    chart = replace(song(), title=nasty, artist=nasty, sections=(Section(0, nasty, nasty),))
    back = read_musicxml_bytes(musicxml_bytes(chart)).chart
    assert (back.title, back.artist, back.sections) == (nasty, nasty, chart.sections)


def test_characters_that_xml_cannot_carry_are_replaced():
    back = read_musicxml_bytes(musicxml_bytes(replace(song(), title="a\x00b\x1b"))).chart
    assert back.title == "a\ufffdb\ufffd"


def test_a_position_too_fine_for_any_note_value_is_named():
    bar = WrittenBar((Note(Fraction(1, 1009), "snare"),))
    with pytest.raises(ChartError, match="Bar 1 cannot be written"):
        musicxml_bytes(Chart(TimeMap.steady(1, 100), (bar,)))


# -- files by strangers -----------------------------------------------------------

HEAD = b'<?xml version="1.0"?>'
NOTE = (
    "<note><unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched>"
    "<duration>4</duration><voice>1</voice><type>whole</type></note>"
)


def score(measures: str, parts: str = "<score-part id='P1'><part-name/></score-part>") -> bytes:
    return (
        f"<score-partwise version='4.0'><part-list>{parts}</part-list><part id='P1'>{measures}</part></score-partwise>"
    ).encode()


def test_entity_bomb_is_refused():
    bomb = HEAD + (
        b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;">]><score-partwise>&b;</score-partwise>'
    )
    with pytest.raises(FileFormatError, match="declares XML entities"):
        read_musicxml_bytes(bomb, "bomb.xml")
    with pytest.raises(FileFormatError, match="declares XML entities"):
        read_musicxml_bytes(bomb[len(HEAD) :].decode().encode("utf-16"), "bomb.xml")


def test_external_entity_is_refused(tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("secret")
    data = (
        HEAD
        + (
            f'<!DOCTYPE x [<!ENTITY s SYSTEM "{secret.as_uri()}">]>'
            "<score-partwise><work><work-title>&s;</work-title></work></score-partwise>"
        ).encode()
    )
    with pytest.raises(FileFormatError, match="declares XML entities"):
        read_musicxml_bytes(data, "leak.xml")


def test_external_document_type_is_not_fetched():
    data = (
        HEAD
        + b'<!DOCTYPE score-partwise SYSTEM "file:///nowhere/partwise.dtd">'
        + score(f"<measure number='1'><attributes><divisions>1</divisions></attributes>{NOTE}</measure>")
    )
    assert len(read_musicxml_bytes(data).chart.bars[0].notes) == 1


def archive(members: dict[str, bytes]) -> bytes:
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        for name, data in members.items():
            z.writestr(name, data)
    return out.getvalue()


CONTAINER = b'<container><rootfiles><rootfile full-path="s.xml"/></rootfiles></container>'


@pytest.mark.slow
@pytest.mark.parametrize(
    "members, message",
    [
        ({"s.xml": b"<x/>"}, "has no META-INF/container.xml"),
        ({"META-INF/container.xml": CONTAINER}, "names no score inside"),
        ({"META-INF/container.xml": CONTAINER.replace(b"s.xml", b"../../etc/passwd")}, "names no score inside"),
        ({"META-INF/container.xml": CONTAINER, "s.xml": b" " * 70_000_000}, "swells to more than"),
        ({"META-INF/container.xml": CONTAINER, "../s.xml": b"<x/>"}, "points outside itself"),
        ({"META-INF/container.xml": CONTAINER, "/s.xml": b"<x/>"}, "points outside itself"),
        ({f"f{k}": b"" for k in range(300)}, "holds 300 files"),
    ],
)
def test_tricks_in_an_archive_are_refused(tmp_path, members, message):
    path = tmp_path / "score.mxl"
    path.write_bytes(archive(members))
    with pytest.raises(FileFormatError, match=message):
        read_musicxml(path)


@pytest.mark.parametrize(
    "data, message",
    [
        (b"", "is empty"),
        (b"   \n", "is empty"),
        (b"hello", "not well-formed"),
        (b"<score-partwise><part>", "not well-formed"),
        (b"<html/>", "no MusicXML"),
        (b"<score-timewise/>", "no drum part"),
        (b"<score-partwise/>", "no drum part"),
        (b"PK\x03\x04rubbish", "damaged"),
        (
            score("<measure number='1'><attributes><divisions>0</divisions></attributes>" + NOTE + "</measure>"),
            "makes no sense",
        ),
        (
            score("<measure number='1'><attributes><divisions>x</divisions></attributes>" + NOTE + "</measure>"),
            "makes no sense",
        ),
    ],
)
def test_what_is_no_drum_part_is_refused_with_a_sentence(tmp_path, data, message):
    path = tmp_path / "file.musicxml"
    path.write_bytes(data)
    with pytest.raises(FileFormatError, match=message):
        read_musicxml(path)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(FileFormatError, match="There is no file"):
        read_musicxml(tmp_path / "none.musicxml")
    with pytest.raises(FileFormatError, match="is a folder"):
        read_musicxml(tmp_path)


def test_what_is_not_understood_is_listed():
    triangle = NOTE.replace("<display-step>C</display-step>", "<display-step>B</display-step>").replace(
        "<display-octave>5", "<display-octave>6"
    )
    back = read_musicxml_bytes(
        score(
            "<measure number='1'><attributes><divisions>1</divisions></attributes>"
            f"{NOTE}<backup><duration>4</duration></backup>{triangle}"
            f"<direction><direction-type><wedge type='crescendo'/></direction-type></direction></measure>"
        )
    )
    assert [n.instrument for n in back.chart.bars[0].notes] == ["snare", "unnamed B6 [88]"]
    assert any("B6" in p for p in back.problems)
    assert [t.text for t in back.chart.texts] == ["cresc."]
    assert any("no tempo" in p for p in back.problems)


def test_empty_bars_under_simile_signs_are_filled():
    sign = "<attributes><measure-style><measure-repeat type='start'>1</measure-repeat></measure-style></attributes>"
    back = read_musicxml_bytes(
        score(
            f"<measure number='1'><attributes><divisions>1</divisions></attributes>{NOTE}</measure>"
            f"<measure number='2'>{sign}<note><rest measure='yes'/><duration>4</duration></note></measure>"
        )
    )
    assert [len(b.notes) for b in back.chart.bars] == [1, 1]


def test_da_capo_al_fine_is_unfolded():
    rest = "<note><rest/><duration>4</duration></note>"
    back = read_musicxml_bytes(
        score(
            f"<measure number='1'><attributes><divisions>1</divisions></attributes>{rest}</measure>"
            f"<measure number='2'>{NOTE}<sound fine='yes'/></measure>"
            f"<measure number='3'>{rest}<sound dacapo='yes'/></measure>"
        )
    )
    assert [len(b.notes) for b in back.chart.bars] == [0, 1, 0, 0, 1]


@examples(60, suppress_health_check=list(HealthCheck))
@given(
    charts(most_bars=2, parts=(1, 2, 3, 4)),
    st.lists(
        st.tuples(
            st.integers(0, 10_000),
            st.sampled_from(["drop", "double", "empty", "text", "attribute", "swap"]),
            st.sampled_from(["", "0", "-3", "1/0", "nan", "1e400", "x", "999999999999", "Z"]),
        ),
        min_size=1,
        max_size=4,
    ),
)
def test_damaged_scores_are_read_or_refused_with_a_sentence(chart, damages):
    root = etree.fromstring(musicxml_bytes(chart))
    for where, how, text in damages:
        elements = [e for e in root.iter() if e.getparent() is not None]
        if not elements:
            break
        e = elements[where % len(elements)]
        if how == "drop":
            e.getparent().remove(e)
        elif how == "double":
            e.addnext(deepcopy(e))
        elif how == "empty":
            e[:] = []
        elif how == "text":
            e.text = text
        elif how == "attribute" and e.attrib:
            e.set(sorted(e.attrib)[where % len(e.attrib)], text)
        elif how == "swap" and e.getnext() is not None:
            e.addprevious(e.getnext())
    try:
        read_musicxml_bytes(etree.tostring(root))
    except WorkbenchError as error:
        assert str(error)


def road_score(timewise=False):
    """Five bars: segno, To Coda, D.S. al Coda, coda, dynamics, a hairpin, a fermata and two bars of slashes."""
    sign = lambda inner, sound="": (
        f"<direction><direction-type>{inner}</direction-type>{f'<sound {sound}/>' if sound else ''}</direction>"
    )
    words = lambda text: f"<words>{text}</words>"
    first = "<attributes><divisions>1</divisions><clef><sign>percussion</sign></clef></attributes>"
    slash = "<attributes><measure-style><slash type='{}'/></measure-style></attributes>"
    rest = "<note><rest measure='yes'/><duration>4</duration></note>"
    fermata = NOTE.replace("</note>", "<notations><fermata/></notations></note>")
    bars = [
        first + sign("<segno/>", "segno='segno'") + sign("<dynamics><mf/></dynamics>") + NOTE,
        sign("<wedge type='crescendo'/>")
        + NOTE
        + sign("<wedge type='stop'/>").replace("</direction>", "<offset>-1</offset></direction>")
        + sign(words("To Coda"), "tocoda='coda'"),
        slash.format("start") + rest,
        rest + sign(words("D.S. al Coda"), "dalsegno='segno'"),
        slash.format("stop") + sign("<coda/>", "coda='coda'") + fermata,
    ]
    if not timewise:
        return score("".join(f"<measure number='{k}'>{b}</measure>" for k, b in enumerate(bars, 1)))
    inner = "".join(f"<measure number='{k}'><part id='P1'>{b}</part></measure>" for k, b in enumerate(bars, 1))
    head = "<part-list><score-part id='P1'><part-name/></score-part></part-list>"
    return f"<score-timewise version='4.0'>{head}{inner}</score-timewise>".encode()


def said(chart):
    return [(t.bar_index, t.text) for t in chart.texts]


@pytest.mark.parametrize("timewise", [False, True])
def test_a_score_is_read_as_played_or_as_written(timewise):
    """MusicXML 4.0: sound (dalsegno, tocoda, coda), measure-style slash, dynamics, wedge, fermata; score-timewise."""
    played = read_musicxml_bytes(road_score(timewise))
    assert len(played.chart) == 7 and any("as played" in p and "7" in p for p in played.remarks)
    assert said(played.chart) == [(0, "mf"), (2, "play 2"), (4, "mf"), (6, FERMATA)]
    assert [(m.kind, m.start, m.end) for m in played.chart.marks] == [
        ("crescendo", (k, 0), (k, Fraction(3, 4))) for k in (1, 5)
    ]
    written = read_musicxml_bytes(road_score(timewise), options=ImportOptions(as_written=True))
    assert len(written.chart) == 5 and any("as written" in p for p in written.remarks)
    jumps = [(1, "To Coda"), (2, "play 2"), (3, "D.S. al Coda")]
    assert said(written.chart) == [(0, SEGNO), (0, "mf"), *jumps, (4, CODA), (4, FERMATA)]


def test_roads_dynamics_and_slashes_come_back():
    chart = read_musicxml_bytes(road_score(), options=ImportOptions(as_written=True)).chart
    data = musicxml_bytes(chart)
    assert all(f"<{e}".encode() in data for e in ("segno", "coda", "mf", "slash", "sound dalsegno", "sound tocoda"))
    again = read_musicxml_bytes(data, options=ImportOptions(as_written=True)).chart
    assert sorted(said(again)) == sorted(said(chart)) and musicxml_bytes(again) == data
    assert len(read_musicxml_bytes(data).chart) == 7
    page = engrave_svg(chart)[0]
    assert page.count('class="repeatMark"') == 2 and 'class="fermata"' in page and 'class="dynam"' in page


def repeated_score():
    """Five bars: a repeat of two with two endings of one bar, then a bar played three times (MusicXML 4.0: barline)."""
    first = "<attributes><divisions>1</divisions><clef><sign>percussion</sign></clef></attributes>"
    left = lambda inner: f"<barline location='left'>{inner}</barline>"
    right = lambda inner: f"<barline location='right'>{inner}</barline>"
    again = "<repeat direction='{}'{}/>"
    ending = "<ending number='{}' type='{}'/>"
    kick = NOTE.replace(">C<", ">F<").replace("octave>5", "octave>4")
    bars = [
        first + left(again.format("forward", "")) + NOTE,
        kick,
        left(ending.format(1, "start")) + NOTE + right(ending.format(1, "stop") + again.format("backward", "")),
        left(ending.format(2, "start")) + kick + right(ending.format(2, "discontinue")),
        left(again.format("forward", "")) + NOTE + right(again.format("backward", " times='3'")),
    ]
    return score("".join(f"<measure number='{k}'>{b}</measure>" for k, b in enumerate(bars, 1)))


def test_repeats_and_endings_are_kept_as_written_and_followed_as_played():
    played = read_musicxml_bytes(repeated_score())
    assert len(played.chart) == 9 and not said(played.chart)
    written = read_musicxml_bytes(repeated_score(), options=ImportOptions(as_written=True))
    assert len(written.chart) == 5 and "repeats" in written.remarks[0]
    opens, closes = "\U0001d106", "\U0001d107"  # Unicode: musical symbols
    assert said(written.chart) == [(0, opens), (2, "1."), (2, closes), (3, "2."), (4, opens), (4, f"{closes} ×3")]
    data = musicxml_bytes(written.chart)
    assert musicxml_bytes(read_musicxml_bytes(data, options=ImportOptions(as_written=True)).chart) == data
    assert read_musicxml_bytes(data).chart.bars == played.chart.bars
    [part] = music21.converter.parseData(data.decode()).parts
    assert len(music21.repeat.Expander(part).process().getElementsByClass("Measure")) == 9
    page = engrave_svg(written.chart)[0]
    assert page.count('class="ending') == 2 and "3×" in page and opens not in page


def test_hairpins_are_on_the_page_and_come_back():
    marks = (
        Mark("crescendo", (0, Fraction(0)), (1, Fraction(0)), confirmed=True),
        Mark("diminuendo", (1, Fraction(1, 4)), (2, Fraction(1, 2)), confirmed=True),
    )
    beats = WrittenBar(tuple(Note(Fraction(k, 4), "snare") for k in range(4)))
    chart = Chart(TimeMap.steady(3, 100), (beats,) * 3, marks=marks)
    assert read_musicxml_bytes(musicxml_bytes(chart)).chart.marks == marks
    assert engrave_svg(chart)[0].count('class="hairpin') == 2


def test_a_bar_that_no_note_values_fit_goes_to_the_grid_and_is_told():
    fine = NOTE.replace("<duration>4</duration>", "<duration>1</duration>")
    divisions = f"<attributes><divisions>{7 * 11 * 13}</divisions></attributes>"
    gap = "<forward><duration>17</duration></forward>"
    bars = f"<measure number='1'>{divisions}{fine}{fine}{gap}{fine}{fine}</measure><measure number='2'>{NOTE}</measure>"
    back = read_musicxml_bytes(score(bars))
    assert all((64 * n.position).denominator == 1 for _, n in back.chart.notes())
    assert any("bars 1" in p or "bar 1" in p for p in back.problems) and engrave_svg(back.chart)


def doubted_chart():
    """Doubted: a hi-hat with its snare on 2 and a kick on the a of 3; a ghost note is sure."""
    struck = [
        Note(Fraction(0), "kick"),
        Note(Fraction(1, 4), "closed hi-hat", confidence=0.5),
        Note(Fraction(1, 4), "snare", confidence=0.4),
        Note(Fraction(3, 8), "snare", 30, frozenset({"ghost"})),
        Note(Fraction(11, 16), "kick", confidence=0.6),
        Note(Fraction(3, 4), "snare", confidence=0.4, confirmed=True),
    ]
    return Chart(TimeMap.steady(2, 100), (WrittenBar(tuple(struck)), WrittenBar(tuple(struck[3:]))))


def test_doubts_are_words_that_music21_reads_where_the_strokes_stand():
    """One ? for strokes together, above for hands and below for feet; nothing unless it is asked for."""
    data = musicxml_bytes(doubted_chart(), ScoreOptions(doubts=True))
    [part] = music21.converter.parseData(data.decode()).parts
    measures = list(part.getElementsByClass("Measure"))
    found = [
        (k, e.getOffsetInHierarchy(m), e.placement)
        for k, m in enumerate(measures)
        for e in m.recurse().getElementsByClass("TextExpression")
        if e.content == "?"
    ]
    assert sorted(found) == [(0, 1.0, "above"), (0, 2.75, "below"), (1, 2.75, "below")]
    assert b">?<" not in musicxml_bytes(doubted_chart())


def test_doubts_read_back_are_no_cues():
    chart = doubted_chart()
    read = read_musicxml_bytes(musicxml_bytes(chart, ScoreOptions(doubts=True))).chart
    assert read.texts == () and [b.pattern for b in read.bars] == [b.pattern for b in chart.bars]
