"""Sentences of errors are fit for any terminal, whatever a file or a name held."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.errors import LONGEST_MESSAGE, ChartError
from workbench.escaping import one_line


@given(st.text(st.characters(exclude_categories=())))
def test_any_text_makes_one_short_line_that_can_be_encoded(text):
    said = str(ChartError(text))
    assert len(said) <= LONGEST_MESSAGE
    said.encode("utf-8")  # raises on half a character
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in said)


@pytest.mark.parametrize("text", ["Größe: 3 m², 98 %", "日本", "a 'b' — c…"])
def test_what_people_write_stays(text):
    assert one_line(text) == text


def test_what_to_do_stays_at_the_end_of_a_long_sentence():
    said = one_line("x" * 5000 + "; export it again.")
    assert said.endswith("; export it again.") and len(said) == LONGEST_MESSAGE
    assert len(one_line("\x1b" * 5000)) <= LONGEST_MESSAGE
