"""Shared by all tests: the run ends by listing the checks that carry no outside evidence."""

from collections import defaultdict

from hypothesis import settings

settings.register_profile("no clock", deadline=None)  # a busy machine is no fault of a test
settings.load_profile("no clock")

_WITHOUT_EVIDENCE = {"common_practice": "common practice, no source", "from_memory": "value from memory"}
_listed = defaultdict(list)


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
