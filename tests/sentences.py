"""What every refusal must be, whatever was read."""

import re

import pytest

from workbench.errors import WorkbenchError


def sentence_of(read, *args) -> str:
    """What a reader's refusal says: one line of ours, at most 300 characters, that a terminal can show."""
    with pytest.raises(WorkbenchError) as caught:
        read(*args)
    said = str(caught.value)
    assert said and len(said) <= 300 and said.isprintable(), said
    assert not re.search(r"Traceback|Errno|invalid literal|codec|unexpected|could not convert|Error\b", said), said
    return said


def says(text: str, *facts: str) -> bool:
    """Whether a text tells these facts, in this order, however it is worded between."""
    return re.search(".*?".join(rf"(?<!\w){re.escape(fact)}" for fact in facts), text, re.DOTALL) is not None
