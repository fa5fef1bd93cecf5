"""The hearing caution says what the standard says.

NIOSH, *Criteria for a Recommended Standard: Occupational Noise Exposure*, Publication
No. 98-126 (1998), sections 1.1 and 1.1.1: the recommended exposure limit is 85 dBA as
an 8-hour time-weighted average with a 3-dB exchange rate, T = 480 / 2^((L − 85) / 3)
minutes (United States government work, public domain).
"""

import re

from workbench.practice.pages import HEARING, HEARING_SOURCE


def allowed_minutes(level_dba):
    return 480 / 2 ** ((level_dba - 85) / 3)


def test_levels_and_times_follow_the_exchange_rate():
    said = re.findall(r"(\d+) dBA (?:over|for) (\d+) (hours|minutes)", HEARING)
    assert len(said) == 3 and "every 3 dB more" in HEARING
    for level, time, unit in said:
        assert int(time) * {"hours": 60, "minutes": 1}[unit] == allowed_minutes(int(level))


def test_the_source_is_named():
    assert "NIOSH" in HEARING_SOURCE and "98-126" in HEARING_SOURCE
