"""Words of lessons in other languages: one plain table each (``languages/``), by the English text.

What a reading says of the music stays English.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from workbench.chart.counting import COUNT_SYSTEMS, USUAL_COUNT
from workbench.errors import WorkbenchError

_FOLDER = Path(__file__).parent / "languages"
#: Languages by their codes (ISO 639-1).
LANGUAGES: tuple[str, ...] = ("en", *sorted(p.stem for p in _FOLDER.glob("*.json")))


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
    note : str
        Who has reviewed them.
    """

    language: str = "en"
    counts: str = USUAL_COUNT
    texts: dict[str, str] = field(default_factory=dict)
    parts: dict[str, str] = field(default_factory=dict)
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
