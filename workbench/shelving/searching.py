"""Finding songs in a catalogue: one small language for notebook, command line and page (``page/catalogue.js``).

A question is words and comparisons, all of which must hold: ``shuffle tempo<100``.  What stands in quotation marks
belongs together: ``"half-time shuffle"``.  A stroke is found by its place: ``"open hi-hat on the & of 4"``.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Mapping
from typing import Any

from workbench.errors import WorkbenchError

#: What can be compared, and the column it stands for.
NUMBERS_ASKED: dict[str, str] = {
    "length": "length_s",
    "bars": "bars",
    "tempo": "tempo_bpm",
    "fills": "fills",
    "hardness": "hardness",
    "doubts": "doubts",
    "corrections": "corrections",
}
_SIGNS: dict[str, Callable[[Any, Any], bool]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
    "=": operator.eq,
}
_TERM = re.compile(r'"([^"]*)"|(\S+)')
_COMPARISON = re.compile(r"([a-z_]+)(<=|>=|<|>|=)(.+)")
_STROKE = re.compile(r"(.+) on (?:the )?(.+)")

#: Whether a row of the table of songs is meant.
Test = Callable[[Mapping[str, Any]], bool]


def read_question(question: str) -> Test:
    """What a question asks, as a test of a row.

    Raises
    ------
    WorkbenchError
        If something is compared that is no number of a song.

    Examples
    --------
    >>> test = read_question('shuffle tempo<100 "open hi-hat on the & of 4"')
    >>> row = {"text": "copper weather half-time shuffle", "tempo_bpm": 88, "strokes": {"open hi-hat": ["& of 4"]}}
    >>> test(row), test({**row, "tempo_bpm": 120})
    (True, False)
    """
    tests = [_term(quoted.strip().lower(), word.lower()) for quoted, word in _TERM.findall(question)]
    return lambda row: all(test(row) for test in tests)


def _term(quoted: str, word: str) -> Test:
    if quoted:
        stroke = _STROKE.fullmatch(quoted)
        return lambda row: (
            quoted in row["text"] or stroke is not None and stroke[2] in row["strokes"].get(stroke[1], ())
        )
    compared = _COMPARISON.fullmatch(word)
    if compared is None:
        return lambda row: word in row["text"]
    name, sign, number = compared.groups()
    try:
        column, value = NUMBERS_ASKED[name], float(number)
    except (KeyError, ValueError):
        raise WorkbenchError(f"{word!r} cannot be asked: compare {', '.join(NUMBERS_ASKED)} with a number.") from None
    return lambda row: row[column] is not None and _SIGNS[sign](row[column], value)
