"""Texts that others wrote, made harmless where they are shown: on a terminal, on a page of Markdown.

Titles, cues and file names come from strangers' files.  In HTML and XML the
libraries that write them escape; these two kinds of output have nobody else to do it.
"""

from __future__ import annotations

import re

#: What a terminal obeys instead of showing (C0 and C1 controls), what turns the direction of writing, and halves
#: of surrogate pairs, which no file can hold (Unicode categories Cc, Cf in part, Cs).
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
#: ASCII punctuation that Markdown may take for its own (CommonMark 0.31, 2.4); an underscore within a word is one.
_MARKUP = re.compile(r"[\\`*\[\]<>|~]|&(?=#|\w+;)|(?<!\w)_|_(?!\w)|^[#+=-]|^\d+(?=[.)])")


def whole_text(text: str) -> str:
    """A text in which every character is one: halves of surrogate pairs are joined or become U+FFFD.

    Examples
    --------
    >>> whole_text("Copper \\ud800Weather").isprintable()
    True
    """
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


def for_terminal(text: str) -> str:
    r"""A text whose control characters, line ends and tabs aside, are written out.

    Examples
    --------
    >>> print(for_terminal("Copper\x1b[31m Weather"))
    Copper\x1b[31m Weather
    """
    return _OBEYED.sub(lambda m: m[0].encode("unicode_escape").decode(), text)


def one_line(text: str, most: int = 300) -> str:
    r"""A text for a terminal in one line; what is longer than ``most`` characters loses its middle.

    Examples
    --------
    >>> one_line("Copper\n\x1b[31m  Weather"), one_line("Copper Weather", most=9)
    ('Copper \\x1b[31m Weather', 'Cop … her')
    """
    line = " ".join(for_terminal(text).split())
    tail = most // 3
    return line if len(line) <= most else f"{line[: most - tail - 3]} … {line[len(line) - tail :]}"


def for_markdown(text: str) -> str:
    r"""A text as one line of Markdown that shows it and does nothing else (no HTML, link, picture or heading).

    Examples
    --------
    >>> print(for_markdown("<b>Copper</b> [Weather](there)"))
    \<b\>Copper\</b\> \[Weather\](there)
    """
    line = " ".join(for_terminal(text).split())
    return _MARKUP.sub(lambda m: m[0] + "\\" if m[0].isdigit() else "\\" + m[0], line)
