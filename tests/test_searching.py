"""Questions to a catalogue."""

import pytest

from workbench.errors import WorkbenchError
from workbench.shelving.searching import read_question

ROW = {
    "text": "enamel kettle\nthe night trams\n4/4\nhalf-time shuffle",
    "tempo_bpm": 92,
    "hardness": None,
    "strokes": {"open hi-hat": ["& of 2", "& of 4"], "kick": ["1"]},
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
        ("hardness<3", False),  # not known is not small
        ('"open hi-hat on the & of 4"', True),
        ('"Open Hi-Hat on & of 2"', True),
        ('"open hi-hat on 4"', False),
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
