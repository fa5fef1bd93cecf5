"""A lesson from a part: what to learn in which order and why, how long, up to which tempo; and one file to hand over.

The order is that of the trade (common practice of teaching, no source): first the form, then the groove that fills
most of the song with its easier versions, its variations, the fills from the easiest on, the other grooves, each with
its own, and last the song.  What several sections have in common is one item.  Every item counts in the same few
tempi, round metronome marks up to the song's own.

Its page is written by :mod:`workbench.practice.lessonpage`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.chart import Chart
from workbench.chart.counting import bar_list, capital
from workbench.errors import ChartError
from workbench.grouping import grouped
from workbench.practice.exercises import bars_playing, choose_exercises, untaught_learnt, untaught_told
from workbench.practice.stagecharts import with_sticking
from workbench.practice.stages import Exercise, without_recording
from workbench.practice.tempi import WATCHABLE_PER_S, metronome_mark, printed_tempi_bpm, song_tempo_bpm, watched_per_s
from workbench.practice.words import ENGLISH, Words
from workbench.reading.fill_reading import DIFFICULTY
from workbench.reading.part_reading import PartReading

if TYPE_CHECKING:
    import pandas

# Numbers whose origin is not named: chosen by eye, no source.
#: Shares of the song's tempo that become the lesson's tempi before the song's own.
TEMPO_SHARES = (0.5, 0.6, 0.7, 0.8, 0.9)
#: Minutes for each kind of item; a fill takes so many more for each step of its difficulty.
MINUTES = {"form": 5, "groove": 10, "variation": 5, "fill": 5, "song": 10}
MINUTES_HARDER = 2
#: A lesson that lasts longer is taken in several sessions, minutes (common practice, no source).
SESSION_MINUTES = 45
#: A variation that comes less often is learnt with the song.
FEWEST_TIMES = 2

#: How to learn a fill, by whether anything comes before it and after it.
FILL_WAYS = {
    (True, True): "It comes in {where}. Play it alone, then out of the groove, then into what follows.",
    (False, True): "It comes in {where}. Play it alone, then into what follows.",
    (True, False): "It comes in {where}. Play it alone, then out of the groove.",
    (False, False): "It comes in {where}. Play it until it is steady.",
}


@dataclass(frozen=True)
class LessonItem:
    """One thing to work on.

    Attributes
    ----------
    title, why : str
    minutes : int
    start_bpm, goal_bpm : int
        Among the lesson's tempi.
    exercise : Exercise or None
        None for the form and the whole song.
    comment : str
        A teacher's words for the student.
    """

    title: str
    why: str
    minutes: int
    start_bpm: int
    goal_bpm: int
    exercise: Exercise | None = None
    comment: str = ""


@dataclass(frozen=True)
class Lesson:
    """A lesson plan; :meth:`changed` and :meth:`of` make another of it.

    Attributes
    ----------
    chart : Chart
        With the sticking written in.
    title, student, date, teacher : str
    items : tuple of LessonItem
    tempi_bpm : tuple of int
        Metronome marks common to all items, and the tempi that the score prints.
    notes : tuple of str
        What the teacher should know: what it leaves out, and why.
    left_out : str
        The same as its page tells it to the student.
    recording : Path or None
        That the bars lie on; its page then plays it too.
    dispute : str
        What the recording speaks for against the chart's bars, if it does: to be settled before the lesson.
    words : Words
        The language of its page, and how it counts.

    Examples
    --------
    >>> import workbench as wb
    >>> lesson = wb.lesson(wb.demo_song(what="chart"))
    >>> lesson.items[0].title, lesson.items[-1].title
    ('The form', 'The song')
    """

    chart: Chart
    title: str
    items: tuple[LessonItem, ...]
    tempi_bpm: tuple[int, ...]
    student: str = ""
    date: str = ""
    teacher: str = ""
    notes: tuple[str, ...] = ()
    left_out: str = ""
    recording: Path | None = None
    dispute: str = ""
    words: Words = ENGLISH

    @property
    def minutes(self) -> int:
        """Of all items."""
        return sum(item.minutes for item in self.items)

    @property
    def sessions(self) -> tuple[tuple[int, int], ...]:
        """First and last item of each session it is taken in, numbered from 1: as few as it takes, about as long."""
        count = math.ceil(self.minutes / SESSION_MINUTES)
        share, done, of_session = self.minutes / max(count, 1), 0, defaultdict(list)
        for number, item in enumerate(self.items, 1):
            of_session[int((done + item.minutes / 2) / share) if share else 0].append(number)
            done += item.minutes
        return tuple((numbers[0], numbers[-1]) for numbers in of_session.values())

    @property
    def overview(self) -> str:
        """How much it is, and how to take it where that is more than one session, in its language.

        Examples
        --------
        >>> import workbench as wb
        >>> print(wb.lesson(wb.demo_song(what="chart")).overview)
        13 items, 101 minutes in all: take them in 3 sessions (items 1–4, 5–8, 9–13), or choose fewer.
        """
        sessions = [str(a) if a == b else f"{a}–{b}" for a, b in self.sessions]
        if len(sessions) < 2:
            return self.words("{n} items, {minutes} minutes in all.", n=len(self.items), minutes=self.minutes)
        return self.words(
            "{n} items, {minutes} minutes in all: take them in {sessions} sessions (items {items}), or choose fewer.",
            n=len(self.items),
            minutes=self.minutes,
            sessions=len(sessions),
            items=", ".join(sessions),
        )

    def changed(self, item: int | None = None, **changes: Any) -> Lesson:
        """The lesson with other attributes, or with those of one item changed (numbered from 1).

        Raises
        ------
        ChartError
            If there is no such item, or the lesson or item has nothing of that name to change.

        Examples
        --------
        >>> import workbench as wb
        >>> lesson = wb.lesson(wb.demo_song(what="chart")).changed(student="Ana").changed(2, minutes=15)
        >>> lesson.student, lesson.items[1].minutes
        ('Ana', 15)
        """
        own = self if item is None else self._item(item)
        unknown = set(changes) - {f.name for f in fields(own)}
        if unknown:
            raise ChartError(f"A lesson {'' if item is None else 'item '}has no {sorted(unknown)[0]!r} to change.")
        if item is None:
            return replace(self, **changes)
        items = list(self.items)
        items[item - 1] = replace(items[item - 1], **changes)
        return replace(self, items=tuple(items))

    def of(self, numbers: Sequence[int]) -> Lesson:
        """The lesson with only these of its items (numbered from 1), in this order."""
        return replace(self, items=tuple(self._item(n) for n in numbers))

    def own_tempo_bpm(self, item: LessonItem) -> int:
        """The tempo that the score prints for an item's bars, at which the record sounds as it is."""
        if item.exercise is None:
            return song_tempo_bpm(self.chart)
        return printed_tempi_bpm(self.chart)[item.exercise.first_bar]

    def tempo_said(self, item: LessonItem, bpm: int) -> str:
        """One of its tempi in words: an item's own is no mark of a metronome, but the one to arrive at."""
        if bpm != self.own_tempo_bpm(item):
            return str(bpm)
        if self.recording is None and self.chart.recording is None:
            return self.words("{bpm}, the song's tempo", bpm=bpm)
        return self.words("{bpm}, the record's tempo", bpm=bpm)

    def _item(self, number: int) -> LessonItem:
        if not 1 <= number <= len(self.items):
            raise ChartError(f"The lesson has items 1 to {len(self.items)}, no item {number}.")
        return self.items[number - 1]

    @property
    def table(self) -> pandas.DataFrame:
        """Title, minutes, tempi, steps and comment of each item, numbered from 1."""
        import pandas

        rows = [
            (
                i.title,
                i.minutes,
                i.start_bpm,
                i.goal_bpm,
                ", ".join(s.title for s in i.exercise.stages) if i.exercise else "",
                i.comment,
            )
            for i in self.items
        ]
        columns = ["item", "minutes", "start_bpm", "goal_bpm", "steps", "comment"]
        return pandas.DataFrame(rows, columns=columns, index=range(1, len(rows) + 1))

    def _repr_html_(self) -> str:
        return f"<p>{escape(self.overview)}</p>{self.table.to_html()}"

    def to_data(self) -> dict[str, Any]:
        """The plan as what JSON can hold."""
        return {
            "title": self.title,
            "tempi_bpm": list(self.tempi_bpm),
            "minutes": self.minutes,
            "sessions": [list(s) for s in self.sessions],
            "items": [
                {
                    "title": i.title,
                    "why": i.why,
                    "minutes": i.minutes,
                    "start_bpm": i.start_bpm,
                    "goal_bpm": i.goal_bpm,
                    "comment": i.comment,
                    "steps": [s.title for s in i.exercise.stages] if i.exercise else [],
                }
                for i in self.items
            ],
            "dispute": self.dispute,
            "notes": list(self.notes),
            "recording": self.recording and str(self.recording),
        }


def plan_lesson(reading: PartReading, recording: Path | None = None, words: Words = ENGLISH) -> Lesson:
    """A lesson from what a part is made of, and the recording that the part lies on.

    Raises
    ------
    ChartError
        If the part has nothing to learn.
    """
    chart = reading.chart
    exercises = [without_recording(e) for e in choose_exercises(reading, more_steps=True)]
    if not exercises:
        raise ChartError("There is nothing to learn: the chart has no grooves, variations or fills that are sure.")
    printed = printed_tempi_bpm(chart)
    where = {e: _bars_of(reading, e) for e in exercises}
    song_bpm, own_bpm = song_tempo_bpm(chart), {e: printed[e.first_bar] for e in exercises}
    goals = {song_bpm, *own_bpm.values()}
    tempi = sorted(goals | {m for m in (metronome_mark(s * song_bpm) for s in TEMPO_SHARES) if m < max(goals)})
    grooves = sorted((e for e in exercises if e.kind == "groove"), key=lambda e: -len(where[e]))
    varied = [e for e in exercises if e.kind == "variation" and len(where[e]) >= FEWEST_TIMES]
    of = grouped((next((g for g in grooves if _varies(reading, e, g)), None), e) for e in varied)
    first, *others = [[g, *of.get(g, ())] for g in grooves] or [[]]
    order = [*first, *of.get(None, ()), *_by_difficulty(reading, exercises), *(e for more in others for e in more)]
    items = [
        _form_item(reading, song_bpm, words),
        *(_item(reading, e, [t for t in tempi if t <= own_bpm[e]], where[e], words) for e in order),
    ]
    items.append(
        LessonItem(
            words("The song"),
            words("Play from section to section without stopping. Start at a tempo at which no bar trips you up."),
            MINUTES["song"],
            tempi[(tempi.index(song_bpm) + 1) // 2],
            song_bpm,
        )
    )
    title = chart.title or words("Drum part")
    return Lesson(
        with_sticking(reading),
        title,
        tuple(items),
        tuple(tempi),
        notes=(*untaught_told(reading, words), *_once_told(reading, order, where, words)),
        left_out=untaught_learnt(reading, words),
        recording=recording,
        dispute=reading.dispute,
        words=words,
    )


def _varies(reading: PartReading, variation: Exercise, groove: Exercise) -> bool:
    """Whether a variation is one of a groove: it is played in turn with a bar of it."""
    bars = reading.chart.bars
    own = {bars[k].pattern for s in groove.stages if not s.record for k in s.bars}
    return any(bars[s.bars[0]].pattern in own for s in variation.stages if len(s.bars) > 1)


def _once_told(
    reading: PartReading, taught: Sequence[Exercise], where: Mapping[Exercise, Sequence[int]], words: Words
) -> tuple[str, ...]:
    """Which sure changes have no item of their own, though they might be fills to the teacher, and why not."""
    bars = {k for v in reading.variations if v.grounds.is_plain for k in v.bars}
    bars -= {k for v in reading.variations if not v.grounds.is_plain for k in v.bars}
    bars -= {k for f in reading.fills for k in f.span.bars}
    bars -= {k for e in taught if e.kind == "variation" for k in where[e]}
    if not bars:
        return ()
    where_said = words.title(bar_list(reading.chart.time_map, bars))
    said = (
        words("Learnt with the song: the changes of {bars}, which come but once and are no fills.", bars=where_said),
        words("To teach one by itself, mark it as a fill in the grid (Shift+F)."),
    )
    return (" ".join(said),)


def _by_difficulty(reading: PartReading, exercises: Sequence[Exercise]) -> list[Exercise]:
    """Fills from the easiest on, those alike in the order of the song."""
    return sorted((e for e in exercises if e.kind == "fill"), key=lambda e: (_difficulty(reading, e), e.first_bar))


def _difficulty(reading: PartReading, exercise: Exercise) -> int:
    return max((f.difficulty for f in reading.fills if f.span.start[0] == exercise.first_bar), default=1)


def _bars_of(reading: PartReading, exercise: Exercise) -> tuple[int, ...]:
    """Where in the song an exercise occurs."""
    if exercise.kind == "groove":
        return bars_playing(reading, exercise.first_bar)
    if exercise.kind == "fill":
        kind = next((f.kind for f in reading.fills if f.span.start[0] == exercise.first_bar), None)
        return tuple(k for f in reading.fills if f.kind == kind for k in f.span.bars)
    return tuple(k for k in range(len(reading.chart)) if reading.chart.bars[k].pattern == _pattern(reading, exercise))


def _numbered(chart: Chart) -> list[int]:
    """All bars but a pick-up."""
    return [k for k in range(len(chart)) if chart.time_map.bar_number(k)]


def _pattern(reading: PartReading, exercise: Exercise) -> frozenset:
    return reading.chart.bars[exercise.first_bar].pattern


def _form_item(reading: PartReading, song_bpm: int, words: Words) -> LessonItem:
    names = [" ".join(t for t in (s.label, s.name) if t) or words("no drums") for s in reading.sections]
    listen = (
        words("Listen once and count the bars aloud; say each section's name as it begins.")
        if len(names) > 1
        else words("Listen once and count the bars aloud.")
    )
    return LessonItem(words("The form"), f"{' – '.join(names)}. {listen}", MINUTES["form"], song_bpm, song_bpm)


def _item(
    reading: PartReading, exercise: Exercise, tempi: Sequence[int], bars: Sequence[int], words: Words
) -> LessonItem:
    chart, minutes = reading.chart, MINUTES[exercise.kind]
    where = words.title(exercise.where.replace("pick-up", "the pick-up", 1))
    own, every = reading.groove_at(exercise.first_bar), len(_numbered(chart))
    varied = len({k for v in reading.variations for k in v.bars}.intersection(bars))
    groove = _how_often(len(bars), varied, every, words)
    steady = words("Play four bars in a row without a slip before you raise the tempo.")
    if own is not None and own.free:
        groove = words("{bars} of the {all} bars are played freely; this one is typical.", bars=len(bars), all=every)
        steady = words("Learn it, then make up your own around it.")
    steps = [s.name for s in exercise.stages]
    why = {
        "groove": f"{groove} {steady}",
        "variation": words(
            "It comes in {where}. Alternate it with the groove until you no longer have to think.", where=where
        ),
        "fill": words(FILL_WAYS["setup" in steps, "landing" in steps], where=where),
    }[exercise.kind]
    if exercise.kind == "groove" and own is not None and own.others:
        why += " " + words("Other songs with this groove: {songs}.", songs=own.others)
    if exercise.kind == "fill":
        difficulty = _difficulty(reading, exercise)
        minutes += MINUTES_HARDER * (difficulty - 1)
        why = f"{capital(words(DIFFICULTY[difficulty]))}. {why}"
    # How hard it is stands above already, unless there is a reason to tell with it.
    told = (text for text in exercise.listen_for if text.removesuffix(".").lower() not in DIFFICULTY)
    said = tuple(map(words.music, told))
    # The busiest moment can be watched at the tempo to begin with.
    fastest = tempi[-1] * WATCHABLE_PER_S / max(watched_per_s(chart, exercise.stages[0].bars), 1e-9)
    start = max((t for t in tempi if t <= fastest), default=tempi[0])
    return LessonItem(
        words.title(exercise.title),
        why,
        minutes,
        min(start, tempi[-2] if len(tempi) > 1 else start),
        tempi[-1],
        replace(exercise, listen_for=said),
    )


def _how_often(bars: int, varied: int, every: int, words: Words) -> str:
    """How many bars play a groove, and how many of them not exactly as it stands."""
    if not varied:
        if bars == every:
            return words("This groove goes through all {all} bars.", all=every)
        return words("{bars} of the {all} bars play this groove.", bars=bars, all=every)
    exact = bars - varied
    if bars == every:
        return words(
            "This groove goes through all {all} bars: {exact} exactly as here, {varied} with changes.",
            all=every,
            exact=exact,
            varied=varied,
        )
    return words(
        "{bars} of the {all} bars go by this groove: {exact} exactly as here, {varied} with changes.",
        bars=bars,
        all=every,
        exact=exact,
        varied=varied,
    )


def lesson_lines(lesson: Lesson) -> list[str]:
    """The plan in lines, for a terminal; first what is to be settled before it, and how much it is."""
    tempi = [
        # An arrow is read in every language.
        "♩ = " + " → ".join(lesson.tempo_said(i, t) for t in dict.fromkeys((i.start_bpm, i.goal_bpm)))
        for i in lesson.items
    ]
    items = [f"{k}. {i.title} ({i.minutes} min, {t})" for k, (i, t) in enumerate(zip(lesson.items, tempi), 1)]
    return [*filter(None, [lesson.dispute]), lesson.overview, *items]
