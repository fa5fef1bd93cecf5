"""Exercises and the stages towards them, as data."""

from __future__ import annotations

from dataclasses import dataclass, replace

from workbench.chart import Chart, Mark


@dataclass(frozen=True)
class Stage:
    """One step of an exercise.

    Attributes
    ----------
    name : str
        For file names, unique in its exercise.
    title : str
    bars : tuple of int
        Bar indices of the chart, in the order played.
    instruments : frozenset of str or None
        Only these play; None means all.
    only : Mark or None
        Only what lies in it is played.
    record : bool
        Played to the recording (the bars are then consecutive).
    loop : bool
    version : str
        Name of what is made of the bars: an easier version (:mod:`workbench.practice.easier`) or a drill
        (:mod:`workbench.practice.drills`); "" for the bars themselves.
    """

    name: str
    title: str
    bars: tuple[int, ...]
    instruments: frozenset[str] | None = None
    only: Mark | None = None
    record: bool = False
    loop: bool = True
    version: str = ""


@dataclass(frozen=True)
class Exercise:
    """One thing to learn.

    Attributes
    ----------
    name, title : str
    kind : str
        From :data:`workbench.practice.exercises.EXERCISE_KINDS`.
    where : str
        Its bars in words.
    first_bar : int
        Where it first occurs, bar index.
    stages : tuple of Stage
    tempi_bpm : tuple of float
        Counted beats a minute, slow to original.
    listen_for : tuple of str
    count : str
        Count syllables of the strokes, bar by bar.
    warnings : tuple of str
        Places that cannot be played as written.
    cautions : tuple of str
        About strain.
    """

    name: str
    title: str
    kind: str
    where: str
    first_bar: int
    stages: tuple[Stage, ...]
    tempi_bpm: tuple[float, ...]
    listen_for: tuple[str, ...] = ()
    count: str = ""
    warnings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def whole_song(chart: Chart) -> Stage:
    """All bars, once."""
    return Stage("song", "the whole song", tuple(range(len(chart))), loop=False)


#: How the title of a step ends that is played to the recording.
TO_RECORDING = ", with the recording"


def without_recording(exercise: Exercise) -> Exercise:
    """The exercise where there is no recording: steps to it are played by the kit,
    as in the song, and left out where that would say nothing new."""
    stages: list[Stage] = []
    for s in exercise.stages:
        if s.record and s.title.endswith(TO_RECORDING):
            if any(t.bars == s.bars and t.instruments is None for t in stages):
                continue
            s = replace(s, name="played", title=s.title.removesuffix(TO_RECORDING))
        stages.append(s)
    return replace(exercise, stages=tuple(stages))
