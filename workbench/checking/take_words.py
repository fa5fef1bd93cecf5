"""A take in words: what goes well, what to work on next, how to read the figures.

Kind and concrete: at most three pieces of advice, each with the figure it
rests on and something to do about it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from workbench.chart.counting import and_list, bar_list, bar_words, capital, percent_said, the_bar, the_place
from workbench.checking.differing import DifferingStroke, alike_bars
from workbench.checking.playing import (
    USUAL_TAKE_AGREEMENT,
    WORKING_DRUMMERS_SPREAD_MS,
    Click,
    InstrumentTiming,
    Playing,
)
from workbench.checking.way import bars_again, stretches_left_out
from workbench.grouping import grouped
from workbench.reading import doubts

#: A mean deviation above this is worth telling, milliseconds (common practice, no source).
TOLD_FROM_MS = 8.0
#: An average whose standard error is larger is called rough, milliseconds; so is one of fewer of the written strokes.
ROUGH_MS, FAIR_SHARE = 3.0, 0.8
# Numbers whose origin is not named: chosen by eye, no source.
#: A change of tempo from this share on is called rushing or dragging, if it is so many standard errors.
FILL_TEMPO_CHANGE, SURE_ERRORS = 0.02, 2.5
#: A fill whose strokes lie so far from the beat before it is early or late, ms; it waits for the 1 that comes
#: in time again, no more than this share of that off.
EARLY_FILL_MS, WAITING_SHARE = 30.0, 0.5
#: A drum of which so few ghost notes are heard, while its full strokes are, may lack them; a share.
GHOSTS_LACKING = 0.2
#: Written strokes of a drum from which its silence is told.
FEWEST_SILENT = 8
#: Slips that are worth a word; a tempo that is another than the part's, by so large a share.
FEWEST_SLIPS, TEMPO_WORTH_A_WORD = 3, 0.015
#: A stroke missed in its place so many times, in so large a share of the bars that write it, is a habit.
FEWEST_HABIT, HABIT_SHARE = 3, 0.2
#: Louder than wanted by this much, ghost notes are called too loud.
GHOST_TOLERANCE = 0.12
#: A spread of more than so many times that of most working drummers is called loose.
LOOSE = 1.4
#: Most pieces of advice given at once.
MOST_ADVICE = 3
#: Bars left out, or alike, that are few enough to be played round and round with those beside them.
MOST_LOOPED = 4
#: Passages played again that are named.
MOST_AGAIN = 3
#: Runs of bars that a sentence lists before it says "…".
MOST_RUNS = 4
#: Change of tempo over the take that is worth a word, per cent.
DRIFT_PERCENT = 3.0
#: From so much on it is rather a ladder of tempi.
LADDER_PERCENT = 20.0

#: How much a piece of advice is worth, and the advice.
Advice = tuple[float, str]


def strengths_of(take: Playing) -> tuple[str, ...]:
    """What goes well, the most telling first; never empty."""
    out = []
    share = take.played / max(1, take.vouched)
    if share >= 0.95 and not take.alignment.left_out:
        out.append(
            f"You played {take.played} of the {take.written} written strokes: you know "
            f"{'these bars' if _unplayed(take) else 'the part'}."
        )
    told = [(spread_ms, name) for name, _, spread_ms in _told(take)]
    spread_ms, steadiest = min(told, key=lambda t: t[0], default=(np.inf, ""))
    if spread_ms <= WORKING_DRUMMERS_SPREAD_MS[2]:
        out.append(
            f"Your {steadiest} is the steadiest: its strokes vary by {spread_ms:.0f} ms"
            f"{_beside_working_drummers(spread_ms)}."
        )
    if len(take.bars) >= 8 and abs(take.drift_percent) < 1.5 and not (take.off_click or any(_advise_on_fills(take))):
        out.append(f"You keep the tempo: from beginning to end it changes by {abs(take.drift_percent):.1f} %.")
    lacking = any(g.count <= GHOSTS_LACKING * g.written for g in take.ghosts)
    if not lacking and take.repeats and take.repeats[0].spread_ms <= WORKING_DRUMMERS_SPREAD_MS[1]:
        out.append(
            f"You play {_bars(take.repeats[0].bar_numbers)} the same way each time "
            f"(within {take.repeats[0].spread_ms:.0f} ms)."
        )
    ghosts = [g for g in take.ghosts if 0 < g.ratio <= g.wanted + GHOST_TOLERANCE / 2]
    if ghosts:
        out.append(f"Your ghost notes on the {ghosts[0].instrument} stay well below the full strokes.")
    if not out:
        whole = [b for b in take.bars if not b.missed and not b.added]
        out.append(
            f"{len(whole)} of {len(take.bars)} bars have every written stroke and no other."
            if whole
            else f"You played {take.played} of the {take.written} written strokes; that is the beginning to build on."
        )
    return tuple(out[:MOST_ADVICE])


def advice_of(take: Playing) -> tuple[str, ...]:
    """What to work on next: at most :data:`MOST_ADVICE`, the most worthwhile first."""
    advisers = (
        _advise_on_bars,
        _advise_on_click,
        _advise_on_fills,
        _advise_on_notes,
        _advise_on_silence,
        _advise_on_drums,
        _advise_on_custom,
        _advise_on_place,
        _advise_on_tempo,
        _advise_on_evenness,
    )
    found = [advice for advise in advisers for advice in advise(take)] or list(_advise_on_single_strokes(take))
    return tuple(text for _, text in sorted(found, key=lambda advice: -advice[0])[:MOST_ADVICE])


def _advise_on_evenness(take: Playing) -> Iterator[Advice]:
    for g in take.ghosts:
        if g.count <= GHOSTS_LACKING * g.written:
            heard = f"{g.count} of the" if g.count else "None of the"
            yield (
                6.0,
                f"{heard} {g.written} ghost notes on the {g.instrument} {'are' if g.count > 1 else 'is'} heard, though "
                "its full strokes are: they are left out, or softer than this recording can hold. Play one bar with "
                "them, slowly, near the microphone, and listen for them.",
            )
        elif g.ratio > g.wanted + GHOST_TOLERANCE:
            yield (
                8 * (g.ratio - g.wanted),
                f"Ghost notes on the {g.instrument} come out at {percent_said(g.ratio)} of your full strokes; "
                f"the part wants about {percent_said(g.wanted)}. Keep the stick low over the head for them.",
            )
    uneven = [r for r in take.repeats if r.spread_ms > WORKING_DRUMMERS_SPREAD_MS[2] + 4]
    if uneven:
        worst = uneven[-1]
        yield (
            worst.spread_ms / 20,
            f"{capital(_bars(worst.bar_numbers))} are written alike but differ by {worst.spread_ms:.0f} ms "
            "from time to time. Loop one of them slowly and record it again.",
        )


def warnings_of(take: Playing) -> tuple[str, ...]:
    """What to know before reading on: a draft, another part, a click that was lost, bars that were not played."""
    out = []
    if take.unchecked_bars:
        bars = bar_list(take.chart.time_map, take.unchecked_bars)
        are = "are" if len(take.unchecked_bars) > 1 else "is"
        whole = len(take.unchecked_bars) == len(take.alignment.played)
        out.append(
            f"{'The chart is' if whole else f'{capital(bars)} of the chart {are}'} a draft that nobody has checked: "
            "where you differ from it, the draft may be wrong. Hits that it doubts itself are not held against you. "
            "Correct and confirm it first, in the grid or with workbench confirm."
        )
    if is_doubtful(take):
        out.append(
            f"Take and chart agree by {percent_said(take.alignment.agreement)} only, so this may be another part, or a "
            "take of something else. Choose the chart of what was played; if this is it, the figures below are "
            "rough."
        )
    if take.lost_click_s is not None:
        out.append(
            f"The take does not keep to the click that you named: half of the bars are {take.lost_click_s:.2f} "
            f"s or further from it; you played at {take.tempo_bpm:.0f}. So it is measured against your own tempo; if "
            "you did play to a click, give its exact tempo and where it begins."
        )
    numbers = take.chart.time_map.bar_number
    if _unplayed(take) and not take.only_bars:
        out.append(
            f"This take plays {_bars([numbers(k) for k in take.alignment.played])} of the part; what is "
            "said below is of these bars."
        )
    again = [] if take.only_bars else bars_again(take.alignment)
    if again:
        said = [f"{_run(take, first, last)} {_times(times)}" for first, last, times in again[:MOST_AGAIN]]
        more = " …" if len(again) > MOST_AGAIN else ""
        them = "it" if len(again) == 1 and again[0][0] == again[0][1] else "them"
        out.append(f"You play {and_list(said)}{more}, where the part has {them} once. Each time is counted.")
    return tuple(out)


def _unplayed(take: Playing) -> list[int]:
    """Bars of the part with notes that the take does not play."""
    wanted = range(take.alignment.first_bar, len(take.chart))
    return [k for k in wanted if k not in take.alignment.played and take.chart.bars[k].notes]


def _run(take: Playing, first: int, last: int) -> str:
    return bar_list(take.chart.time_map, range(first, last + 1))


def _times(count: int) -> str:
    return {2: "twice", 3: "three times", 4: "four times"}.get(count, f"over and over, {count} times")


def is_doubtful(take: Playing) -> bool:
    """Whether the take may be of something else, so that praise would be idle."""
    return take.alignment.agreement < USUAL_TAKE_AGREEMENT


def remarks_of(take: Playing, click: Click | None) -> tuple[str, ...]:
    """How to read the figures, and what could not be told."""
    low, middle, high = WORKING_DRUMMERS_SPREAD_MS
    share = take.tempo_bpm / take.chart_bpm - 1
    part = f"the part is at {take.chart_bpm:.0f}"
    if abs(share) >= TEMPO_WORTH_A_WORD:
        part += f", so you were {percent_said(abs(share))} {'faster' if share > 0 else 'slower'}"
    beside = f", early and late beside {take.zero}" if take.zero else ""
    out = [
        f"You played at {take.tempo_bpm:.0f} counted beats a minute; {part}.",
        f"Times are measured against {take.against}{beside}. For comparison: working drummers "
        f"playing to a click spread by {middle:.0f} ms (half of them between {low:.0f} and {high:.0f} ms; "
        "Groove MIDI data set).",
    ]
    if any(i.mean_ms is not None and is_rough(i) for i in take.instruments):
        out.append(
            "“About”: few strokes, many of them unheard, or a wide spread; the average may be off by more than "
            f"{ROUGH_MS:.0f} ms."
        )
    if click is not None and click.start_s is None:
        out.append(
            "Where the click began in the recording is not known, so early and late are told beside "
            f"{take.zero or 'the average of your own strokes'}."
        )
    unsure = sum(i.unsure for i in take.instruments)
    if unsure:
        names = and_list([f"{i.unsure} {i.instrument}" for i in take.instruments if i.unsure])
        out.append(
            f"Of {unsure} written stroke{'s' * (unsure > 1)} ({names}) it cannot be told whether "
            f"{'they were' if unsure > 1 else 'it was'} played: soft, covered, or of drums that are hard "
            "to hear in this recording."
        )
    doubtful = sum(i.doubtful for i in take.instruments)
    if doubtful:
        out.append(f"Of these {unsure}, the draft itself doubts {'all' if doubtful == unsure else doubtful}.")
    if where := _beside_the_chart(take):
        out.append(f"{where} you play something that is not in the chart; it is not counted.")
    return tuple(out)


def _beside_the_chart(take: Playing) -> str:
    """After which bars the take has stretches without the chart; empty if it has none."""
    bars, numbers, first = take.alignment.bars, [], False
    for k, bar in enumerate(bars):
        if bar.chart_bar is None:
            before = bars[k - 1].chart_bar if k else None
            first |= before is None
            numbers += [] if before is None else [take.chart.time_map.bar_number(before)]
    words = ["before the bars of the part"] if first else []
    words += [f"after {_bars(numbers)}"] if numbers else []
    return capital(and_list(words)) if words else ""


def _advise_on_bars(take: Playing) -> Iterator[Advice]:
    """Bars left out between others that were played."""
    limit = take.chart.doubt_below
    sure = {k for k, note in take.chart.notes() if not doubts.is_doubtful(note, limit)}
    skipped = [s for s in stretches_left_out(take.chart, take.alignment) if sure.intersection(range(s[0], s[1] + 1))]
    if not skipped:
        return
    number = take.chart.time_map.bar_number
    (first, last), bars = skipped[0], [k for a, b in skipped for k in range(a, b + 1)]
    alike = alike_bars(take.chart, first)
    if len(bars) == 1 and len(alike) > 1:
        yield (
            20.0,
            f"One of {_run(take, alike[0], alike[-1])}, which are alike, is left out. Count them as you play: "
            f"there are {len(alike)}.",
        )
        return
    said = f"{capital(bar_list(take.chart.time_map, bars))} {'is' if len(bars) == 1 else 'are'} left out"
    before, after = number(first - 1), number(last + 1)
    if last - first < MOST_LOOPED:
        todo = f"Play {_run(take, first - 1, last + 1)} round and round, until the way through them is clear."
    else:
        todo = (
            f"From {the_bar(before)} you go straight to {the_bar(after)}. If you don't mean to, play "
            f"{_run(take, first - 1, first)} round and round, until the one leads into the other."
        )
    yield 20.0, f"{said}. {todo}"


def _advise_on_single_strokes(take: Playing) -> Iterator[Advice]:
    """With nothing larger to work on: the bar where most strokes are missing or too many."""
    worst = max(take.bars, key=lambda b: b.missed + b.added, default=None)
    if worst is not None and worst.missed + worst.added:
        parts = [
            f"{count} stroke{'s' * (count > 1)} {what}"
            for count, what in ((worst.missed, "not heard"), (worst.added, "not in the part"))
            if count
        ]
        yield 1.0, (f"Listen to {the_bar(worst.bar_number)}: {' and '.join(parts)}.")


def _advise_on_notes(take: Playing) -> Iterator[Advice]:
    told = _habit(take)  # says it already
    missed = Counter(
        s.instrument for s in take.strokes if s.what == "missed" and not s.instead and all(s is not t for t in told)
    )
    written = {i.instrument: i.written for i in take.instruments}
    worst = [(n, c) for n, c in missed.most_common() if c >= 3 and c > 0.05 * written[n]][:3]
    if worst:
        names = and_list([f"{count} of {written[name]} {name}" for name, count in worst])
        share = max(count / written[name] for name, count in worst)
        yield (
            10 * share * min(1.0, worst[0][1] / 8),
            f"{names} strokes are missing, most of them in {_where(take, 'missed', [n for n, _ in worst])}. "
            "Play those bars at a tempo at which every stroke sounds.",
        )
    added = [i for i in take.instruments if i.added >= 3 and i.added > 0.05 * max(i.written, 10)]
    if added:
        most = sorted(added, key=lambda i: -i.added)[:3]
        names = and_list([f"{i.added} {i.instrument}" for i in most])
        yield (
            min(6.0, max(6 * i.added / max(i.written, 10) for i in most)),
            f"{names} strokes are not in the part, most of them in "
            f"{_where(take, 'added', [i.instrument for i in most])}. "
            + (
                "The draft may lack them: hear those bars on the record first."
                if all(s.bar_index in take.unchecked_bars for s in take.strokes if s.what == "added")
                else "If they are meant, write them in; if not, listen for what sets them off."
            ),
        )


def _advise_on_silence(take: Playing) -> Iterator[Advice]:
    """A drum of which next to nothing is heard, though of each single stroke it cannot be told."""
    silent = [
        i
        for i in take.instruments
        if i.vouched >= FEWEST_SILENT and i.played <= GHOSTS_LACKING * i.vouched and i.unsure - i.doubtful > i.missed
    ]
    if silent:
        worst = max(silent, key=lambda i: i.unsure - i.doubtful)
        heard = f"Only {worst.played} of the" if worst.played else "None of the"
        yield (
            9.0,
            f"{heard} {worst.vouched} {worst.instrument} strokes {'are' if worst.played > 1 else 'is'} heard: they are "
            "left out, or this recording hardly holds that drum. Record a few bars of it alone, and listen.",
        )


def _advise_on_drums(take: Playing) -> Iterator[Advice]:
    """A drum played where another is written."""
    swapped = Counter((s.instrument, s.instead) for s in take.strokes if s.instead)
    if swapped and (most := swapped.most_common(1)[0])[1] >= FEWEST_HABIT:
        (name, instead), count = most
        bars = [s.bar_number for s in take.strokes if (s.instrument, s.instead) == (name, instead)]
        yield (
            5.0,
            f"You play {instead} where {name} is written: {count} strokes, {_bars(bars)}. "
            "If it is meant, change the part; if not, say the drum's name aloud as you count.",
        )


def _may_be_missed(stroke: DifferingStroke) -> bool:
    return stroke.what != "added" and not stroke.instead and not stroke.doubtful


def _habit(take: Playing) -> Sequence[DifferingStroke]:
    """Strokes left out in the same place again and again: a habit, however few they are; of several the most."""
    missed = grouped(((s.position, s.instrument), s) for s in take.strokes if _may_be_missed(s))
    written = Counter(note.key for _, note in take.chart.notes())
    habits = [
        strokes
        for key, strokes in missed.items()
        if sum(s.what == "missed" for s in strokes) >= FEWEST_HABIT and len(strokes) >= HABIT_SHARE * written[key]
    ]
    return max(habits, key=len, default=())


def _advise_on_custom(take: Playing) -> Iterator[Advice]:
    if strokes := _habit(take):
        position, name = strokes[0].position, strokes[0].instrument
        written = sum(note.key == (position, name) for _, note in take.chart.notes())
        place = the_place(take.chart.time_map.bars[strokes[0].bar_index], position)
        yield (
            4 + len(strokes) / written,
            f"The {name} on {place} is left out again and again "
            f"({_bars([s.bar_number for s in strokes])}). Loop one of those bars slowly, counting "
            "aloud, until that stroke comes by itself.",
        )


def _advise_on_place(take: Playing) -> Iterator[Advice]:
    told = _told(take)
    for side, sign in (("ahead of", -1), ("behind", 1)):
        off = sorted(((sign * ms, name) for name, ms, _ in told if sign * ms >= TOLD_FROM_MS), key=lambda t: -t[0])[:3]
        if off:
            names = and_list([name for _, name in off])
            far = and_list([f"{ms:.0f}" for ms, _ in off])
            yield (
                off[0][0] / 12,
                f"Your {names} {'sits' if len(off) == 1 else 'sit'} {far} ms {side} {take.zero or take.against} on "
                "average. That can be a feel; if you don't mean it, play it alone to a click until the click "
                "disappears.",
            )
    loose = ((ms, name) for name, _, ms in told if ms > WORKING_DRUMMERS_SPREAD_MS[2] + 3)
    wide = sorted(loose, key=lambda t: -t[0])[:3]
    if wide:
        names, far = and_list([name for _, name in wide]), and_list([f"{ms:.0f}" for ms, _ in wide])
        yield (
            wide[0][0] / 14,
            f"The {names} {'spreads' if len(wide) == 1 else 'spread'} by {far} ms (working drummers: "
            f"about {WORKING_DRUMMERS_SPREAD_MS[1]:.0f} ms). Practise slowly with a click on every eighth, "
            "then with the click on 2 and 4 only.",
        )


def _told(take: Playing) -> list[tuple[str, float, float]]:
    """(instrument, mean, spread in milliseconds) of those struck often enough to tell."""
    return [
        (i.instrument, i.mean_ms, i.spread_ms)
        for i in take.instruments
        if i.mean_ms is not None and i.spread_ms is not None and i.played >= 10
    ]


def _advise_on_tempo(take: Playing) -> Iterator[Advice]:
    if abs(take.drift_percent) >= DRIFT_PERCENT:
        word = "faster" if take.drift_percent > 0 else "slower"
        todo = (
            "Record two minutes with a click that falls silent every other bar."
            if abs(take.drift_percent) < LADDER_PERCENT
            else "If you followed a ladder of tempi, that is right: then record one tempo at a time."
        )
        yield (
            abs(take.drift_percent) / 2,
            (f"From beginning to end you get {abs(take.drift_percent):.0f} % {word}. {todo}"),
        )


def _advise_on_fills(take: Playing) -> Iterator[Advice]:
    """Fills that rush, drag, or come early and wait."""
    waiting = [
        f
        for f in take.fills
        if abs(f.early_ms) >= EARLY_FILL_MS
        and f.landing_ms is not None
        and abs(f.landing_ms) <= WAITING_SHARE * abs(f.early_ms)
    ]
    if waiting:
        worst = max(waiting, key=lambda f: abs(f.early_ms))
        bars = _bars([f.bar_number for f in waiting if (f.early_ms < 0) == (worst.early_ms < 0)])
        how, then = ("early", "waits for") if worst.early_ms < 0 else ("late", "hurries to")
        yield (
            abs(worst.early_ms) / 15,
            f"The fill of {bars} comes {how}: its strokes lie up to {abs(worst.early_ms):.0f} ms "
            f"{'ahead of' if worst.early_ms < 0 else 'behind'} the beat, then it {then} the 1. Play it with a click "
            "in eighths, the last bar of the groove before it.",
        )
    changes = [f for f in take.fills if abs(f.tempo_change) >= FILL_TEMPO_CHANGE and f not in waiting]
    faster = [f for f in changes if f.tempo_change > 0]
    side = faster if 2 * len(faster) >= len(changes) else [f for f in changes if f.tempo_change < 0]
    sure = [f for f in side if abs(f.tempo_change) >= SURE_ERRORS * f.error]
    if len(side) >= 2:
        mean, error = np.mean([f.tempo_change for f in side]), np.hypot.reduce([f.error for f in side]) / len(side)
        if abs(mean) >= SURE_ERRORS * error:
            yield (
                abs(float(mean)) * 60,
                f"{len(side)} of {len(take.fills)} fills {'rush' if mean > 0 else 'drag'}, by "
                f"{percent_said(abs(float(mean)))} on average ({_bars([f.bar_number for f in side])}). "
                "Count aloud through the fill and the bar after it.",
            )
            return
    if sure:
        worst = max(sure, key=lambda f: abs(f.tempo_change))
        side_word = "ahead" if worst.early_ms < 0 else "behind"
        yield (
            abs(worst.tempo_change) * 60,
            f"The fill of {_bars([worst.bar_number])} {'rushes' if worst.tempo_change > 0 else 'drags'}: it is "
            f"{percent_said(abs(worst.tempo_change))} {'faster' if worst.tempo_change > 0 else 'slower'} than the bars "
            f"before it, and {abs(worst.early_ms):.0f} ms {side_word} in its second half. Count aloud through the fill "
            "and the bar after it.",
        )


def _advise_on_click(take: Playing) -> Iterator[Advice]:
    """Bars that lie off the click, and single strokes that slip."""
    if take.off_click:
        worst = max(take.off_click, key=lambda s: len(s.bar_numbers) * abs(s.mean_ms))
        side = "ahead of" if worst.mean_ms < 0 else "behind"
        yield (
            abs(worst.mean_ms) / 8,
            f"In {_bars(worst.bar_numbers)} you are about {abs(worst.mean_ms):.0f} ms {side} the click. Loop those "
            "bars with the bar before them, and turn the click up until you hear both at once.",
        )
    slips = sum(i.slips for i in take.instruments)
    if slips >= FEWEST_SLIPS:
        names = and_list([f"{i.slips} {i.instrument}" for i in take.instruments if i.slips])
        text = f"{slips} single strokes ({names}) slip far out of your time; the averages leave them out."
        yield 0.5, text


def _where(take: Playing, what: str, names: Sequence[str]) -> str:
    """The three bars with most of these strokes."""
    counts = Counter(s.bar_number for s in take.strokes if s.what == what and s.instrument in names and not s.instead)
    return _bars([number for number, _ in counts.most_common(3)]) if counts else "single bars"


def _bars(numbers: Iterable[int]) -> str:
    return bar_words(numbers, MOST_RUNS)


def _beside_working_drummers(spread_ms: float) -> str:
    low, middle, high = WORKING_DRUMMERS_SPREAD_MS
    if spread_ms <= low:
        return ", as tight as the steadiest quarter of working drummers"
    if spread_ms <= high:
        return ", which is where working drummers are"
    return f" (working drummers: about {middle:.0f} ms)"


def is_rough(timing: InstrumentTiming) -> bool:
    """Whether an instrument's mean deviation rests on too little to be told to the millisecond."""
    return timing.mean_error_ms > ROUGH_MS or timing.played < FAIR_SHARE * timing.written


def spread_in_words(timing: InstrumentTiming) -> str:
    """What an instrument's spread means, for tables."""
    if timing.spread_ms is None:
        return "not heard" if not timing.played else "too few strokes heard to tell"
    low, _, high = WORKING_DRUMMERS_SPREAD_MS
    if timing.spread_ms <= low:
        return "very steady"
    if timing.spread_ms <= high:
        return "as working drummers"
    return "a little loose" if timing.spread_ms <= LOOSE * high else "loose"
