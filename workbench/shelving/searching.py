"""Finding songs in a catalogue: one small language for notebook, command line and page (``page/catalogue.js``).

A question is words and comparisons, all of which must hold: ``shuffle tempo<100``.  What stands in quotation marks
belongs together: ``"half-time shuffle"``.  A stroke is found by its place: ``"open hi-hat on the & of 4"``, and so
is one played in some way: ``"ghost note on the e of 2"``.  Words may be plural.
"""

from __future__ import annotations

import operator
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from workbench.errors import WorkbenchError

#: What can be compared, and the column it stands for.
NUMBERS_ASKED: dict[str, str] = {
    "length": "length_s",
    "bars": "bars",
    "tempo": "tempo_bpm",
    "fills": "fills",
    "difficulty": "difficulty",
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
_STROKE = re.compile(r"(?:an? )?(.+) on (?:the )?(.+)")
_WORD = re.compile(r"[\w'-]*[^\W\d_][\w'-]*")
#: Words of sentences, which nobody looks for.
SMALL_WORDS = frozenset({"and", "the", "with", "none", "not"})
#: So many words are told where one is not known.
MOST_TOLD = 8

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
            _holds(row["text"], quoted)
            or stroke is not None
            and any(stroke[2] in at for name, at in row["strokes"].items() if _holds(name, stroke[1]))
        )
    compared = _COMPARISON.fullmatch(word)
    if compared is None:
        return lambda row: _holds(row["text"], word)
    name, sign, number = compared.groups()
    try:
        column, value = NUMBERS_ASKED[name], float(number)
    except (KeyError, ValueError):
        raise WorkbenchError(
            f"{word!r} is nothing to search by: compare {', '.join(NUMBERS_ASKED)} with a number, such as tempo<100."
        ) from None
    return lambda row: row[column] is not None and _SIGNS[sign](row[column], value)


def unknown_numbers(question: str, rows: Iterable[Mapping[str, Any]]) -> str:
    """What to say of songs that were left out for a number that is not known of them; "" if there are none.

    Examples
    --------
    >>> unknown_numbers("difficulty<=2 ride", [{"song": "Tin Roof", "text": "ride", "difficulty": None}])
    'Left out, because no difficulty is known of it: Tin Roof.'
    """
    tests: list[tuple[str, Test]] = []
    for quoted, word in _TERM.findall(question.lower()):
        comparison = _COMPARISON.fullmatch(word)
        tests.append((comparison[1] if comparison else "", _term(quoted.strip(), word)))
    names, numbers = [], []
    for row in rows:
        unknown = [name for name, _ in tests if name and row[NUMBERS_ASKED[name]] is None]
        if unknown and all(name in unknown or test(row) for name, test in tests):
            names.append(row["song"])
            numbers += unknown
    if not names:
        return ""
    what = " or ".join(dict.fromkeys(numbers))
    more = f" and {len(names) - MOST_TOLD} more" if len(names) > MOST_TOLD else ""
    told = ", ".join(names[:MOST_TOLD])
    return f"Left out, because no {what} is known of {'it' if len(names) == 1 else 'them'}: {told}{more}."


def _holds(text: str, word: str) -> bool:
    """Whether a text has a word, or the one of which it is the plural."""
    return word in text or len(word) > 3 and word.endswith("s") and word[:-1] in text


def unknown_words(question: str, rows: Iterable[Mapping[str, Any]]) -> str:
    """What to say of words that no row has: with the words there are, the nearest first; "" if all are known.

    Examples
    --------
    >>> unknown_words("shufle tempo<100", [{"text": "half-time shuffle\\nkick"}])
    'No song here has “shufle”; nearest are: shuffle, half-time, kick.'
    """
    texts = [row["text"] for row in rows]
    asked: list[str] = []
    for quoted, word in _TERM.findall(question.lower()):
        stroke = _STROKE.fullmatch(quoted.strip())
        asked += (stroke[1] if stroke else quoted).split() or [word] * (_COMPARISON.fullmatch(word) is None)
    unknown = next((word for word in asked if not any(_holds(text, word) for text in texts)), None)
    if unknown is None or not texts:
        return ""
    loose = _TERM.sub(lambda term: "" if term[1] is not None else term[0], question)
    if " on " in loose:
        return 'A stroke and its place stand in quotation marks, such as "snare on the a of 4".'
    known = Counter(word for text in texts for word in set(_WORD.findall(text)) - SMALL_WORDS if len(word) > 2)
    told = sorted(known, key=lambda w: (-_likeness(w, unknown), -known[w], w))[:MOST_TOLD]
    return f"No song here has “{unknown}”; nearest are: {', '.join(told)}."


def _likeness(a: str, b: str) -> float:
    """Share of the pairs of letters that two words have in common (Dice's coefficient), 0–1."""
    of_a, of_b = ({w[k : k + 2] for k in range(len(w) - 1)} for w in (f" {a} ", f" {b} "))
    return 2 * len(of_a & of_b) / (len(of_a) + len(of_b))
