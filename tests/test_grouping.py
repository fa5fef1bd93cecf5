"""Gathering under keys, against itertools of the standard library."""

from itertools import groupby

from hypothesis import given
from hypothesis import strategies as st

from workbench.grouping import grouped


@given(st.lists(st.tuples(st.integers(0, 5), st.integers())))
def test_values_keep_their_order_under_their_keys(pairs):
    found = grouped(pairs)
    by_key = sorted(pairs, key=lambda pair: pair[0])  # a stable sort
    assert {k: [v for _, v in group] for k, group in groupby(by_key, key=lambda pair: pair[0])} == found
    assert list(found) == list(dict.fromkeys(k for k, _ in pairs))
