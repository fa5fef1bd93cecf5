"""Questions to a catalogue."""

import pytest

from workbench.errors import WorkbenchError
from workbench.shelving.searching import MOST_TOLD, read_question, unknown_numbers, unknown_words

ROW = {
    "text": "enamel kettle\nthe night trams\n4/4\nhalf-time shuffle",
    "tempo_bpm": 92,
    "difficulty": None,
    "strokes": {"open hi-hat": ["& of 2", "& of 4"], "kick": ["1"], "ghost note": ["e of 2"]},
}


@pytest.mark.parametrize(
    "question, meant",
    [
        ("", True),
        ("shuffle", True),
        ("SHUFFLE Trams", True),
        ("shuffle waltz", False),
        ('"half-time shuffle"', True),
        ('"shuffle half-time"', False),
        ("tempo<100", True),
        ("tempo<92", False),
        ("tempo<=92 tempo>=92 tempo=92", True),
        ("tempo>92.5", False),
        ("difficulty<3", False),  # not known is not small
        ('"open hi-hat on the & of 4"', True),
        ('"Open Hi-Hat on & of 2"', True),
        ('"open hi-hat on 4"', False),
        ('"an open hi-hat on the & of 4"', True),
        ('"hi-hat on the & of 4"', True),
        ('"ghosts on the e of 2"', True),
        ('"ghost note on 2"', False),
        ("shuffles", True),
        ("kettles s", True),
        ('"kick on 1" shuffle tempo<100', True),
        ('"cowbell on 1"', False),
        ('""', True),
    ],
)
def test_all_that_is_asked_must_hold(question, meant):
    assert read_question(question)(ROW) is meant


@pytest.mark.parametrize("question", ["speed<100", "tempo<fast", "song=kettle"])
def test_what_is_no_number_is_not_compared(question):
    with pytest.raises(WorkbenchError, match="tempo, fills"):
        read_question(question)


ROWS = [ROW, {**ROW, "text": "tin roof\n3/4\nwaltz, shuffled 8ths\nstraight", "strokes": {}}]


def test_of_words_that_no_song_has_the_nearest_that_there_are_are_told():
    told = unknown_words("shufle tempo<100", ROWS)
    assert "“shufle”" in told and told.index("shuffle") < told.index("kettle")
    assert len(told.partition("are: ")[2].split(", ")) <= MOST_TOLD
    assert "kettle" in unknown_words("kettel", ROWS) and "hi-hat" not in unknown_words("kettel", ROWS[:0])


@pytest.mark.parametrize("question", ["", '""', "shuffles waltz", "tempo<1", '"half-time roof"', '"the kettle on 3"'])
def test_what_songs_have_is_known_though_none_has_all(question):
    assert unknown_words(question, ROWS) == ""


def test_a_stroke_without_quotation_marks_is_told_where_they_go():
    assert "quotation marks" in unknown_words("snare on the a of 4", ROWS)
    assert "quotation marks" not in unknown_words('zither "snare on the a of 4"', ROWS)


@pytest.mark.parametrize(
    "question, named",
    [
        ("difficulty<=2", ["kettle", "roof"]),
        ("difficulty<=2 waltz", ["roof"]),
        ('difficulty>4 "kick on 1" tempo<100', ["kettle"]),
        ("difficulty<=2 tempo>200", []),  # it would not be meant anyway
        ("difficulty<=2 zither", []),
        ("waltz tempo<100", []),
    ],
)
def test_songs_left_out_because_a_number_is_not_known_are_named(question, named):
    told = unknown_numbers(question, [{**row, "song": name} for row, name in zip(ROWS, ("kettle", "roof"))])
    assert [name for name in ("kettle", "roof") if name in told] == named and ("difficulty" in told) is bool(named)
    many = unknown_numbers("difficulty=1", [{**ROW, "song": f"song {k}"} for k in range(MOST_TOLD + 3)])
    assert f"song {MOST_TOLD - 1}" in many and f"song {MOST_TOLD}" not in many and "3 more" in many
