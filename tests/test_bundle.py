"""The page of the grid as one file."""

import pytest

from workbench.grid import bundle

pytestmark = pytest.mark.slow


def test_bundle_is_made_of_these_sources():
    for name in bundle.TARGETS:
        first = (bundle.HERE / "static" / name).read_text("utf8").splitlines()[0]
        assert bundle.source_sha256() in first, "run: python workbench/grid/bundle.py"
