"""Gathering what belongs together."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from typing import TypeVar

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


def grouped(pairs: Iterable[tuple[Key, Value]]) -> dict[Key, list[Value]]:
    """Values under their keys, both in order of appearance.

    Examples
    --------
    >>> grouped([("kick", 1), ("snare", 2), ("kick", 3)])
    {'kick': [1, 3], 'snare': [2]}
    """
    groups: dict[Key, list[Value]] = {}
    for key, value in pairs:
        groups.setdefault(key, []).append(value)
    return groups
