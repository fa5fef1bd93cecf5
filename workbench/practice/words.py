"""Words of lessons in other languages: one plain table each (``languages/``), by the English text.

What a reading says of the music is built of few clauses, each with places for drums, counts, note values and numbers;
a table has them in the same way ("{drum} instead of {drum2} on {places}"), and :meth:`Words.music` goes through a
statement clause by clause.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from pathlib import Path
from typing import Any

from workbench.chart.counting import (
    COUNT_SYSTEMS,
    OTHER_SYLLABLE,
    PLACE_WORDS,
    SYLLABLES,
    USUAL_COUNT,
    VALUE_NAMES,
    capital,
)
from workbench.chart.drumkit import INSTRUMENTS, TIMEKEEPERS
from workbench.errors import WorkbenchError
from workbench.reading.variations import instrument_word

_FOLDER = Path(__file__).parent / "languages"
#: Languages by their codes (ISO 639-1).
LANGUAGES: tuple[str, ...] = ("en", *sorted(p.stem for p in _FOLDER.glob("*.json")))


def _one_of(words: Iterable[str]) -> str:
    return f"(?:{'|'.join(map(re.escape, sorted(words, key=lambda w: (-len(w), w))))})"


_DRUM = _one_of({w for i in INSTRUMENTS for w in (i.name, instrument_word(i.name))} | set(TIMEKEEPERS.values()))
_VALUE = rf"(?:{_one_of(VALUE_NAMES)}|notes of \d+(?:/\d+)? of a whole note)"
_SYLLABLE = _one_of({*SYLLABLES.values(), OTHER_SYLLABLE})
_WHICH = r"(?:\d\w\w|last)"
_WHICH_ONES = rf"{_WHICH}(?:(?:, {_WHICH})* and {_WHICH})?"
_TUPLET = r"(?:\d+\w\w-triplet|quintuplet|septuplet)"
#: The names of places between two counts, with any values in them.
_BETWEEN = "|".join(re.sub(r"\\{\w+\\}", r"\\w+", re.escape(words)) for words in PLACE_WORDS.values())
_PLACE = (
    rf"(?:(?:just (?:after|before) )?(?:\d+|the (?:next 1|{_BETWEEN}))|the last two triplets of \d+|"
    rf"the {_SYLLABLE}(?:, {_SYLLABLE})* and {_SYLLABLE} of \d+|\d+(?: {_SYLLABLE})+|"
    rf"the {_WHICH_ONES} {_TUPLET} notes of beat \d+)"
)
_JOINT = r"(?:, | and (?:on )?| \| )"
_WHOLE_SETS = rf"every (?:beat|e and a|{_SYLLABLE})|the last triplet of every beat|all {_VALUE}"
#: What stands in each place of a clause; a number after its name tells two of a kind apart.
_SLOTS = {
    "drum": _DRUM,
    "value": _VALUE,
    "syllable": _SYLLABLE,
    "syllables": rf"{_SYLLABLE}(?: {_SYLLABLE})*",
    "place": _PLACE,
    "places": rf"(?:(?:{_PLACE} and )?(?:{_WHOLE_SETS})(?: and {_PLACE})?|{_PLACE}(?:{_JOINT}{_PLACE})*)",
    "n": r"\d+",
    "bars": r"\d+(?:–\d+)?(?:, \d+(?:–\d+)?)*",
    "which": _WHICH_ONES,
    "tuplet": _TUPLET,
    "numbers": r"\d+(?: \+ \d+)*",
    "clause": ".+",
}


@dataclass(frozen=True)
class Words:
    """The texts of one language.

    Attributes
    ----------
    language : str
    counts : str
        How it counts, from :data:`workbench.chart.counting.COUNT_SYSTEMS`.
    texts : dict
        Whole texts by the English one, with places for values in braces.
    parts : dict
        Words in the titles of exercises, by the English ones.
    clauses : dict
        What is said of the music, by the English clauses.
    note : str
        Who has reviewed them.
    """

    language: str = "en"
    counts: str = USUAL_COUNT
    texts: dict[str, str] = field(default_factory=dict)
    parts: dict[str, str] = field(default_factory=dict)
    clauses: dict[str, str] = field(default_factory=dict)
    note: str = ""

    def __call__(self, text: str, **values: Any) -> str:
        """A text in this language.

        Examples
        --------
        >>> words_of("de")("Play"), words_of("en")("{n} bars", n=3)
        ('Abspielen', '3 bars')
        """
        return self.texts.get(text, text).format(**values) if values else self.texts.get(text, text)

    def title(self, text: str) -> str:
        """The title of an exercise or a step; names of sections stay as they are.

        Examples
        --------
        >>> words_of("es").title("A Verse: variation, bars 2, 6")
        'A Verse: variación, compases 2, 6'
        """
        if text in self.texts:
            return self.texts[text]
        section, colon, rest = text.rpartition(": ")
        for part, own in self.parts.items():
            rest = re.sub(rf"\b{re.escape(part)}\b", own, rest)
        return section + colon + rest

    def music(self, sentence: str) -> str:
        """What a reading says of the music; a user's own words stay as they are.

        Examples
        --------
        >>> words_of("de").music("Backbeat on 2 and 4; kick on 1, the & of 3.")
        'Backbeat auf 2 und 4; Bassdrum auf 1, 3+.'
        """
        if sentence in self.texts:
            return self.texts[sentence]
        text = sentence.removesuffix(".")
        own = next(filter(None, map(self._clause, (text, text[:1].lower() + text[1:]))), None) if self.clauses else None
        return sentence if own is None else capital(own) + sentence[len(text) :]

    def _clause(self, text: str) -> str | None:
        """A clause in this language; None if no row of its table, nor two joined, say it."""
        if text not in self._said:
            self._said[text] = None
            self._said[text] = self._by_table(text) or self._in_two(text)
        return self._said[text]

    def _by_table(self, text: str) -> str | None:
        if re.fullmatch(r"\d+(?:[/–]\d+)?", text):
            return text
        for pattern, own in self._patterns:
            if found := pattern.fullmatch(text):
                said = {name: self._clause(value) for name, value in found.groupdict().items()}
                if None not in said.values():
                    return own.format(**said)
        return None

    def _in_two(self, text: str) -> str | None:
        for found in re.finditer(r"; |, | \| | → | and on | and |: | \+ | ", text):
            first, then = self._clause(text[: found.start()]), None
            if first is not None and (then := self._clause(text[found.end() :])) is not None:
                return first + self.clauses.get(found[0], found[0]) + then
        return None

    @cached_property
    def _said(self) -> dict[str, str | None]:
        syllables = {own: COUNT_SYSTEMS[self.counts].get(part, own) for part, own in SYLLABLES.items()}
        return {**syllables, OTHER_SYLLABLE: OTHER_SYLLABLE}

    @cached_property
    def _patterns(self) -> list[tuple[re.Pattern[str], str]]:
        """Rows of the table as patterns, those that say most themselves first."""

        def slot(found: re.Match[str]) -> str:
            return f"(?P<{found[1]}>{_SLOTS[found[1].rstrip('23')]})"

        rows = sorted(self.clauses.items(), key=lambda row: -len(re.sub(r"{\w+}", "", row[0])))
        return [(re.compile(re.sub(r"\\{(\w+)\\}", slot, re.escape(text))), own) for text, own in rows]


ENGLISH = Words()


def words_of(language: str, counts: str | None = None) -> Words:
    """The words of a language; it counts as it usually does, or as named.

    Raises
    ------
    WorkbenchError
        If there is no table of it, or no such way to count.
    """
    words = _table(language)
    if counts is not None and counts not in COUNT_SYSTEMS:
        raise WorkbenchError(f"Lessons are counted {', '.join(COUNT_SYSTEMS)}, not {counts!r}.")
    return words if counts is None else replace(words, counts=counts)


@cache
def _table(language: str) -> Words:
    if language not in LANGUAGES:
        raise WorkbenchError(f"Lessons are written in {', '.join(LANGUAGES)}, not {language!r}.")
    if language == "en":
        return ENGLISH
    return Words(language, **json.loads((_FOLDER / f"{language}.json").read_text("utf-8")))
