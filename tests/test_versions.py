"""Two versions compared bar by bar."""

import pytest

from tests.parts import CRASHED, EMPTY, FILL, HALF, ROCK, bar, part
from workbench.chart.meter import Meter
from workbench.errors import ChartError
from workbench.reading.versions import MOST_COMPARED, compare_versions

STUDIO = [CRASHED, *[ROCK] * 6, FILL, *[HALF] * 8, CRASHED, *[ROCK] * 7]
BUSY = bar(H="x.x.x.x.x.x.x.o.", S="....x.......x...", K="x.......x.x.....")


def test_the_same_chart_has_no_changes():
    result = compare_versions(part(*STUDIO), part(*STUDIO))
    assert result.changes == () and result.same_bars == len(STUDIO) == len(result.pairs)


def test_what_changed_is_said_once_with_its_bars():
    live = list(STUDIO)
    for k in (2, 5, 18):
        live[k] = BUSY
    result = compare_versions(part(*STUDIO), part(*live, tempo_bpm=118))
    assert [(c.text, c.first_bars) for c in result.changes] == [("open hi-hat on the & of 4", (2, 5, 18))]
    assert result.lines()[1:] == (
        "the second is faster: 118 against 110 bpm",
        "bars 3, 6, 19: open hi-hat on the & of 4",
    )


def test_what_is_too_long_to_pair_is_refused():
    with pytest.raises(ChartError, match="2,001 bars"):
        compare_versions(part(*STUDIO), part(*[ROCK] * (MOST_COMPARED + 1)))


def test_bars_put_in_do_not_hide_what_follows():
    extra = [bar(F="xxxxxxxx", K="x...x...")] * 4
    live = [*STUDIO[:16], *extra, *STUDIO[16:]]
    live[21] = BUSY
    result = compare_versions(part(*STUDIO), part(*live))
    assert result.only_second == (16, 17, 18, 19) and result.only_first == ()
    assert (17, 21) in result.pairs
    assert "bars 17–20 of the second: not in the first version" in result.to_markdown()
    assert "bar 18 (bar 22 of the second): open hi-hat on the & of 4" in result.to_markdown()


def test_the_other_way_round_gains_become_losses():
    live = [*STUDIO[:8], *STUDIO[12:]]
    there, back = compare_versions(part(*STUDIO), part(*live)), compare_versions(part(*live), part(*STUDIO))
    assert len(there.only_first) == len(back.only_second) == 4
    assert there.only_second == back.only_first == ()


@pytest.mark.parametrize("other", [[EMPTY], [HALF] * 3, []])
def test_charts_of_any_length(other):
    result = compare_versions(part(*STUDIO), part(*(other or [ROCK])))
    told = {i for i, _ in result.pairs} | set(result.only_first)
    assert told == set(range(len(STUDIO)))
    assert result.to_data()["only_first"] == [k + 1 for k in result.only_first]


def test_another_meter_is_said():
    waltz = bar(Meter(3, 4), H="x.x.x.", S="..x...", K="x.....")
    result = compare_versions(part(waltz, waltz, meter=Meter(3, 4)), part(ROCK, ROCK))
    assert any("4/4 instead of 3/4" in c.text for c in result.changes) or result.only_first
