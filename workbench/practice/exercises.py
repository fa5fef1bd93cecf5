"""What to practise of a part: grooves in layers, variations, fills in stages.

An exercise (:mod:`workbench.practice.stages`) is one thing to learn; its stages
are the steps towards it.  They are chosen from a reading (:mod:`workbench.reading.read`), by
common practice of teaching, no source:

* a groove: hands alone, feet alone, all together, then some bars as played,
  to the recording;
* a variation: the groove's bar and the changed bar in turn;
* a fill: alone, with the bar before it, into the next section, in the song.

Tempi go by density: slow is where the busiest moment has no more strokes a
second than a learner can watch.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from workbench.chart import Chart, Mark, is_doubtful
from workbench.chart.counting import and_list, bar_list, bar_words, capital, count_rows
from workbench.chart.drumkit import INSTRUMENTS, drum_key_order, instrument
from workbench.errors import ChartError
from workbench.grouping import grouped
from workbench.practice.drills import drills_of
from workbench.practice.easier import easier_steps
from workbench.practice.stagecharts import stage_notes
from workbench.practice.stages import TO_RECORDING, Exercise, Stage
from workbench.practice.tempi import STRAINING_PER_S, check_tempi, default_tempi_bpm, printed_tempi_bpm, strokes_per_s
from workbench.practice.words import ENGLISH, Words
from workbench.reading.doubts import LISTEN_FIRST
from workbench.reading.fill_reading import Fill
from workbench.reading.fills import notes_between
from workbench.reading.part_reading import PartGroove, PartReading
from workbench.reading.sticking import Flag, propose_sticking

EXERCISE_KINDS: tuple[str, ...] = ("groove", "variation", "fill")
#: Families of the drum key that may be named for all their instruments.
FAMILIES: tuple[str, ...] = ("hi-hat", "tom", "cymbal")
#: What a student does with what is to be listened to first.
LISTEN_FIRST_LEARNING = (
    "Listen first: it is not certain that these strokes are played so. "
    "Hear the bars on the record before you learn them."
)
#: What a student should know of bars that a teacher has still to settle.
DISPUTE_LEARNING = (
    "Not settled yet: the bars may lie otherwise than they are counted here. Ask your teacher before you learn by them."
)
# Numbers whose origin is not named: chosen by eye, no source.
#: Bars of a groove played to the recording; bars around a fill in the song.
SONG_BARS, AROUND_FILL_BARS = 4, 2
#: Variations taken of one groove: the most frequent.
MOST_VARIATIONS = 4
#: Runs of doubtful bars that an error names.
MOST_RUNS_NAMED = 3


def choose_exercises(
    reading: PartReading,
    kinds: Collection[str] = EXERCISE_KINDS,
    sections: Collection[str] | None = None,
    tempi: Sequence[float] | None = None,
    instruments: Sequence[str] | None = None,
    more_steps: bool = False,
    within: Collection[int] | None = None,
) -> tuple[Exercise, ...]:
    """Exercises for a whole part, or what lies ``within`` some bars, in the order of the song; see
    :func:`workbench.exercises`.

    ``instruments`` are as :func:`instruments_named` takes them; ``more_steps`` are easier versions and drills.

    Raises
    ------
    ChartError
        If a kind, section or instrument does not exist, a tempo is out of range,
        or none of the instruments plays in any of the exercises.
    """
    for kind in kinds:
        if kind not in EXERCISE_KINDS:
            raise ChartError(f"Exercises are made of {', '.join(EXERCISE_KINDS)}, not of {kind!r}.")
    if not kinds:
        raise ChartError(f"Name what exercises are made of: {', '.join(EXERCISE_KINDS)}.")
    check_tempi(tempi)
    if instruments is not None:
        instruments_named(instruments)
    bars = _bars_of(reading, sections)
    bars = bars if within is None else bars.intersection(within)
    found = []
    if "groove" in kinds:
        heard = [g for g in reading.grooves if bars.intersection(_without_fills(reading, g))]
        found += [_groove_exercise(reading, alike) for alike in _alike(reading, heard)]
    if "variation" in kinds:
        found += [e for alike in _alike(reading, reading.grooves) for e in _variation_exercises(reading, alike, bars)]
    if "fill" in kinds:
        found += [_fill_exercise(reading, same) for same in _same_fills(reading, bars)]
    chosen = [e for e in found if e is not None]
    chosen.sort(key=lambda e: (e.first_bar, EXERCISE_KINDS.index(e.kind)))
    names: dict[str, int] = {}
    out = []
    for e in chosen:
        names[e.name] = names.get(e.name, 0) + 1
        name = e.name if names[e.name] == 1 else f"{e.name}-{names[e.name]}"
        out.append(_finished(reading.chart, replace(e, name=name), tempi, reading.sticking.flags))
    if instruments is not None and out:
        alone = [_with_alone(reading.chart, e, instruments) for e in out]
        if alone == out:
            raise ChartError(f"In these exercises there is no {' or '.join(instruments)}.")
        out = alone
    return tuple(_with_more_steps(reading.chart, e) if more_steps else e for e in out)


def _with_more_steps(chart: Chart, exercise: Exercise) -> Exercise:
    """An exercise that begins with easier versions of its bars, a fill with drills before and after it; a variation
    is easy beside its groove."""
    if exercise.kind == "variation":
        return exercise
    fill = exercise.kind == "fill"
    whole = next(s for s in exercise.stages if s.instruments is None)
    before, after = easier_steps(chart, whole.bars, fill), []
    if fill:
        own = [(k, tuple(stage_notes(chart, whole, k))) for k in whole.bars]
        before, after = before + drills_of(chart, own, after=False), drills_of(chart, own, after=True)
    first, last = ([replace(whole, name=n, title=t, version=n) for n, t in steps] for steps in (before, after))
    alone = exercise.stages.index(whole) + 1
    return replace(exercise, stages=(*first, *exercise.stages[:alone], *last, *exercise.stages[alone:]))


def section_exercise(
    chart: Chart,
    first_bar: int,
    last_bar: int,
    title: str = "",
    tempi: Sequence[float] | None = None,
    instruments: Sequence[str] | None = None,
    reading: PartReading | None = None,
    more_steps: bool = False,
) -> Exercise:
    """The user's own choice: bars ``first_bar … last_bar`` (indices, included).

    ``instruments`` (:func:`instruments_named`) are played alone first; None means
    hands, then feet.  What a ``reading`` says of the bars is told with them.

    Raises
    ------
    ChartError
        If there are no such bars, a tempo is out of range, or none of the
        instruments plays in them.
    """
    check_tempi(tempi)
    chart.time_map.check_bar(first_bar)
    chart.time_map.check_bar(last_bar)
    bars = tuple(range(first_bar, last_bar + 1))
    if not bars:
        raise ChartError("An exercise ends where it begins or later.")
    where = bar_list(chart.time_map, bars)
    stages = (*_layers(chart, bars), Stage("record", "as played" + TO_RECORDING, bars, record=True))
    listen = _said_of(reading, bars) if reading is not None else ()
    exercise = _exercise(chart, "groove", title or capital(where), bars, stages, listen, _count(chart, bars))
    if instruments is not None:
        alone = _with_alone(chart, exercise, instruments)
        if alone == exercise:
            raise ChartError(f"In {where} there is no {' or '.join(instruments)}.")
        exercise = alone
    flags = propose_sticking(chart, bars=bars).flags if reading is None else reading.sticking.flags
    exercise = _finished(chart, exercise, tempi, flags)
    return _with_more_steps(chart, exercise) if more_steps else exercise


def _said_of(reading: PartReading, bars: Sequence[int]) -> tuple[str, ...]:
    """What a reading says of some bars: their grooves and the fills that lie in them."""
    chart = reading.chart
    fills = [f for f in reading.fills if set(bars).issuperset(f.span.bars)]
    filled = {k for f in fills for k in f.span.bars}
    grooves = {g.said for k in bars if k not in filled and (g := reading.groove_at(k)) is not None}
    said = [f"{capital(text)}." for text in sorted(grooves) if text]
    if filled.issuperset(bars) and len(fills) == 1:
        return (*said, *_fill_words(fills[0]))
    return (*said, *(f"Fill in {bar_list(chart.time_map, f.span.bars)}: {f.text}." for f in fills))


def instruments_named(names: Sequence[str]) -> frozenset[str]:
    """Instruments of the drum key by their names or families, as "kick", "hi-hat" or "toms".

    Raises
    ------
    ChartError
        If there is no such instrument or family.

    Examples
    --------
    >>> sorted(instruments_named(["kick", "toms"]))
    ['floor tom', 'high tom', 'kick', 'mid tom']
    """
    found: set[str] = set()
    for name in names:
        word = name.casefold()
        own = {i.name for i in INSTRUMENTS if i.name == word}
        family = {i.name for i in INSTRUMENTS if i.family in FAMILIES and i.family == word.removesuffix("s")}
        if not own | family:
            raise ChartError(
                f"The drum key has no instrument called {name!r}; name "
                f"{', '.join(i.name for i in INSTRUMENTS)}, or all of a kind: {', '.join(FAMILIES)}."
            )
        found |= own or family
    return frozenset(found)


def _with_alone(chart: Chart, exercise: Exercise, names: Sequence[str]) -> Exercise:
    """An exercise that begins with some instruments alone, in place of hands and feet;
    itself if they do not play in it."""
    chosen = instruments_named(names)
    whole = [s for s in exercise.stages if s.instruments is None]
    if not any(n.instrument in chosen for k in whole[0].bars for n in stage_notes(chart, whole[0], k)):
        return exercise
    ordered = sorted(dict.fromkeys(names), key=lambda n: min(map(drum_key_order, instruments_named([n]))))
    said = and_list(ordered)
    alone = replace(whole[0], name="some", title=f"{said} alone", instruments=chosen)
    return replace(exercise, stages=(alone, *whole))


def _bars_of(reading: PartReading, sections: Collection[str] | None) -> set[int]:
    if sections is None:
        return set(range(len(reading.chart)))
    wanted = {s.casefold() for s in sections}
    known = {n.casefold() for s in reading.form for n in (s.label, s.name) if n}
    for name in sections:
        if name.casefold() not in known:
            names = ", ".join(sorted({s.name or s.label for s in reading.form} - {""}))
            raise ChartError(f"The chart has no section {name!r}; it has {names or 'none with a name'}.")
    return {k for s in reading.form if wanted & {s.label.casefold(), s.name.casefold()} for k in s.bars}


# -- grooves, variations, fills ----------------------------------------------------


def _exercise(
    chart: Chart,
    kind: str,
    title: str,
    bars: Sequence[int],
    stages: Iterable[Stage],
    listen: Iterable[str],
    counted: str,
) -> Exercise:
    """An exercise of some bars, its tempi still open."""
    where, said = bar_list(chart.time_map, bars), tuple(listen)
    if any(LISTEN_FIRST in text.lower() for text in said):
        said += (LISTEN_FIRST_LEARNING,)
    return Exercise(slug(title), title, kind, where, bars[0], tuple(stages), (), said, counted)


def _alike(reading: PartReading, grooves: Sequence[PartGroove]) -> list[list[PartGroove]]:
    """Grooves, those of several sections that are the same to play together: nobody learns one for the verse and once
    more for the chorus."""
    bars, printed = reading.chart.bars, printed_tempi_bpm(reading.chart)

    def played(g: PartGroove) -> tuple:
        base = g.groove.base_bars
        return tuple(bars[k].pattern for k in base), printed[base[0]], g.text if g.given else "", g.free and id(g)

    return list(grouped((played(g), g) for g in grooves).values())


def bars_playing(reading: PartReading, first_bar: int) -> tuple[int, ...]:
    """The bars of the song that play the groove of a bar, in whichever section."""
    alike = next((some for some in _alike(reading, reading.grooves) if reading.groove_at(first_bar) in some), [])
    return tuple(sorted({k for g in alike for k in reading.bars_playing(g)}))


def _groove_exercise(reading: PartReading, alike: Sequence[PartGroove]) -> Exercise | None:
    """The exercise of a groove, of which the section that plays it most stands for all."""
    own = max(alike, key=lambda g: len(reading.bars_playing(g)))
    chart, bars = reading.chart, own.groove.base_bars
    if sum(len(_without_fills(reading, g)) for g in alike) < 2 or not any(chart.bars[k].notes for k in bars):
        return None
    run = _longest_run(reading, own)
    stages = [*_layers(chart, bars)]
    if len(run) > 1:
        stages.append(Stage("record", f"{bar_list(chart.time_map, run)} as played{TO_RECORDING}", run, record=True))
    sections = _section_titles(reading, (g.groove.base_bars[0] for g in alike))
    title = f"{sections}: groove {own.part if len(alike) == 1 else ''}".rstrip()
    listen = [capital(own.said) + "."] if own.text else []
    where = sorted(k for g in alike for k in g.groove.bar_indices)
    return _exercise(chart, "groove", title, where, stages, listen, _count(chart, bars))


def _layers(chart: Chart, bars: tuple[int, ...]) -> tuple[Stage, ...]:
    used = {n.instrument for k in bars for n in chart.bars[k].notes}
    feet = frozenset(n for n in used if instrument(n).is_foot)
    hands = frozenset(used - feet)
    stages = [Stage("all", "all together", bars)]
    if hands and feet:
        stages = [Stage("hands", "hands alone", bars, hands), Stage("feet", "feet alone", bars, feet), *stages]
    return tuple(stages)


def _without_fills(reading: PartReading, own: PartGroove) -> list[int]:
    filled = {k for f in reading.fills for k in f.span.bars}
    return [k for k in own.groove.bar_indices if k not in filled]


def _longest_run(reading: PartReading, own: PartGroove) -> tuple[int, ...]:
    """Consecutive bars that play the groove, begin a phrase and hold no fill."""
    runs: list[list[int]] = []
    for k in sorted(set(_without_fills(reading, own)).intersection(reading.bars_playing(own))):
        same = runs and runs[-1][-1] == k - 1 and len(runs[-1]) < SONG_BARS
        same = same and reading.section_at(k) == reading.section_at(k - 1)
        runs[-1].append(k) if same else runs.append([k])
    longest: list[int] = max(runs, key=len, default=[])
    return tuple(longest)


def _variation_exercises(reading: PartReading, alike: Sequence[PartGroove], within: Collection[int]) -> list[Exercise]:
    chart, base_of = reading.chart, {k: g.groove.base_of(k) for g in alike for k in g.groove.bar_indices}
    filled = {k for f in reading.fills for k in f.span.bars}
    doubtful = {k for v in reading.variations if not v.grounds.is_plain for k in v.bars}
    out = []
    seen = {chart.bars[k].pattern for k in base_of.values()}
    # One exercise for each different bar, the most frequent first.
    bars = [
        k
        for k in sorted(base_of)
        if k in within and k not in filled | doubtful and chart.bars[k].pattern not in seen and chart.bars[k].notes
    ]
    by_pattern = grouped((chart.bars[k].pattern, k) for k in bars)
    for same in sorted(by_pattern.values(), key=lambda s: (-len(s), s[0]))[:MOST_VARIATIONS]:
        bar, base = same[0], base_of[same[0]]
        told = tuple(capital(v.text) + "." for v in reading.variations if bar in v.bars and v.grounds.is_plain)
        title = f"{_section_titles(reading, same)}: variation, {bar_list(chart.time_map, same)}"
        stages = (Stage("alone", "the variation alone", (bar,)), Stage("turn", "groove, then variation", (base, bar)))
        out.append(_exercise(chart, "variation", title, same, stages, told, _count(chart, (bar,))))
    return out


def _same_fills(reading: PartReading, bars: Collection[int]) -> list[list[Fill]]:
    """Fills that lie in some bars and are surely what is written, those that are the same together."""

    def shape(f: Fill) -> frozenset:
        inside = notes_between(reading.chart, f.span.start, f.span.end)
        return frozenset((k - f.span.start[0], n.position, n.instrument) for k, n in inside)

    sure = (f for f in reading.fills if f.grounds.is_plain and set(bars).issuperset(f.span.bars))
    return list(grouped(((f.kind, shape(f)), f) for f in sure).values())


def untaught(
    reading: PartReading, words: Words = ENGLISH, kinds: Collection[str] = EXERCISE_KINDS, most_runs: int | None = None
) -> str:
    """What no exercise of some kinds teaches because it rests on doubtful hits; "" where nothing is.  Of more than
    ``most_runs`` runs of bars the first are named."""
    number = reading.chart.time_map.bar_number
    fills = [f for f in reading.fills if not f.grounds.is_plain]
    changes = {number(k) for v in reading.variations if not v.grounds.is_plain for k in v.bars}
    of_fills = words.title(bar_words((number(k) for f in fills for k in f.span.bars), most_runs))
    what = []
    if len(fills) == 1 and "fill" in kinds:
        what += [words("the fill of {bars}", bars=of_fills)]
    elif fills and "fill" in kinds:
        what += [words("the fills of {bars}", bars=of_fills)]
    if changes and "variation" in kinds:
        what += [words("the changes of {bars}", bars=words.title(bar_words(changes, most_runs)))]
    return words(" and ").join(what)


def untaught_told(
    reading: PartReading, words: Words = ENGLISH, kinds: Collection[str] = EXERCISE_KINDS, most_runs: int | None = None
) -> tuple[str, ...]:
    """What is :func:`untaught`, and what a teacher can do about it."""
    what = untaught(reading, words, kinds, most_runs)
    said = (
        words("No exercise is made of {what}: the draft is not sure of them.", what=what),
        words("Correct these bars in the grid and press K there, or use workbench confirm: then they are taught."),
    )
    return (" ".join(said),) if what else ()


def untaught_learnt(reading: PartReading, words: Words = ENGLISH) -> str:
    """What is :func:`untaught`, and what a student can do about it."""
    what = untaught(reading, words)
    return words("Not among the exercises: {what}. Learn them by ear, from the record.", what=what) if what else ""


def doubts_told(chart: Chart, stage: Stage, words: Words = ENGLISH) -> str:
    """How many strokes of a stage's bars the draft is not sure of, and where; "" if it is sure of all.

    Of what is made of the bars (easier versions, drills) nothing is told: nobody says that it was played.
    """
    if stage.version:
        return ""
    strokes = [(k, n) for k in sorted(set(stage.bars)) for n in stage_notes(chart, stage, k)]
    doubtful = [k for k, n in strokes if is_doubtful(n, chart.doubt_below)]
    if not doubtful:
        return ""
    return words(
        "Not sure: {doubtful} of {all} strokes ({bars}). Listen to the record first.",
        doubtful=len(doubtful),
        all=len(strokes),
        bars=words.title(bar_words(map(chart.time_map.bar_number, doubtful), MOST_RUNS_NAMED)),
    )


def _fill_words(fill: Fill) -> tuple[str, ...]:
    """What to know of a fill, a sentence each: the user's own words first."""
    own = () if fill.text == "; ".join(fill.words) else (fill.text,)
    return tuple(capital(words) + "." for words in (*own, *fill.words))


def _fill_exercise(reading: PartReading, same: Sequence[Fill]) -> Exercise:
    """A fill, learnt where it comes first."""
    chart, fill = reading.chart, same[0]
    span, bars = fill.span, tuple(fill.span.bars)
    last = len(chart) - 1
    before, after = max(0, bars[0] - 1), min(last, bars[-1] + 2)
    stages = [Stage("alone", "the fill alone", bars, only=span)]
    if before < bars[0]:
        stages.append(Stage("setup", "with the bar before it", (before, *bars)))
    if after > bars[-1]:
        stages.append(Stage("landing", "into the next bar", (*bars, *range(bars[-1] + 1, after + 1))))
    song = tuple(range(max(0, bars[0] - AROUND_FILL_BARS), min(last, bars[-1] + AROUND_FILL_BARS) + 1))
    stages.append(Stage("song", "in the song", song, record=True, loop=False))
    where, changed = [k for f in same for k in f.span.bars], ", changed" if fill.version_of is not None else ""
    title = f"Fill {fill.kind + 1}{changed}, {bar_list(chart.time_map, where)}"
    listen = _fill_words(fill)
    if fill.lands_on is not None and fill.landing:
        listen += (f"It lands on {fill.landing}.",)
    return _exercise(chart, "fill", title, where, stages, listen, _count(chart, bars, span))


def _section_title(reading: PartReading, bar_index: int) -> str:
    section = reading.section_at(bar_index)
    return " ".join(t for t in (section.label, section.name) if t) or "Part"


def _section_titles(reading: PartReading, bar_indices: Iterable[int]) -> str:
    """The sections of some bars, each once: "A Verse, C Chorus"."""
    return ", ".join(dict.fromkeys(_section_title(reading, k) for k in bar_indices))


def _count(chart: Chart, bars: Sequence[int], only: Mark | None = None) -> str:
    placed = ((k, n.position) for k in bars for n in chart.bars[k].notes if only is None or only.covers(k, n.position))
    return count_rows(chart.time_map, placed)


def _warnings(chart: Chart, exercise: Exercise, flags: Sequence[Flag]) -> tuple[str, ...]:
    """Where the bars of an exercise ask for more than two hands and one foot; those of the song around it aside."""
    bars = {k for s in exercise.stages if s.loop for k in s.bars}
    asking = (f for f in flags if f.kind in ("unplayable", "double pedal") and f.bar_index in bars)
    said = grouped((f.text, f.bar_index) for f in asking)
    return tuple(f"{capital(bar_list(chart.time_map, where))}: {text}." for text, where in said.items())


def _finished(chart: Chart, exercise: Exercise, tempi: Sequence[float] | None, flags: Sequence[Flag]) -> Exercise:
    """An exercise with its tempi, and with what speaks against playing it as it stands."""
    bars = sorted({k for s in exercise.stages if not s.record for k in s.bars} or set(exercise.stages[0].bars))
    own = exercise.stages[0].bars
    tempi_bpm: tuple[float, ...]
    if tempi is None:
        tempi_bpm = default_tempi_bpm(chart, own)
    else:
        original = printed_tempi_bpm(chart)[own[0]]
        tempi_bpm = tuple(float(round(t * original)) for t in sorted(set(tempi)))
    rate = strokes_per_s(chart, bars)
    cautions = exercise.cautions
    if rate > STRAINING_PER_S:
        cautions += (
            f"Up to {rate:.0f} notes a second: raise the tempo in small steps, only as long as "
            "wrists and shoulders stay loose.",
        )
    return replace(exercise, tempi_bpm=tempi_bpm, warnings=_warnings(chart, exercise, flags), cautions=cautions)


def slug(text: str) -> str:
    """A file name that every system takes: letters, digits and hyphens."""
    plain = unicodedata.normalize("NFKD", text.replace("–", "-")).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:60] or "exercise"
