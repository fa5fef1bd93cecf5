"""The engraved page: complete, inside the paper, the same each time, text never markup."""

import re
import socket
import zlib
from dataclasses import replace
from fractions import Fraction

import pytest
import verovio
from lxml import etree
from PIL import Image

from workbench.chart import Chart, Mark, Note, Section, Text, WrittenBar
from workbench.chart.excerpts import excerpt_chart
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.engraving.engrave import engrave_pdf, engrave_png, engrave_svg, mei_bytes
from workbench.engraving.pages import PageStyle
from workbench.engraving.roadmap import road_map_pages
from workbench.errors import ChartError, FileFormatError
from workbench.notation.scoresigns import ScoreOptions, tempo_marks
from workbench.scorefiles import read_house_style

SVG = "{http://www.w3.org/2000/svg}"
WRITTEN_OUT = ScoreOptions(similes=False, multirests=False)


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


def test_pages_say_what_they_are():
    titles = [etree.fromstring(p).findtext(f"{SVG}title") for p in engrave_svg(song(96), options=WRITTEN_OUT)]
    assert titles[:2] == ["Drum part: Slow Ferry, page 1", "Drum part: Slow Ferry, page 2"]
    assert etree.fromstring(engrave_svg(song(), bars=(0, 1))[0]).findtext(f"{SVG}title").endswith("2 bars")


@pytest.mark.parametrize(
    "confirmed, said",
    [(0, "draft, no bar checked yet"), (6, "draft, 2 bars not checked"), (7, "draft, 1 bar not"), (8, "")],
)
def test_a_page_says_how_much_of_a_draft_nobody_has_checked(confirmed, said):
    """A bar in which nothing was heard is neither checked nor waits for it: it is not counted."""
    notes = [Note(Fraction(0), "kick", confidence=0.9, confirmed=k < confirmed) for k in range(8)]
    chart = Chart(TimeMap.steady(9, 100), (*(WrittenBar((n,)) for n in notes), WrittenBar()), title="Slow Ferry")
    found = " ".join(words(engrave_svg(chart)[0]))
    assert said in found and ("draft" in found) == bool(said) and "?" not in found
    explained = words(engrave_svg(chart, options=replace(WRITTEN_OUT, doubts=True))[0])
    assert any("? = not sure" in text for text in explained) == bool(said), "what the marks beside its strokes mean"


def test_a_section_at_another_tempo_says_so():
    beats = [0.5 * k for k in range(33)] + [16 + 0.4 * k for k in range(1, 33)]
    time_map = TimeMap([Bar(Meter(4, 4), tuple(beats[4 * k : 4 * k + 4])) for k in range(16)], beats[64])
    chart = Chart(time_map, song(16).bars, sections=(Section(0, "Verse", "A"), Section(8, "Faster", "B")))
    assert {k: m.tempo_bpm for k, m in tempo_marks(chart).items()} == {0: 120, 8: 150}
    found = " ".join(words(engrave_svg(chart)[0]))
    assert "= 120" in found and "= 150" in found
    assert set(tempo_marks(song())) == {0}


def test_feel_and_cues_and_counts_and_sticking_are_printed():
    bar = WrittenBar(tuple(Note(Fraction(k, 16), "snare", sticking="RL"[k % 2]) for k in range(4)))
    chart = Chart(TimeMap.steady(1, 90), (bar,), texts=(Text(0, Fraction(0), "brushes"),), feel="swing 16ths")
    found = words(engrave_svg(chart, options=ScoreOptions(counts=True))[0])
    for text in ("Swing 16ths", "brushes", "1", "e", "&", "a", "R", "L"):
        assert text in found
    assert "R" not in words(engrave_svg(chart, options=ScoreOptions(sticking=False))[0])


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


# -- words under the staff ------------------------------------------------------------


# -- marked fills --------------------------------------------------------------------


def long_part(bars=90):
    notes = tuple(Note(Fraction(k, 16), "snare" if k % 3 else "kick") for k in range(16))
    other = tuple(Note(Fraction(k, 16), "ride" if k % 2 else "kick") for k in range(16))
    return Chart(TimeMap.steady(bars, 120), tuple(WrittenBar((notes, other)[k % 2]) for k in range(bars)))


def staff_mm(page):
    """Height of the first staff that is no drum key: its outer lines, as scaled."""
    line = etree.fromstring(page.encode()).findall(".//{*}g[@class='line']")[-1]
    scale = float(line.get("transform").split("scale(")[1].rstrip(")"))
    ys = [float(p.get("d").split()[1]) for p in line.find(".//{*}g[@class='staff']").findall("{*}path")[:5]]
    return (max(ys) - min(ys)) * scale / 100


def test_a_part_for_the_stand_has_a_staff_of_seven_millimetres_on_either_paper():
    """7 mm and more are read from a music stand: common practice, no source."""
    for paper in ("A4", "Letter"):
        pages = engrave_svg(long_part(30), style=PageStyle(paper=paper))
        assert all(staff_mm(page) >= 7.0 for page in pages)


@pytest.mark.slow
def test_a_part_fits_on_as_many_pages_as_it_is_allowed():
    options = ScoreOptions(similes=False)
    usual = engrave_svg(long_part(), options=options)
    fewer = engrave_svg(long_part(), options=options, style=PageStyle(pages=len(usual) - 1))
    assert len(fewer) <= len(usual) - 1 and staff_mm(fewer[0]) < staff_mm(usual[0])
    with pytest.raises(ChartError, match="1 pages"):
        engrave_svg(long_part(200), options=options, style=PageStyle(pages=1))


def test_house_style_tells_open_hats_by_signs(tmp_path):
    path = tmp_path / "house.json"
    path.write_text('{"hats": "signs", "paper": "Letter", "staff_mm": 8}')
    options, style = read_house_style(path)
    bar = WrittenBar((Note(Fraction(0), "open hi-hat"), Note(Fraction(1, 8), "closed hi-hat")))
    (page,) = engrave_svg(Chart(TimeMap.steady(1, 120), (bar,)), options=options, style=style)
    words = ["".join(t.itertext()).strip() for t in etree.fromstring(page.encode()).iter("{*}text")]
    assert {"o", "+"} <= set(words) and staff_mm(page) == pytest.approx(8, abs=0.05)
    path.write_text('{"hat": "signs"}')
    with pytest.raises(FileFormatError, match="not hat"):
        read_house_style(path)


def test_mei_holds_every_note_and_another_reader_takes_it():
    """MEI 5 as verovio (LGPL) reads it: as many notes as the chart has, title and bars."""
    chart = long_part(4)
    data = mei_bytes(replace(chart, title="Copper Weather"), ScoreOptions(similes=False))
    toolkit = verovio.toolkit()
    assert toolkit.loadData(data.decode())
    root = etree.fromstring(data)
    assert len(root.findall(".//{*}note")) == sum(1 for _ in chart.notes())
    assert root.findtext(".//{*}title") == "Copper Weather"
    assert toolkit.renderToSVG(1).count('class="measure"') == 4
