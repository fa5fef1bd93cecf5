"""The engraved page: complete, inside the paper, the same each time, text never markup."""

import re
import socket
import zlib
from dataclasses import replace
from fractions import Fraction
from io import BytesIO

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from lxml import etree
from PIL import Image

import workbench as wb
from tests.chart_strategies import charts
from workbench.chart import Chart, Mark, Note, Section, Text, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS
from workbench.chart.excerpts import excerpt_chart
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.engraving.engrave import engrave_pdf, engrave_png, engrave_svg, svg_to_png
from workbench.engraving.pages import PAPERS, PageStyle
from workbench.engraving.roadmap import find_stages, road_map_pages
from workbench.errors import ChartError
from workbench.files.chartfile import read_chart
from workbench.notation.abbreviations import abbreviate, lay_lines
from workbench.notation.fillsigns import fill_signs
from workbench.notation.scoresigns import ScoreOptions, bar_id, note_id, tempo_marks
from workbench.reading.read import read_part

SVG = "{http://www.w3.org/2000/svg}"
WRITTEN_OUT = ScoreOptions(similes=False, multirests=False)
FEW = settings(max_examples=20, suppress_health_check=list(HealthCheck))


def groove(fill=False):
    notes = [Note(Fraction(k, 8), "closed hi-hat", 80) for k in range(4 if fill else 8)]
    if fill:
        notes += [Note(Fraction(k, 16), "floor tom") for k in range(8, 16)]
    return WrittenBar((*notes, Note(Fraction(0), "kick"), Note(Fraction(1, 4), "snare")))


def song(bars=24, **heading):
    written = tuple(groove(fill=k % 4 == 3) for k in range(bars))
    return Chart(
        TimeMap.steady(bars, 112),
        written,
        **{
            "title": "Slow Ferry",
            "artist": "The Night Trams",
            "sections": (Section(0, "Verse", "A"), Section(8, "Chorus", "B")),
            **heading,
        },
    )


def words(svg):
    return [t for e in etree.fromstring(svg).iter(f"{SVG}text") for t in e.itertext() if t.strip()]


def ids(pages):
    return [e.get("id") for page in pages for e in etree.fromstring(page).iter() if e.get("id")]


@pytest.mark.slow
@FEW
@given(charts(most_bars=3))
def test_every_note_and_bar_can_be_found(chart):
    found = ids(engrave_svg(chart, options=WRITTEN_OUT))
    expected = [note_id(k, n) for k, n in chart.notes()] + [bar_id(k) for k in range(len(chart))]
    own = [i for i in found if i.startswith(("note-", "bar-")) and "note-key" not in i]
    assert sorted(own) == sorted(expected)


def test_folded_part_shows_the_first_pass():
    chart = song(16, sections=(Section(0, "Verse", "A"),))
    found = {i for i in ids(engrave_svg(chart)) if i.startswith("bar-")}
    assert found == {bar_id(k) for k in range(4)}


@pytest.mark.slow
@FEW
@given(charts(most_bars=5, parts=(1, 2, 4)))
def test_every_heard_bar_can_be_found_in_a_folded_part(chart):
    heard = [
        int(k)
        for page in engrave_svg(chart)
        for e in etree.fromstring(page).iter()
        for k in (e.get("data-bars") or "").split()
    ]
    assert sorted(heard) == list(range(len(chart)))


@pytest.mark.slow
@FEW
@given(charts(most_bars=3, parts=(1, 2, 3, 4, 6, 8)))
def test_nothing_is_drawn_in_the_margin_of_the_page(chart):
    chart = replace(chart, title="", artist="", sections=(), texts=())
    for page in engrave_svg(chart, options=WRITTEN_OUT):
        ink = np.asarray(Image.open(BytesIO(svg_to_png(page, 50))).convert("L")) < 200
        edge = round(9 / 25.4 * 50)  # 9 mm
        assert not ink[:edge].any() and not ink[-edge:].any()
        assert not ink[:, :edge].any() and not ink[:, -edge:].any()
        assert ink.any()


def test_title_sections_tempo_numbers_and_legend_are_printed():
    found = words(engrave_svg(song())[0])
    for text in ("Slow Ferry", "The Night Trams", "Drum Set", "A", "Verse", "B", "Chorus", "= 112", "9"):
        assert text in found
    assert {label for label, *_ in drum_key(song())} == {"closed hi-hat", "snare", "kick", "floor tom"}


def drum_key(chart):
    """(label, middle in mm, size in printer's points) of each entry of the drum key."""
    out = []
    for line in etree.fromstring(engrave_svg(chart)[0]).iter(f"{SVG}g"):
        if line.get("class") == "line":
            scale = float(re.search(r"scale\(([\d.]+)\)", line.get("transform")).group(1))
            out += [
                (" ".join(e.itertext()), scale * float(e.get("x")) / 10, scale * float(e.get("font-size")) / 254 * 72)
                for e in line.findall(f"{SVG}text")
                if e.find(f"{SVG}tspan") is not None
            ]
    return out


@pytest.mark.parametrize("count", [3, 10, len(INSTRUMENTS)])
def test_labels_of_the_drum_key_are_readable_and_evenly_spaced(count):
    bar = WrittenBar(tuple(Note(Fraction(k, 24), i.name) for k, i in enumerate(INSTRUMENTS[:count])))
    key = drum_key(Chart(TimeMap.steady(1, 100), (bar,)))
    assert [label for label, *_ in key] == [i.name for i in INSTRUMENTS[:count]]
    assert all(size >= 7 for *_, size in key)
    lines = [[x for _, x, _ in key]]
    if count == len(INSTRUMENTS):
        lines = [[x for _, x, _ in key[:9]], [x for _, x, _ in key[9:]]]
    for places in lines:
        assert np.diff(places) == pytest.approx(places[1] - places[0], abs=0.3)
        assert places[1] - places[0] > 8  # mm


def test_the_drum_key_explains_ghost_notes_where_they_occur():
    plain = (Note(Fraction(0), "snare"), Note(Fraction(1, 8), "kick"))
    ghost = Note(Fraction(1, 4), "snare", articulations={"ghost"})
    labels = [
        [label for label, *_ in drum_key(Chart(TimeMap.steady(1, 100), (WrittenBar(notes),)))]
        for notes in (plain, (*plain, ghost))
    ]
    assert labels == [["snare", "kick"], ["snare", "ghost note", "kick"]]


def test_pages_say_what_they_are():
    titles = [etree.fromstring(p).findtext(f"{SVG}title") for p in engrave_svg(song(96), options=WRITTEN_OUT)]
    assert titles[:2] == ["Drum part: Slow Ferry, page 1", "Drum part: Slow Ferry, page 2"]
    assert etree.fromstring(engrave_svg(song(), bars=(0, 1))[0]).findtext(f"{SVG}title").endswith("2 bars")


def test_parts_of_the_page_can_be_left_out():
    found = words(engrave_svg(song(), style=PageStyle(heading=False, bar_numbers=False))[0])
    assert "Slow Ferry" not in found and "9" not in found and "snare" not in found
    assert "snare" not in words(engrave_svg(song(), style=PageStyle(legend=False))[0])


def test_a_section_at_another_tempo_says_so():
    beats = [0.5 * k for k in range(33)] + [16 + 0.4 * k for k in range(1, 33)]
    time_map = TimeMap([Bar(Meter(4, 4), tuple(beats[4 * k : 4 * k + 4])) for k in range(16)], beats[64])
    chart = Chart(time_map, song(16).bars, sections=(Section(0, "Verse", "A"), Section(8, "Faster", "B")))
    assert {k: m.tempo_bpm for k, m in tempo_marks(chart).items()} == {0: 120, 8: 150}
    found = words(engrave_svg(chart)[0])
    assert "= 120" in found and "= 150" in found
    assert set(tempo_marks(song())) == {0}


def test_feel_and_cues_and_counts_and_sticking_are_printed():
    bar = WrittenBar(tuple(Note(Fraction(k, 16), "snare", sticking="RL"[k % 2]) for k in range(4)))
    chart = Chart(TimeMap.steady(1, 90), (bar,), texts=(Text(0, Fraction(0), "brushes"),), feel="swing 16ths")
    found = words(engrave_svg(chart, options=ScoreOptions(counts=True))[0])
    for text in ("Swing 16ths", "brushes", "1", "e", "&", "a", "R", "L"):
        assert text in found
    assert "R" not in words(engrave_svg(chart, options=ScoreOptions(sticking=False))[0])


@pytest.mark.parametrize("paper", PAPERS)
def test_paper(paper):
    page = engrave_svg(song(), style=PageStyle(paper=paper))[0]
    assert f'viewBox="0 0 {PAPERS[paper][0]} {PAPERS[paper][1]}"' in page


def test_unknown_paper():
    with pytest.raises(ChartError, match="A4, Letter"):
        PageStyle(paper="napkin")


def test_long_part_takes_several_pages_with_numbers():
    pages = engrave_svg(song(96, sections=()), options=WRITTEN_OUT)
    assert len(pages) > 1
    assert [words(p)[:2] for p in pages[1:]] == [["Slow Ferry", str(k)] for k in range(2, len(pages) + 1)]


def pdf_streams(data: bytes) -> bytes:
    out = [data]
    for m in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", data, re.S):
        try:
            out.append(zlib.decompress(m.group(1)))
        except zlib.error:
            pass
    return b"\n".join(out)


def test_pdf_is_the_same_each_time_and_uses_only_our_fonts(tmp_path):
    first = engrave_pdf(song(), tmp_path / "a.pdf").read_bytes()
    assert first.startswith(b"%PDF-") and first == engrave_pdf(song(), tmp_path / "b.pdf").read_bytes()
    fonts = set(re.findall(rb"/BaseFont\s*/([A-Za-z0-9+-]+)", pdf_streams(first)))
    assert fonts and all(b"STIXGeneral" in f for f in fonts)


def test_no_network_is_needed(tmp_path, monkeypatch):
    def refuse(*args, **kwargs):
        raise AssertionError("the network was asked")

    monkeypatch.setattr(socket, "socket", refuse)
    engrave_pdf(song(), tmp_path / "a.pdf")
    engrave_png(song(), tmp_path / "a.png")


def test_svg_is_the_same_each_time():
    assert engrave_svg(song()) == engrave_svg(song())


NASTY = "<script>alert(1)</script> & ]]> \"' \\ #panic() $x$ {{}} *b*"


def test_text_is_data_on_every_page(tmp_path):
    chart = song(title=NASTY, artist=NASTY, sections=(Section(0, NASTY, "<b>"),), texts=(Text(0, Fraction(0), NASTY),))
    for page in [*engrave_svg(chart), *road_map_pages(chart)]:
        assert not list(etree.fromstring(page).iter(f"{SVG}script")) and "<script>" not in page
    assert NASTY in words(engrave_svg(chart)[0])
    assert engrave_pdf(chart, tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")


def test_excerpt_of_two_bars():
    (svg,) = engrave_svg(song(), bars=(3, 4))
    assert [i for i in ids([svg]) if i.startswith("bar-")] == ["bar-3", "bar-4"]
    assert "Slow Ferry" not in words(svg) and "4" in words(svg)
    with pytest.raises(ChartError, match="There is no bar"):
        engrave_svg(song(), bars=(3, 99))


def test_excerpt_as_a_loop_has_repeat_signs():
    plain, loop = (engrave_svg(song(), bars=(0, 1), loop=on)[0] for on in (False, True))
    assert (plain.count('href="#E044-'), loop.count('href="#E044-')) == (0, 4)  # SMuFL: repeat dot


def test_other_scripts_are_printed_with_the_systems_fonts(tmp_path):
    chart = song(title="銅の天気")
    assert "銅の天気" in words(engrave_svg(chart)[0])
    assert engrave_pdf(chart, tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")


def test_excerpt_as_a_chart_keeps_its_times():
    chart = replace(song(), marks=(Mark("fill", (3, Fraction(1, 2)), (4, Fraction(0))),))
    part = excerpt_chart(chart, 2, 3)
    assert len(part) == 2 and part.bars == chart.bars[2:4]
    assert part.time_map.start_s == chart.time_map.bar_start_s(2)
    assert part.marks == (Mark("fill", (1, Fraction(1, 2)), (2, Fraction(0))),)
    with pytest.raises(ChartError, match="ends where it begins"):
        excerpt_chart(chart, 3, 2)


def test_png_pages_are_numbered(tmp_path):
    files = engrave_png(song(96, sections=()), tmp_path / "s.png", options=WRITTEN_OUT, dots_per_inch=40)
    assert [f.name for f in files] == ["s.png", *(f"s-{k}.png" for k in range(2, len(files) + 1))]
    with Image.open(files[0]) as image:
        assert image.size == pytest.approx((210 / 25.4 * 40, 297 / 25.4 * 40), abs=1.5)


def test_road_map_has_a_row_for_each_section():
    chart = song(16)
    stages = find_stages(chart)
    assert [(s.bars[0], s.bars[-1], s.groove_bar, s.fill_bar, s.like) for s in stages] == [
        (0, 7, 0, None, None),
        (8, 15, 8, None, 0),
    ]
    marked = replace(chart, marks=(Mark("fill", (7, Fraction(1, 2)), (8, Fraction(0))),))
    assert find_stages(marked)[0].fill_bar == 7
    found = words(road_map_pages(marked)[0])
    assert "bars 1–8 (8)" in found and "fill, bar 8" in found and "Road map" in found


def test_a_last_stroke_is_no_fill_on_the_road_map_and_fills_are_read_where_none_is_marked():
    last = WrittenBar((Note(Fraction(0), "kick"), Note(Fraction(0), "crash")))
    chart = replace(song(16), bars=(*(groove(),) * 7, groove(fill=True), *(groove(),) * 7, last))
    assert [s.fill_bar for s in find_stages(chart)] == [7, None]


def texts_and_rest(page):
    """Ink of the captions of a road map, and of the music; one dot is a tenth of a millimetre."""
    out = []
    for captions in (True, False):
        root = etree.fromstring(page)
        for e in list(root):
            if e.tag in (f"{SVG}text", f"{SVG}g") and (e.tag == f"{SVG}text") != captions:
                root.remove(e)
        out.append(
            np.asarray(Image.open(BytesIO(svg_to_png(etree.tostring(root, encoding="unicode"), 254))).convert("L"))
            < 160
        )
    return out


@pytest.mark.slow
@pytest.mark.parametrize("sections", [2, 12, 40])
def test_captions_of_the_road_map_are_readable_and_clear_of_all_else(sections):
    words_of_groove = "kick on 1, the & of 2 and 3; eighths on the hi-hat; ghost notes on the a of 2, " * 2
    bars = []
    for k in range(sections):  # each with a groove of its own
        kick = Note(Fraction(k % 7 + 1, 16), "kick")
        own = replace(groove(), notes=(*groove().notes, kick, Note(Fraction(k // 7 + 1, 16), "ride")))
        bars += [own, own, own, groove(fill=True)]
    marks = [Mark("groove", (4 * k, Fraction(0)), (4 * k + 3, Fraction(0)), words_of_groove) for k in range(sections)]
    marks += [fill_mark((4 * k + 3, "1/2"), (4 * k + 4, 0)) for k in range(sections)]
    chart = Chart(
        TimeMap.steady(4 * sections, 100),
        tuple(bars),
        marks=tuple(marks),
        title="Slow Ferry",
        sections=tuple(Section(4 * k, f"Part {k + 1}", str(k + 1)) for k in range(sections)),
    )
    pages = road_map_pages(chart)
    assert (len(pages) == 1) == (sections < 40)
    for page in pages:
        captions, music = texts_and_rest(page)
        assert not (captions & music).any()
        sizes = [float(e.get("font-size")) for e in etree.fromstring(page).findall(f"{SVG}text")]
        assert min(sizes) / 254 * 72 >= 7
    said = [w for page in pages for w in words(page)]
    assert [w for w in said if w.startswith("fill")] == [f"fill, bar {4 * k + 4}" for k in range(sections)]


def test_road_map_of_a_chart_without_sections_and_without_notes():
    assert [s.section.name for s in find_stages(song(sections=()))] == ["All"]
    assert "no drums" in words(road_map_pages(Chart.empty(TimeMap.steady(4, 100)))[0])


# -- words under the staff ------------------------------------------------------------


def ink(svg, *, shows_words):
    """Rows and columns of a sheet that have ink, of its rows of words alone or of all the rest; one dot is
    a tenth of a millimetre."""
    root = etree.fromstring(svg)
    root.set("visibility", "hidden" if shows_words else "visible")
    for verse in [e for e in root.iter(f"{SVG}g") if e.get("class") == "verse"]:
        verse.set("visibility", "visible" if shows_words else "hidden")
    page = etree.tostring(root, encoding="unicode")
    return np.asarray(Image.open(BytesIO(svg_to_png(page, 254))).convert("L")) < 160


HANDS = tuple(Note(Fraction(k, 8), "closed hi-hat", sticking="RL"[k % 2]) for k in range(8))
BUSY_FEET = (
    Note(Fraction(0), "kick", articulations={"choke"}),
    Note(Fraction(3, 16), "kick"),
    Note(Fraction(3, 8), "pedal hi-hat", articulations={"foot splash", "accent"}),
    Note(Fraction(7, 16), "pedal hi-hat"),
    Note(Fraction(9, 16), "kick", articulations={"flam"}),
    Note(Fraction(15, 16), "kick"),
)
DOTTED_KICKS = (Note(Fraction(0), "kick"), Note(Fraction(3, 16), "kick"), Note(Fraction(3, 8), "kick"))


@pytest.mark.parametrize("feet", [BUSY_FEET, DOTTED_KICKS])
@pytest.mark.parametrize(
    "options", [ScoreOptions(counts=True), ScoreOptions(counts=True, sticking=False), ScoreOptions()]
)
def test_counts_and_sticking_stay_clear_of_stems_and_beams(feet, options):
    chart = Chart(TimeMap.steady(1, 100), (WrittenBar((*HANDS, *feet)),))
    (svg,) = engrave_svg(chart, bars=(0, 0), options=options)
    words_rows = np.flatnonzero(ink(svg, shows_words=True).any(axis=1))
    assert not ink(svg, shows_words=False)[words_rows[0] - 4 :].any()  # all else ends above them
    assert words_rows[-1] < ink(svg, shows_words=True).shape[0] - 5  # and the sheet holds them


# -- marked fills --------------------------------------------------------------------


def fill_mark(start, end, confirmed=True):
    return Mark("fill", (start[0], Fraction(start[1])), (end[0], Fraction(end[1])), confirmed=confirmed)


def brackets(svg):
    """Left and right end of each bracket over a fill, tenths of a millimetre of its line."""
    lines = [
        p.get("d")
        for g in etree.fromstring(svg).iter(f"{SVG}g")
        if g.get("class") == "bracketSpan"
        for p in g.findall(f"{SVG}path")
    ]
    return [tuple(float(x) / 10 for x in re.findall(r"M([\d.]+) \S+ L([\d.]+)", d)[0]) for d in lines]


def place_of(svg, name):
    """Left edge of a note's head in its line, tenths of a millimetre."""
    (note,) = [e for e in etree.fromstring(svg).iter() if e.get("id") == name]
    use = note.find(f"{SVG}g[@class='notehead']/{SVG}use")
    return float(re.findall(r"translate\(([\d.]+)", use.get("transform"))[0]) / 10


def test_a_confirmed_fill_is_marked_from_its_first_stroke_to_its_last():
    chart = song(8, sections=(), marks=(fill_mark((3, "1/2"), (4, 0)), fill_mark((7, "1/2"), (8, 0), confirmed=False)))
    (svg,) = engrave_svg(chart, bars=(0, 7))
    assert words(svg).count("fill") == 1
    ((left, right),) = brackets(svg)
    first, last = (place_of(svg, note_id(3, Note(Fraction(k, 16), "floor tom"))) for k in (8, 15))
    assert first < left < last < right  # the word takes the bracket's beginning
    for which, count in (("all", 2), ("none", 0)):
        (svg,) = engrave_svg(chart, bars=(0, 7), options=ScoreOptions(fills=which))
        assert (words(svg).count("fill"), len(brackets(svg))) == (count, count)


def test_a_fill_over_a_line_break_goes_on_in_the_next_line():
    (svg,) = engrave_svg(song(8, sections=(), marks=(fill_mark((3, "1/2"), (5, 0)),)), bars=(0, 7))
    assert len(brackets(svg)) == 2 and words(svg).count("fill") == 1
    (first, _), (again, _) = sorted(brackets(svg), key=lambda b: -b[0])
    assert again == pytest.approx(place_of(svg, note_id(4, Note(Fraction(0), "closed hi-hat"))), abs=2)


def test_a_cue_that_says_fill_stands_for_the_word():
    chart = song(4, sections=(), marks=(fill_mark((3, "1/2"), (4, 0)),), texts=(Text(3, Fraction(1, 2), "Big fill"),))
    (svg,) = engrave_svg(chart, bars=(0, 3))
    assert [w for w in words(svg) if "fill" in w.lower()] == ["Big fill"] and len(brackets(svg)) == 1


def test_a_fill_marked_in_any_pass_of_a_repeat_is_shown_once():
    chart = song(16, sections=(), marks=(fill_mark((7, "1/2"), (8, 0)), fill_mark((15, "1/2"), (16, 0))))
    pages = engrave_svg(chart)
    assert sum(words(p).count("fill") for p in pages) == 1


@pytest.mark.slow
@FEW
@given(charts(most_bars=4, parts=(1, 2, 4)))
def test_every_fill_begins_once_on_paper(chart):
    signs = [
        s
        for line in lay_lines(chart, abbreviate(chart, similes=False, multirests=False), 2)
        for s in fill_signs(chart, line, "all")
    ]
    apart = all(a.end <= b.start for a, b in zip(chart.marks, chart.marks[1:]))
    if apart:
        assert sum(s.opens for s in signs) == sum(s.closes for s in signs) == len(chart.marks)
    engrave_svg(chart, options=ScoreOptions(fills="all"))


def test_fills_shown_are_of_three_kinds():
    with pytest.raises(ChartError, match="confirmed, all, none"):
        ScoreOptions(fills="some")


def test_the_road_map_draws_the_bar_that_its_words_are_about():
    """A reading describes the base bar of a groove; that one is drawn, not another that is like the most bars."""
    chart = read_chart(wb.demo_song(what="chart"))
    reading = read_part(chart)
    base = {g.groove.base_bars[0] for g in reading.grooves}
    with_groove = {k for g in reading.grooves for k in g.groove.bar_indices}
    drawn = [s.groove_bar for s in find_stages(chart) if with_groove & set(s.bars)]
    assert len(drawn) >= 4 and set(drawn) <= base
