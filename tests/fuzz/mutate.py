"""Damage to files: bytes of any kind, and values inside JSON, XML and tables."""

from __future__ import annotations

import json
import re
from random import Random

#: Texts where a number, a name or a position stands: numbers that grow, controls, halves of characters, markup.
HOSTILE = (
    "", " ", "0", "-1", "-0", "1e9999999", "1e-99999999", "1e308", "-1e308", "nan", "inf", "1/0", "3/7", "999999/1",
    "1/999999", "9" * 400, "2147483648", "18446744073709551616", "0.1e-400", "١٢", "²", "1_000", "0x10", "\x1b[2J",
    "\ud800", "\u202e", "\x00", "<b>&amp;</b>", "]]>", "$x_{$", "%s%n", "../../x", "x" * 3000, "\n\n", "true", "null",
)  # fmt: skip
#: Numbers written raw into JSON.
RAW = (
    "1e400",
    "-1e400",
    "NaN",
    "Infinity",
    "9" * 400,
    "1e-400",
    "-0.0",
    "123456789012345678901234567890",
    "1.5",
    "true",
)
#: Sizes and numbers as binary files write them.
_SIZES = (b"\x00", b"\xff", b"\x7f", b"\x80", b"\xff\xff", b"\x7f\xff", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff",
          b"\x80\x00\x00\x00", b"\xff\xff\xff\x7f", b"\x00\x00\x00\x00", b"\xff" * 8)  # fmt: skip


def damage(data: bytes, kind: str, rng: Random) -> bytes:
    """One to four kinds of damage to a file of a kind ("chart", "journal", "musicxml", "midi", "csv", "wav" …)."""
    ways = [_any_bytes] + {
        "chart": [_json] * 3,
        "message": [_json] * 9,
        "journal": [_lines, _json_line, _json_line],
        "musicxml": [_xml] * 3,
        "csv": [_table] * 3,
        "labels": [_table] * 3,
        "midi": [_head, _midi],
        "mxl": [_head],
    }.get(kind, [_head] * 2)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        data = rng.choice(ways)(data, rng)
    return data


def _any_bytes(data: bytes, rng: Random, most: int | None = None) -> bytes:
    size = max(len(data) if most is None else min(most, len(data)), 1)
    a, length = rng.randrange(size), rng.choice((1, 1, 2, 4, 8, 64, 1000))
    b = min(a + length, len(data))
    piece = data[a:b]
    way = rng.randrange(7)
    if way == 0:
        flipped = bytearray(data)
        for _ in range(rng.choice((1, 1, 4, 32))):
            if flipped:
                flipped[rng.randrange(min(size, len(flipped)))] ^= 1 << rng.randrange(8)
        return bytes(flipped)
    if way == 1:
        return data[:a] + data[b:]
    if way == 2:
        return data[:a] + piece * rng.choice((2, 2, 50)) + data[b:]
    if way == 3:
        return data[:a] + rng.randbytes(len(piece)) + data[b:]
    if way == 4:
        number = rng.choice(_SIZES)
        return data[:a] + number + data[a + len(number) :]
    if way == 5:
        return data[:a] + rng.choice(_SIZES) + data[a:]
    return data[:a]


def _head(data: bytes, rng: Random) -> bytes:
    """Damage where the sizes of a binary file stand."""
    return _any_bytes(data, rng, 120)


def _midi(data: bytes, rng: Random) -> bytes:
    """An event or a long time put in somewhere."""
    events = (
        b"\xff\xff\xff\x7f",  # the longest time
        b"\x00\xff\x51\x03\x00\x00\x00",  # tempi: endless, slowest
        b"\x00\xff\x51\x03\xff\xff\xff",
        b"\x00\xff\x58\x04\x01\x05\x18\x08",  # meters: 1/32, 255 over 2^255, 0/4
        b"\x00\xff\x58\x04\xff\xff\x00\x00",
        b"\x00\xff\x58\x04\x00\x02\x18\x08",
        b"\x00\xff\x06\x04\x1b[2J",  # a marker, a stroke, a message without end, an end of the track
        b"\x00\x99\x26\x7f",
        b"\x00\xf0\x7f",
        b"\x00\xff\x2f\x00",
    )
    a = rng.randrange(len(data) or 1)
    return data[:a] + rng.choice(events) * rng.choice((1, 1, 1, 20)) + data[a:]


# -- JSON ------------------------------------------------------------------------------------

#: Where people write freely, so that any text is right.
_WORDS = {"title", "artist", "name", "label", "text", "path"}


def _json(data: bytes, rng: Random) -> bytes:
    try:
        tree = json.loads(data)
        places = _places(tree)
        words = [p for p in places if p[1] in _WORDS]
        holder, key = rng.choice(words if words and rng.random() < 0.3 else places)
    except (ValueError, RecursionError, IndexError, TypeError):
        return _any_bytes(data, rng)
    marker = "\x01here\x01"
    way = rng.randrange(8)
    value = holder[key]
    if way == 0:
        del holder[key]
    elif way == 1 and isinstance(holder, list):
        holder.insert(key, value)
    elif way == 2:
        holder[key] = rng.choice(([], {}, None, True, [value], {"x": value}, [[[[]]]], -1, 0, 1.5))
    elif way == 3:
        other, where = rng.choice(places)
        try:
            holder[key], other[where] = other[where], value
        except (KeyError, IndexError):  # one lay inside the other
            pass
    elif way == 4 and isinstance(holder, dict):
        holder[rng.choice(HOSTILE)] = value
    elif way == 5:
        holder[key] = marker
    else:
        holder[key] = rng.choice(HOSTILE)
    try:
        text = json.dumps(tree, ensure_ascii=rng.random() < 0.5)
    except (ValueError, RecursionError):  # it holds itself now
        return _any_bytes(data, rng)
    raw = rng.choice((*RAW, "[" * 3000, '"\\ud800"'))
    return text.replace(json.dumps(marker), raw).encode("utf-8", "surrogatepass")


def _places(tree) -> list[tuple]:
    found, waiting = [], [tree]
    while waiting:
        node = waiting.pop()
        for key in list(node) if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ():
            found.append((node, key))
            waiting.append(node[key])
    return found


# -- lines and tables -----------------------------------------------------------------------------


def _lines(data: bytes, rng: Random) -> bytes:
    lines = data.split(b"\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    way = rng.randrange(4)
    if way == 0:
        del lines[a]
    elif way == 1:
        lines.insert(a, lines[b])
    elif way == 2:
        lines[a], lines[b] = lines[b], lines[a]
    else:
        lines[a] = lines[a][: rng.randrange(len(lines[a]) + 1)]
    return b"\n".join(lines)


def _json_line(data: bytes, rng: Random) -> bytes:
    lines = data.split(b"\n")
    a = rng.randrange(len(lines))
    lines[a] = _json(lines[a], rng).replace(b"\n", b" ")
    return b"\n".join(lines)


def _table(data: bytes, rng: Random) -> bytes:
    if rng.random() < 0.3:
        return _lines(data, rng)
    fields = re.split(rb"([,\t\n])", data)
    a = rng.randrange(len(fields))
    fields[a] = rng.choice(HOSTILE + ('"', "#", ",,", "\t\t", "1 ²")).encode("utf-8", "surrogatepass")
    return b"".join(fields)


# -- XML ----------------------------------------------------------------------------------------------

_VALUE = re.compile(rb">[^<>]+<|\"[^\"<>]*\"")
_ELEMENT = re.compile(rb"<(\w[\w-]*)\b[^<>]*(?:/>|>[^<>]*</\1>)")


def _xml(data: bytes, rng: Random) -> bytes:
    way = rng.randrange(5)
    if way == 4:
        return data.replace(b"UTF-8", rng.choice((b"UTF-16", b"x-none", b"latin-1", b"utf-7", b"cp437")), 1)
    found = list((_VALUE if way < 2 else _ELEMENT).finditer(data))
    if not found:
        return _any_bytes(data, rng)
    m = rng.choice(found)
    if way < 2:
        text = rng.choice(HOSTILE).encode("utf-8", "surrogatepass")
        if rng.random() < 0.8:
            text = text.replace(b"&", b"&amp;").replace(b"<", b"&lt;")
        return data[: m.start() + 1] + text + data[m.end() - 1 :]
    if way == 2:
        return data[: m.start()] + m[0] * rng.choice((0, 2, 2, 100)) + data[m.end() :]
    other = rng.choice(found)
    return data[: m.start()] + other[0] + data[m.end() :]
