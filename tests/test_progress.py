"""What is told of work that takes long."""

from io import StringIO

import pytest

from workbench.progress import TerminalProgress, part


class Terminal(StringIO):
    def isatty(self):
        return True


def test_a_step_tells_its_share_of_the_whole():
    told = []
    tell = part(lambda done, what: told.append((done, what)), 0.2, 0.6)
    for done in (-1.0, 0.0, 0.5, 1.0, 7.0):
        tell(done, "engraving")
    assert [d for d, _ in told] == pytest.approx([0.2, 0.2, 0.4, 0.6, 0.6]) and {w for _, w in told} == {"engraving"}
    part(None, 0, 1)(0.5, "nobody listens")


def test_a_terminal_gets_one_line_renewed():
    out = Terminal()
    tell = TerminalProgress(out)
    for done, what in ((0.0, "Reading the recording"), (0.5, "Writing"), (1.0, "Written")):
        tell(done, what)
    shown = out.getvalue().removesuffix("\n").split("\r")[1:]
    assert [line.split()[0] for line in shown] == ["0%", "50%", "100%"] and out.getvalue().count("\n") == 1
    assert len(shown[1]) >= len(shown[0])  # nothing of a longer line stays


def test_elsewhere_each_step_is_said_once():
    out = StringIO()
    tell = TerminalProgress(out)
    for k in range(10):
        tell(k / 9, "Reading" if k < 5 else "Writing")
    assert out.getvalue() == "Reading\nWriting\n"


def test_a_step_that_goes_on_is_not_silent_for_long(monkeypatch):
    out, clock = StringIO(), iter(range(0, 60, 4))
    monkeypatch.setattr("workbench.progress.time.monotonic", lambda: float(next(clock)))
    tell = TerminalProgress(out)
    for k in range(6):
        tell(k / 10, "Reading")
    lines = out.getvalue().splitlines()
    assert lines[0] == "Reading" and 1 < len(lines) < 6 and all("%" in line for line in lines[1:])
