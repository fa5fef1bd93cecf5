"""Results as JSON: what comes out is what JSON can hold (RFC 8259, 6: no NaN, no infinities)."""

import json
from dataclasses import dataclass
from fractions import Fraction as F
from pathlib import PurePosixPath

import numpy as np
import pytest

from workbench.facts import facts, plain


@dataclass(frozen=True)
class Thing:
    name: str
    at: F
    times_s: tuple[float, ...]
    inner: object = None


def test_fields_by_name_and_more_beside_them():
    thing = Thing("kick", F(3, 8), (0.123456, 2.0), Thing("", F(0), ()))
    assert facts(thing, "name at", bars=(1, 2)) == {"name": "kick", "at": "3/8", "bars": [1, 2]}
    assert facts(thing, "inner times_s") == {
        "inner": {"name": "", "at": "0", "times_s": [], "inner": None},
        "times_s": [0.1235, 2.0],
    }


@pytest.mark.parametrize(
    "value, written",
    [
        (np.int64(3), "3"),
        (np.float64(0.25), "0.25"),
        (True, "true"),
        (float("nan"), "null"),
        (float("-inf"), "null"),
        (PurePosixPath("a/b"), '"a/b"'),
        ({"x": (F(1, 3),)}, '{"x": ["1/3"]}'),
    ],
)
def test_values(value, written):
    assert json.dumps(plain(value), allow_nan=False) == written
