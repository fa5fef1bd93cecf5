"""Says which outside data the checks in this folder had, and which they lacked."""

import os

GROOVE_MIDI = "WORKBENCH_GROOVE_MIDI"

collect_ignore = [] if os.environ.get(GROOVE_MIDI) else ["test_groove_midi.py"]


def pytest_terminal_summary(terminalreporter):
    if collect_ignore:
        terminalreporter.section("outside data that was not there")
        terminalreporter.line(
            f"Groove MIDI Dataset: {GROOVE_MIDI} names no folder, so reference/test_groove_midi.py "
            "(the reading on 124 human performances) was left out; "
            "reference/test_groove_sample.py has 32 of them."
        )
