"""How much work a job does, counted, so that no clock is asked."""

import sys
from collections.abc import Callable

#: Twice the input may cost so many times the lines: linear, with a little for sorting.
ABOUT_LINEAR = 2.15


def lines_run(job: Callable) -> int:
    """Lines of the product that run (each turn of a loop counts); what C code does inside is not seen."""
    count = 0

    def in_frame(frame, event, _):
        nonlocal count
        count += event == "line"
        return in_frame

    def on_call(frame, event, argument):
        return in_frame(frame, event, argument) if "/workbench/" in frame.f_code.co_filename else None

    job()  # what is kept for later is kept, whatever ran before
    before = sys.gettrace()
    sys.settrace(on_call)
    try:
        job()
    finally:
        sys.settrace(before)
    return count
