"""Shared by all tests: the run ends by listing the checks that carry no outside evidence."""

import os
from collections import defaultdict

import pytest
from hypothesis import HealthCheck, settings

from tests.grids import CHART
from tests.heard_once import FOLDER, STARTUP, install
from workbench.files.document import ChartDocument

NO_CLOCK = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no fault of a test
settings.register_profile("no clock", NO_CLOCK)
settings.register_profile("quick", NO_CLOCK, max_examples=10)
settings.load_profile("no clock")

_WITHOUT_EVIDENCE = {"common_practice": "common practice, no source", "from_memory": "value from memory"}
_listed = defaultdict(list)


#: What takes longest begins first, so that no process ends long after the others.
LONGEST = ("browser", "test_notebooks", "test_fuzz", "test_cluster", "test_examples")


def _rank(nodeid):
    return next((k for k, name in enumerate(LONGEST) if name in nodeid), len(LONGEST))


def pytest_collection_modifyitems(items):
    items.sort(key=lambda item: _rank(item.nodeid))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """A file to a process; all that share the browser to one."""
    from xdist.scheduler import LoadFileScheduling

    class Scheduling(LoadFileScheduling):
        def _split_scope(self, nodeid):
            return "browser" if nodeid.startswith("tests/browser/") else super()._split_scope(nodeid)

    return Scheduling(config, log)


def pytest_collection_finish(session):
    for item in session.items:
        for marker, meaning in _WITHOUT_EVIDENCE.items():
            if item.get_closest_marker(marker):
                _listed[meaning].append(item.nodeid)


def pytest_terminal_summary(terminalreporter):
    for meaning, nodeids in _listed.items():
        terminalreporter.section(f"checks without outside evidence: {meaning}")
        for nodeid in nodeids:
            terminalreporter.line(nodeid)


@pytest.fixture(scope="session", autouse=True)
def heard_once(tmp_path_factory):
    """A recording that is the same to the sample, such as the demo song, is heard once in a run, kernels included."""
    base = tmp_path_factory.getbasetemp()
    run = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    (run / "heard").mkdir(exist_ok=True)
    startup = base / "ipython" / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (startup / "heard_once.py").write_text(STARTUP)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(FOLDER, str(run / "heard"))
        patch.setenv("IPYTHONDIR", str(base / "ipython"))
        patch.setenv("MPLCONFIGDIR", str(base / "matplotlib"))  # as the first command in a process sets it for good
        install(patch.setattr)
        yield


@pytest.fixture
def document(tmp_path):
    """The chart of :mod:`tests.grids`, open for edits."""
    with ChartDocument.create(CHART, tmp_path / "song.chart.json") as document:
        yield document


@pytest.fixture
def grid(document):
    """A grid that keeps what it sends to its page."""
    from workbench.grid import HitGrid

    grid = HitGrid(document)
    grid.sent = []
    grid.send = lambda message, buffers=None: grid.sent.append((message, buffers))
    yield grid
    grid.close()
