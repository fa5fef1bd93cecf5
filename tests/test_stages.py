"""Exercises as data: without a recording the kit plays what was to be played to it."""

from workbench.practice.stages import TO_RECORDING, Exercise, Stage, without_recording

ALL = Stage("all", "all together", (4,))
SONG = Stage("song", "in the song", (3, 4, 5), record=True, loop=False)


def exercise(*stages):
    return Exercise("x", "X", "groove", "bar 5", 4, stages, (60.0,))


def test_a_step_to_the_recording_is_played_by_the_kit():
    as_played = Stage("record", "bars 5–8 as played" + TO_RECORDING, (4, 5, 6, 7), record=True)
    played = without_recording(exercise(ALL, as_played)).stages[1]
    assert (played.name, played.title, played.bars) == ("played", "bars 5–8 as played", (4, 5, 6, 7))


def test_it_is_left_out_where_it_would_say_nothing_new():
    same = Stage("record", "as played" + TO_RECORDING, (4,), record=True)
    assert without_recording(exercise(ALL, same)).stages == (ALL,)


def test_what_is_no_loop_to_a_recording_stays():
    assert without_recording(exercise(ALL, SONG)).stages == (ALL, SONG)
