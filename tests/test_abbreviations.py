"""Abbreviations: what stands for what; every heard bar is accounted for."""

from fractions import Fraction

from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from tests.effort import examples
from workbench.chart import Chart, Note, Section, Text, WrittenBar
from workbench.chart.meter import TimeMap
from workbench.notation.abbreviations import BarKind, PrintedBar, abbreviate, bar_weight, lay_lines
from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.musicxml_read import read_musicxml_bytes
from workbench.notation.scoresigns import ScoreOptions

SETTINGS = examples(150, suppress_health_check=list(HealthCheck))


def part(pattern: str, sections=(), texts=()):
    """A chart from letters: equal letters are equal bars, "." is an empty bar."""

    def bar(letter):
        if letter == ".":
            return WrittenBar()
        return WrittenBar((Note(Fraction(0), "kick"), Note(Fraction(ord(letter) - 96, 32), "snare")))

    return Chart(TimeMap.steady(len(pattern), 120), tuple(map(bar, pattern)), sections=sections, texts=texts)


def signs(bars):
    """One letter a printed bar: n(otes), %, 2 (simile of two), digits of a rest as rN."""
    letters = {
        BarKind.NOTES: "n",
        BarKind.SIMILE: "%",
        BarKind.SIMILE_OF_TWO: "2",
        BarKind.SIMILE_OF_TWO_END: "2",
        BarKind.SIMILE_OF_FOUR: "4",
        BarKind.SIMILE_OF_FOUR_ON: "4",
        BarKind.SLASHES: "/",
    }
    return " ".join(letters.get(b.kind, f"r{b.rest_bars}") for b in bars)


@SETTINGS
@given(st.text("ab.", min_size=1, max_size=24), st.sets(st.integers(0, 23), max_size=3), st.booleans())
def test_every_bar_is_heard_once_and_printed_as_written(pattern, starts, repeats):
    sections = tuple(Section(k, "S") for k in starts if k < len(pattern))
    chart = part(pattern, sections)
    printed = abbreviate(chart, repeats=repeats)
    assert sorted(k for b in printed for k in b.heard) == list(range(len(pattern)))
    for b in printed:
        assert all(pattern[k] == pattern[b.bar_index] for k in b.heard)


@SETTINGS
@given(st.text("abc.", min_size=1, max_size=32), st.sets(st.integers(0, 31), max_size=3))
def test_repeats_unfold_to_the_order_heard(pattern, starts):
    sections = tuple(Section(k, "S") for k in starts if k < len(pattern))
    printed = abbreviate(part(pattern, sections), repeats=True, multirests=False, similes=False)
    order, start, run, k = [], 0, 1, 0
    while k < len(printed):
        b = printed[k]
        if b.opens_repeat and start != k:
            start, run = k, 1
        if b.ending and run not in b.ending:
            k += 1
            continue
        order += [b.bar_index]
        total = max((max(x.ending) for x in printed[k:] if x.ending), default=2) if b.ending else b.passes
        if b.closes_repeat and run < total:
            run, k = run + 1, start
            continue
        k += 1
    assert "".join(pattern[i] for i in order) == pattern


REPEATS = st.dictionaries(st.integers(0, 23), st.tuples(st.integers(1, 8), st.integers(1, 4)), max_size=3)


@SETTINGS
@given(st.text("ab.", min_size=1, max_size=24), st.sets(st.integers(0, 23), max_size=2), REPEATS)
def test_repeats_set_by_hand_lead_through_every_bar_in_order(pattern, starts, by_hand):
    """Read back by the reader of scores, which follows repeat signs and endings."""
    cues = tuple(
        Text(k, Fraction(0), f"repeat {n}, {times} times" if times > 1 else f"write out {n}")
        for k, (n, times) in by_hand.items()
        if k < len(pattern)
    )
    sections = tuple(Section(k, "S") for k in starts if k < len(pattern))
    chart = part(pattern, sections, cues)
    options = ScoreOptions(repeats=True, similes=False, multirests=False)
    back = read_musicxml_bytes(musicxml_bytes(chart, options)).chart
    assert [b.content for b in back.bars] == [b.content for b in chart.bars]


def test_a_repeat_set_by_hand_holds_where_none_would_be_found():
    """Two passes of three bars that end differently, no section: the sections' rule folds nothing here."""
    cue = Text(1, Fraction(0), "repeat 3")
    assert len(abbreviate(part("cabcabdc"), repeats=True, similes=False)) == 8
    printed = abbreviate(part("cabcabdc", texts=(cue,)), repeats=True, similes=False)
    assert [(b.bar_index, b.ending) for b in printed] == [(0, ()), (1, ()), (2, ()), (3, (1,)), (6, (2,)), (7, ())]
    assert printed[1].opens_repeat and printed[3].closes_repeat


def test_bars_to_be_written_out_are_not_folded():
    sections = (Section(0, "Verse", "A"), Section(4, "Verse", "A"))
    cue = Text(0, Fraction(0), "write out 8")
    assert len(abbreviate(part("abcdabcd", sections), repeats=True, similes=False)) == 4
    assert len(abbreviate(part("abcdabcd", sections, (cue,)), repeats=True, similes=False)) == 8


def test_similes_start_anew_with_each_section():
    chart = part("aaaaaa", (Section(0, "A"), Section(3, "B")))
    assert signs(abbreviate(chart)) == "n % % n % %"
    assert signs(abbreviate(chart, similes=False)) == "n n n n n n"


@SETTINGS
@given(st.text("ab.", min_size=2, max_size=24), st.sets(st.integers(0, 23), max_size=3), st.sampled_from([2, 4]))
def test_a_bar_like_the_one_before_it_is_a_sign_always(pattern, starts, longest):
    """But where a section, or the first bar after a rest, begins with notes."""
    chart = part(pattern, tuple(Section(k, "S") for k in starts if k < len(pattern)))
    printed = abbreviate(chart, multirests=False, longest_simile=longest)
    for k in range(1, len(pattern)):
        if pattern[k] == pattern[k - 1] != "." and k not in starts:
            assert printed[k].kind is not BarKind.NOTES, signs(printed)


def test_pairs_are_told_as_pairs_only_where_no_bar_is_told_singly():
    assert signs(abbreviate(part("abcbabababb"))) == "n n n n n n 2 2 n n %"


def test_similes_of_four_may_take_a_line_and_are_no_default():
    chart = part("abacabacabacabad")
    assert signs(abbreviate(chart)) == " ".join("n" * 16)
    four = abbreviate(chart, longest_simile=4)
    assert signs(four) == "n n n n 4 4 4 4 4 4 4 4 n n n n"
    assert [signs(line) for line in lay_lines(chart, four)][1:3] == ["4 4 4 4"] * 2
    assert all(signs(line).count("4") in (0, 4, 8) for line in lay_lines(chart, four, 3))
    data = musicxml_bytes(chart, ScoreOptions(longest_simile=4))
    assert b'<measure-repeat type="start">4</measure-repeat>' in data  # MusicXML 4.0: measure-repeat
    assert [b.pattern for b in read_musicxml_bytes(data).chart.bars] == [b.pattern for b in chart.bars]


def test_repeats_that_a_chart_keeps_are_those_shown():
    texts = (Text(0, Fraction(0), "\U0001d106"), Text(3, Fraction(0), "1."), Text(3, Fraction(0), "\U0001d107"))
    bars = abbreviate(part("abcdefgh", texts=(*texts, Text(4, Fraction(0), "2."))), repeats=True)
    assert [b.ending for b in bars[2:6]] == [(), (1,), (2,), ()]
    assert bars[0].opens_repeat and bars[3].closes_repeat and bars[4].opens_ending and bars[4].closes_ending


def test_pairs_become_similes_of_two():
    assert signs(abbreviate(part("abababcc"))) == "n n 2 2 2 2 n %"


def test_rests_are_gathered_within_sections_and_up_to_cues():
    chart = part("a.....", (Section(3, "B"),), (Text(5, Fraction(0), "soon"),))
    assert signs(abbreviate(chart)) == "n r2 r2 r1"
    assert signs(abbreviate(chart, multirests=False)) == "n n n n n n"


def test_repeat_with_endings_and_three_passes():
    printed = abbreviate(part("abcdabcdabce", (Section(0, "A"),)), repeats=True, similes=False)
    assert [(b.bar_index, b.ending) for b in printed] == [(0, ()), (1, ()), (2, ()), (3, (1, 2)), (11, (3,))]
    assert printed[0].opens_repeat and printed[3].closes_repeat and not printed[4].closes_repeat
    assert printed[3].passes == 3 and printed[1].heard == (1, 5, 9)


def test_a_section_played_again_is_folded_and_another_is_not():
    sections = (Section(0, "Verse", "A"), Section(4, "Verse", "A"), Section(8, "Chorus", "B"))
    printed = abbreviate(part("abcdabcdabcd", sections), repeats=True, similes=False)
    assert [b.bar_index for b in printed] == [0, 1, 2, 3, 8, 9, 10, 11]
    assert printed[3].closes_repeat and printed[3].passes == 2


def test_bars_that_are_all_alike_are_similes_not_repeats():
    assert signs(abbreviate(part("a" * 8), repeats=True)) == "n" + " %" * 7


def test_slashes_on_request():
    assert signs(abbreviate(part("abca"), slashes=(1, 2))) == "n / / n"


def test_lines_hold_four_bars_and_open_with_sections():
    chart = part("abcdefghijk", (Section(0, "A"), Section(6, "B")))
    lines = [[b.bar_index for b in line] for line in lay_lines(chart, abbreviate(chart))]
    assert lines == [[0, 1, 2, 3], [4, 5], [6, 7, 8, 9, 10]]


def test_dense_bars_take_more_room():
    bars = tuple(WrittenBar(tuple(Note(Fraction(k, 16), "snare", 90 + j) for k in range(16))) for j in range(8))
    chart = Chart(TimeMap.steady(8, 100), bars)
    assert [len(line) for line in lay_lines(chart, abbreviate(chart, similes=False))] == [2, 2, 2, 2]


def chart_of(*bars):
    return Chart(TimeMap.steady(len(bars), 100), bars)


GHOSTS = frozenset({"ghost"})
DENSE = WrittenBar(tuple(Note(Fraction(k, 32), "snare", 40, GHOSTS) for k in range(32)))
FLAMS = WrittenBar(tuple(Note(Fraction(k, 16), "snare", 90, frozenset({"flam"})) for k in range(16)))


def test_a_simile_that_opens_a_line_takes_the_room_of_its_notes():
    """It is written out there, and once lay over the bar beside it."""
    chart = chart_of(DENSE, DENSE, FLAMS)
    lines = lay_lines(chart, abbreviate(chart))
    assert [(len(line), signs(line)) for line in lines] == [(1, "n")] * 3


def test_bars_between_dense_ones_share_their_lines_evenly():
    """None of five is left alone on a line, stretched, because the sixth fills one."""
    light = [
        WrittenBar(tuple(Note(Fraction(k, 16), "closed hi-hat", 60 + k) for k in range(12 + j % 2))) for j in range(5)
    ]
    chart = chart_of(*light, DENSE, *light)
    assert [len(line) for line in lay_lines(chart, abbreviate(chart, similes=False))] == [3, 2, 1, 3, 2]


def test_a_line_opens_with_notes_and_counts_go_on():
    chart = part("a" * 8)
    lines = lay_lines(chart, abbreviate(chart))
    assert [signs(line) for line in lines] == ["n % % %", "n % % %"]
    assert [b.in_a_row for line in lines for b in line] == list(range(1, 9))


def test_heads_beside_each_other_need_room():
    """Snare and side stick stand on one place, so that one of them moves aside; snare and crash do not."""

    def weight(other):
        notes = (Note(Fraction(k, 8), name) for k in range(8) for name in ("snare", other))
        return bar_weight(Chart(TimeMap.steady(1, 120), (WrittenBar(tuple(notes)),)), PrintedBar(0, (0,)))

    assert weight("side stick") > weight("crash") == weight("kick")
