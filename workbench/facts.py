"""Results as what JSON can hold."""

from __future__ import annotations

from dataclasses import is_dataclass
from math import isfinite
from numbers import Integral
from typing import Any


def facts(thing: object, names: str, /, **more: Any) -> dict[str, Any]:
    """Fields of a result that a report tells, and what else it tells by names of its own.

    Parameters
    ----------
    thing : object
    names : str
        Of its fields, parted by blanks.
    **more
        Further values.

    Examples
    --------
    >>> from fractions import Fraction
    >>> facts(1 + 2j, "imag", at=Fraction(3, 8), times_s=(0.123456,))
    {'imag': 2.0, 'at': '3/8', 'times_s': [0.1235]}
    """
    return plain({name: getattr(thing, name) for name in names.split()} | more)


def plain(value: Any) -> Any:
    """A value as lists, dicts, numbers and texts: fractions and paths as text, fractional
    numbers with four digits, what is none as None."""
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, dict):
        return {key: plain(x) for key, x in value.items()}
    if is_dataclass(value):
        return plain(vars(value))
    if isinstance(value, (list, tuple)):
        return [plain(x) for x in value]
    if isinstance(value, float):
        return round(value, 4) if isfinite(value) else None
    return str(value)
