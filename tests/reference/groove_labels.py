"""What the labels of the Groove MIDI Dataset ask of a reading.

J. Gillick, A. Roberts, J. Engel, D. Eck, D. Bamman: Learning to Groove with
Inverse Sequence Transformations, ICML 2019; data CC BY 4.0.  All figures are
for the validation split, to which no coefficient was fitted.

Files labelled fill are short and files labelled beat long: the length alone
tells them apart (AUC 0.97).  So fills are compared with grooves bar for bar
(:mod:`workbench.training.fill_measures`), never file for file.
"""

from tests.parts import rebuilt
from workbench.reading.read import read_part
from workbench.training.groove_performances import performance_chart


def assert_readings_hold(performances):
    """Every bar is rebuilt; no performance labelled 'beat' is read as mostly fill."""
    for p in performances:
        chart = performance_chart(p)
        reading = read_part(chart)
        assert all(rebuilt(reading, k) == chart.bars[k].content for k in range(len(chart))), p.name
        if not p.is_fill and len(chart) >= 8:
            filled = {k for f in reading.fills for k in f.span.bars}
            assert len(filled) <= len(chart) / 2, p.name
