"""Reading MusicXML that tries a reader's patience: numbers without bounds, places without a common measure."""

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from lxml import etree

from tests.benchmarks.bench_growth import jobs
from tests.growth import ABOUT_LINEAR, lines_run
from tests.sentences import says, sentence_of
from workbench.chart.edits import DeleteBars
from workbench.chart.excerpts import excerpt_chart
from workbench.chart.meter import MOST_BARS
from workbench.engraving.engrave import engrave_lines
from workbench.files.chartfile import dumps_chart, loads_chart
from workbench.files.untrusted import MOST_NOTES_IN_BAR
from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.musicxml_read import read_musicxml_bytes
from workbench.notation.scoresigns import ScoreOptions

NOTE = (
    "<note><unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched>"
    "<duration>{}</duration></note>"
)


def score(*measures):
    bars = "".join(f'<measure number="{k}">{content}</measure>' for k, content in enumerate(measures, 1))
    return f'<score-partwise><part id="P1">{bars}</part></score-partwise>'.encode()


def attributes(divisions="4", beats="4", unit="4"):
    time = f"<time><beats>{beats}</beats><beat-type>{unit}</beat-type></time>"
    return f"<attributes><divisions>{divisions}</divisions>{time}</attributes>"


def read(*measures):
    return read_musicxml_bytes(score(*measures))


def read_chart(*measures):
    """The chart, which must come back from a chart file as well."""
    chart = read(*measures).chart
    assert loads_chart(dumps_chart(chart)) == chart
    return chart


ENDLESS = ["1e9999999", "1e-99999999", "9" * 400, "inf", "nan", "1/3", "²", "0." + "0" * 9999 + "1", "0x1p9999"]


@pytest.mark.slow
@pytest.mark.parametrize("number", ENDLESS)
@pytest.mark.parametrize(
    "measure",
    [
        attributes() + NOTE,
        attributes("{}") + NOTE.format(4),
        attributes() + NOTE.format(4) + "<backup><duration>{}</duration></backup>",
        attributes() + NOTE.format(4) + "<forward><duration>{}</duration></forward>",
        "<direction><offset>{}</offset></direction>" + NOTE.format(4),
        '<sound tempo="{}"/>' + NOTE.format(4),
        NOTE.format(4).replace("<note>", '<note attack="{}">'),
        NOTE.format(4).replace("<note>", '<note dynamics="{}">'),
        NOTE.format(4).replace("5</display-octave>", "{}</display-octave>"),
        '<barline><repeat direction="backward" times="{}"/></barline>' + NOTE.format(4),
    ],
    ids=["duration", "divisions", "backup", "forward", "offset", "tempo", "attack", "dynamics", "octave", "times"],
)
def test_numbers_without_bounds_are_refused_at_once(measure, number):
    assert "makes no sense" in sentence_of(read, measure.replace("{}", number))


def test_a_number_that_makes_no_sense_is_found_by_bar_and_line():
    said = sentence_of(read, attributes() + NOTE.format(4), "\n\n" + NOTE.format("much"))
    assert says(said, "bar 2", "<note>", "line 3", "'much'")


def test_a_bar_that_the_numbers_skip_is_said():
    """MusicXML 4.0: the number of a measure is its printed one; 'implicit' ones are not counted."""
    whole = score(*[attributes() + NOTE.format(16)] * 4)
    skipped = re.sub(rb'<measure number="3">.*?</measure>', b"", whole)
    usual = read_musicxml_bytes(whole).problems
    (problem,) = set(read_musicxml_bytes(skipped).problems) - set(usual)
    assert says(problem, "numbers in the file", "bar 4", "after bar 2", "Here it is bar 3"), "whose numbers they are"
    pickup = whole.replace(b'number="3"', b'number="X1" implicit="yes"').replace(b'number="4"', b'number="3"')
    assert read_musicxml_bytes(pickup).problems == usual


@pytest.mark.parametrize("number", [*ENDLESS, "0", "-4", "99"])
def test_a_meter_that_is_none_is_passed_over_and_said(number):
    for told in (attributes("4", number), attributes("4", "4", number)):
        imported = read(told + NOTE.format(4))
        assert str(imported.chart.time_map.bars[0].meter) == "4/4"
        assert any("meter of bar 1" in p for p in imported.problems)


@pytest.mark.parametrize("divisions", ["0", "-1", "0.0"])
def test_a_quarter_note_has_divisions(divisions):
    assert "makes no sense" in sentence_of(read, attributes(divisions) + NOTE.format(4))


@pytest.mark.parametrize("tempo", ["0", "-120", "0.0001", "999999999"])
def test_tempi_that_nobody_plays_at_are_left_out_and_said(tempo):
    metronome = f"<metronome><beat-unit>quarter</beat-unit><per-minute>{tempo}</per-minute></metronome>"
    for told in (f'<sound tempo="{tempo}"/>', f"<direction><direction-type>{metronome}</direction-type></direction>"):
        imported = read(told + NOTE.format(1))
        assert imported.chart.time_map.quarter_tempo_bpm(0) == pytest.approx(120)
        assert any("tempo" in p for p in imported.problems)


def primes(count):
    found = []
    k = 2
    while len(found) < count:
        if all(k % p for p in found if p * p <= k):
            found.append(k)
        k += 1
    return found


@pytest.mark.slow
def test_durations_without_a_common_measure_end_in_a_chart():
    # Each note a 4p-th of a whole note for another prime p: exact sums would have thousands of digits.
    notes = "".join(f"<attributes><divisions>{p}</divisions></attributes>" + NOTE.format(1) for p in primes(3000))
    imported = read(attributes("1", "32", "1") + notes)
    assert any("finer than any note value" in p for p in imported.problems)
    assert max(n.position.denominator for _, n in imported.chart.notes()) < 10**6
    read_chart(attributes("1", "32", "1") + notes)


def test_rounded_places_do_not_shift_what_follows():
    odd = attributes("44497") + NOTE.format(20001) + NOTE.format(24496) + attributes("1") + NOTE.format(1)
    assert [n.position for _, n in read_chart(odd).notes()][2] == Fraction(1, 4)


def test_a_place_beyond_any_bar_is_held_by_a_chart_file():
    words = "<direction><direction-type><words>Lights</words></direction-type><offset>999999999</offset></direction>"
    read_chart(attributes("0." + "0" * 90 + "1") + words + NOTE.format("0"))


def test_a_bar_of_more_strokes_than_anyone_plays_is_refused():
    notes = NOTE.format(1) * (MOST_NOTES_IN_BAR + 1)
    assert "strokes in bar 2" in sentence_of(read, NOTE.format(1), attributes("5000") + notes)


def test_more_bars_than_a_chart_holds_are_refused():
    empty = '<measure number="1"/>' * (MOST_BARS + 1)
    data = score(NOTE.format(1)).replace(b"</part>", empty.encode() + b"</part>")
    assert f"more than {MOST_BARS} bars" in sentence_of(read_musicxml_bytes, data)


def test_repeats_without_end_are_refused():
    repeat = '<barline><repeat direction="backward" times="999999999"/></barline>'
    assert "repeats" in sentence_of(read, NOTE.format(4) + repeat)
    many = attributes("16") + NOTE.format(1) * 30 + repeat.replace("999999999", "19000")
    assert "strokes" in sentence_of(read, many)


def test_a_simile_of_bars_to_come_means_nothing():
    style = '<attributes><measure-style><measure-repeat type="start">-3</measure-repeat></measure-style></attributes>'
    assert len(read(style + NOTE.format(4), "").chart) == 2


@pytest.mark.slow
def test_work_grows_with_the_length_of_the_part(tmp_path):
    short, long = (lines_run(jobs(bars, tmp_path)["read_musicxml"]) for bars in (60, 120))
    assert 0 < long < ABOUT_LINEAR * short


@pytest.mark.slow
@pytest.mark.parametrize(
    "measure",
    [
        '<barline><ending number="1" type="start"/></barline>{}<barline><ending number="1" type="stop"/>'
        '<repeat direction="backward"/></barline>',
        '<sound tempo="1{}"/>' + NOTE.format(1),
        attributes() + NOTE.format(1),
    ],
    ids=["endings", "tempi", "meters"],
)
def test_work_grows_with_what_bars_hold(measure):
    def many(count):
        return score(NOTE.format(4), *(measure.replace("{}", str(k % 90 + 10)) for k in range(count)))

    short, long = (lines_run(lambda n=n: read_musicxml_bytes(many(n))) for n in (200, 400))
    assert long < ABOUT_LINEAR * short


def test_work_grows_with_the_tempi_of_a_bar():
    def one_bar(count):
        return score(attributes(str(count)) + f'<sound tempo="120"/>{NOTE.format(1)}' * count)

    short, long = (lines_run(lambda n=n: read_musicxml_bytes(one_bar(n))) for n in (200, 400))
    assert long < ABOUT_LINEAR * short


def test_refusals_name_no_python():
    said = sentence_of(read, attributes("1e5\x85" + "x" * 500) + NOTE.format(1))
    assert not re.search("Fraction|literal", said)


def test_a_scores_own_bar_numbers_are_printed_where_that_is_asked(tmp_path):
    """MusicXML 4.0: the number of a measure is a token, as printed; an excerpt begins at 17 and has a bar 18a."""
    bars = [NOTE.format(4 * k) + NOTE.format(16 - 4 * k) for k in (1, 2, 3)]
    bars[0] = attributes() + bars[0]
    numbers = ("17", "18", "18a")
    content = "".join(f'<measure number="{n}">{bar}</measure>' for n, bar in zip(numbers, bars))
    found = read_musicxml_bytes(f'<score-partwise><part id="P1">{content}</part></score-partwise>'.encode())
    chart = found.chart
    assert chart.printed_numbers == numbers == found.bar_numbers
    assert loads_chart(dumps_chart(chart)) == chart
    printed = ScoreOptions(numbers="printed", bars_per_line=1)
    written = etree.fromstring(musicxml_bytes(chart, printed))
    assert [m.get("number") for m in written.iter("measure")] == list(numbers)
    assert [m.get("number") for m in etree.fromstring(musicxml_bytes(chart)).iter("measure")] == ["1", "2", "3"]
    assert [line.number for line in engrave_lines(chart, printed)] == ["17", "18"]
    assert [line.number for line in engrave_lines(chart, replace(printed, numbers="heard"))] == ["", "2"]
    assert excerpt_chart(chart, 1, 2).printed_numbers == ("18", "18a")
    assert DeleteBars(0, 0).apply(chart).printed_numbers == ()


def test_bars_counted_as_here_have_no_numbers_of_their_own():
    assert read_chart(attributes() + NOTE.format(16), NOTE.format(16)).printed_numbers == ()
