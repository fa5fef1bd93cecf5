"""The form of a part: sections, their letters, the parts inside, phrase lengths.

Sections come from repetition and texture of the drum part and, where there is
audio, of the music: bars become feature vectors and the song is cut where that
describes it best (dynamic programming over all cuts, least variance within
sections, a price for every cut; common practice in segmenting time series, cf.
Jackson et al., IEEE Signal Processing Letters 12(2), 2005).  Cuts are cheaper
after a fill, before a crash and at lengths of four and eight bars.

Sections a user has named are taken as they are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import count, groupby
from string import ascii_uppercase

import numpy as np

from workbench.chart import Chart, Section
from workbench.progress import Progress, part
from workbench.reading.patterns import Patterns

# Numbers whose origin is not named: chosen by eye, no source.
#: Price of a cut, in units of the variance that one wholly different bar brings.
CUT_PRICE = 1.7

#: Longest section looked for, bars.
LONGEST_SECTION = 64

#: Fewest bars of a section, user's own aside.
SHORTEST_SECTION = 3

#: Bars alike at least this much (0–1) may carry the same letter.
SAME_LETTER = 0.66

#: A change of texture that lasts this many bars begins a section of its own;
#: a shorter one is a part inside its section.
SECTION_BARS = 8

#: Fewest bars of a part inside a section.
PART_BARS = 4

#: Time that is kept in no more bars than this, and in fewer than half of a part's, is a variation, not its texture.
VARIATION_BARS = 2

#: Mean correlation of beat-synchronous audio features above which two
#: sections may be the same music.
SAME_MUSIC = 0.35


@dataclass(frozen=True)
class FormPart:
    """Bars of a section with one texture: what the hands keep time on."""

    bars: range
    timekeeper: str | None = None
    name: str = ""


@dataclass(frozen=True)
class FormSection:
    """A section of the form.

    Attributes
    ----------
    bars : range
        Bar indices.
    label : str
        Letter; sections that repeat each other share it; "" without drums.
    name : str
        As the user named it, or "".
    parts : tuple of FormPart
        Where the texture changes inside the section: ``a``, ``b`` …; a single
        part is named "".
    phrase_bars : int
        Length of its phrases in bars; 0 if none was found.
    crash_bars : tuple of int
        Bars that a crash opens.
    given : bool
        The user's own section.
    """

    bars: range
    label: str
    name: str = ""
    parts: tuple[FormPart, ...] = ()
    phrase_bars: int = 0
    crash_bars: tuple[int, ...] = ()
    given: bool = False

    @property
    def has_drums(self) -> bool:
        return bool(self.parts)


def find_form(
    patterns: Patterns,
    fill_ends: frozenset[int] = frozenset(),
    fill_bars: frozenset[int] = frozenset(),
    music: np.ndarray | None = None,
) -> tuple[FormSection, ...]:
    """Sections of a part, in order, together covering every bar.

    Parameters
    ----------
    patterns : Patterns
    fill_ends : frozenset of int
        Bars that a fill leads into.
    fill_bars : frozenset of int
        Bars taken up by a fill: they belong to the texture before them.
    music : ndarray (bars, features), optional
        Standardised audio features of each bar (:func:`bar_features`).
    """
    chart = patterns.chart
    given = {s.bar_index: s for s in chart.sections}
    if given:
        starts = sorted({0, *given})
        stretches = list(zip(starts, [*starts[1:], len(chart)]))
        letters = _letter(patterns, stretches, music, given)
    else:
        stretches = _join_textures(patterns, _find_stretches(patterns, fill_ends, fill_bars, music), music)
        stretches, letters = _join(stretches, _letter(patterns, stretches, music, given))
    out = []
    for (first, end), letter in zip(stretches, letters):
        own = given.get(first)
        drums = bool(patterns.sounding[first:end].any())
        crashes = tuple(k for k in range(first, end) if patterns.crash_opens(k))
        parts = _parts(patterns, first, end, fill_bars) if drums else ()
        out.append(
            FormSection(
                range(first, end),
                letter,
                own.name if own else "",
                parts,
                _phrase_bars(patterns, first, end, crashes, fill_ends) if drums else 0,
                crashes,
                own is not None,
            )
        )
    return tuple(out)


# -- where sections begin ---------------------------------------------------------


def _silences(sounding: np.ndarray) -> list[tuple[int, int, bool]]:
    """Runs of bars with and without drums; a single silent bar between drums
    is a stop, not a section."""
    runs = [(sounds, len(list(group))) for sounds, group in groupby(sounding.tolist())]
    inner = range(1, len(runs) - 1)
    runs = [(sounds or (k in inner and n < 2), n) for k, (sounds, n) in enumerate(runs)]
    out, first = [], 0
    for sounds, group in groupby(runs, key=lambda run: run[0]):
        length = sum(n for _, n in group)
        out.append((first, first + length, sounds))
        first += length
    return out


def _find_stretches(
    patterns: Patterns, fill_ends: frozenset[int], fill_bars: frozenset[int], music: np.ndarray | None
) -> list[tuple[int, int]]:
    stretches = []
    features = _texture_features(patterns)
    for k in sorted(fill_bars):
        if k and patterns.sounding[k - 1]:
            features[k] = features[k - 1]
    if music is not None:
        features = np.hstack([features, 0.8 * music])
    for first, end, sounds in _silences(patterns.sounding):
        if not sounds:
            stretches.append((first, end))
            continue
        bonus = np.array([_cut_bonus(patterns, k, fill_ends) for k in range(first, end + 1)])
        cuts = _cut(features[first:end], bonus)
        # A bar or two at the edge, an ending or a pick-up, are no section.
        if len(cuts) > 1 and cuts[-1][1] - cuts[-1][0] < SHORTEST_SECTION:
            cuts[-2:] = [(cuts[-2][0], cuts[-1][1])]
        if len(cuts) > 1 and cuts[0][1] - cuts[0][0] < SHORTEST_SECTION:
            cuts[:2] = [(cuts[0][0], cuts[1][1])]
        stretches += [(first + a, first + b) for a, b in cuts]
    return stretches


def _texture_features(patterns: Patterns) -> np.ndarray:
    """Bars as vectors whose squared distance is about 2 for wholly different
    bars: kick and snare, and what keeps time."""
    base = patterns.vectors * np.sqrt(patterns.weights)
    size = np.sqrt((base**2).sum(axis=1, keepdims=True))
    keepers = patterns.timekeepers
    names = sorted({keeper for keeper in keepers if keeper is not None})
    keeping = np.zeros((len(keepers), len(names)))
    for bar, keeper in enumerate(keepers):
        if keeper is not None:
            keeping[bar, names.index(keeper)] = 1.0
    return np.hstack([base / np.maximum(size, 1e-6), 0.7 * keeping])


def _cut_bonus(patterns: Patterns, bar_index: int, fill_ends: frozenset[int]) -> float:
    if bar_index >= len(patterns.sounding):
        return 0.0
    bonus = 0.5 if bar_index in fill_ends else 0.0
    if patterns.crash_opens(bar_index) and not (bar_index and patterns.crash_opens(bar_index - 1)):
        bonus += 0.4
    return bonus


def _length_price(length: int) -> float:
    """Sections of 8 and 4 bars are the rule, odd lengths the exception."""
    price = next(price for step, price in ((8, 0.0), (4, 0.15), (2, 0.45), (1, 0.8)) if length % step == 0)
    return price + (0.8 if length < 4 else 0.0)


def _cut(features: np.ndarray, bonus: np.ndarray) -> list[tuple[int, int]]:
    """Cheapest cuts of consecutive bars; ``bonus[k]`` is taken off a cut before bar k."""
    n = len(features)
    total = np.vstack([np.zeros(features.shape[1]), np.cumsum(features, axis=0, dtype=float)])
    energy = np.concatenate([[0.0], np.cumsum((features**2).sum(axis=1, dtype=float))])
    lengths = np.array([0.0] + [_length_price(m) for m in range(1, LONGEST_SECTION + 1)])
    best, came_from = np.full(n + 1, np.inf), np.zeros(n + 1, int)
    best[0] = 0.0
    for j in range(1, n + 1):
        i = np.arange(max(0, j - LONGEST_SECTION), j)
        spread = energy[j] - energy[i] - ((total[j] - total[i]) ** 2).sum(axis=1) / (j - i)
        at_edge = 0.0 if j == n else -bonus[j]
        # The last stretch of a song often fades or is cut short.
        length = lengths[j - i] * (0.4 if j == n else 1.0)
        price = best[i] + spread + CUT_PRICE + length + at_edge
        k = int(np.argmin(price))
        best[j], came_from[j] = price[k], i[k]
    cuts, j = [], n
    while j > 0:
        cuts.append((int(came_from[j]), j))
        j = int(came_from[j])
    return cuts[::-1]


def _join_textures(
    patterns: Patterns, stretches: list[tuple[int, int]], music: np.ndarray | None
) -> list[tuple[int, int]]:
    """Short neighbours that differ in texture only are parts of one section."""
    out: list[tuple[int, int]] = []
    joined = False
    for first, end in stretches:
        if (
            out
            and not joined
            and max(end - first, out[-1][1] - out[-1][0]) < SECTION_BARS
            and patterns.sounding[first:end].any()
            and patterns.sounding[slice(*out[-1])].any()
            and _timekeeper(patterns, first, end) != _timekeeper(patterns, *out[-1])
            and _alike(patterns.pulse_likeness, out[-1], (first, end)) >= SAME_LETTER
            and _same_music(music, out[-1], (first, end))
        ):
            out[-1] = (out[-1][0], end)
            joined = True
        else:
            out.append((first, end))
            joined = False
    return out


# -- letters --------------------------------------------------------------------


def _letter(
    patterns: Patterns, stretches: list[tuple[int, int]], music: np.ndarray | None, given: Mapping[int, Section]
) -> list[str]:
    """The same letter for what repeats; the user's letters stay, and sections
    that have a name but no letter get none."""
    letters: list[str] = []
    used = {s.label for s in given.values()}
    names = (f"{letter}{n or ''}" for n in count() for letter in ascii_uppercase)
    fresh = (name for name in names if name not in used)
    for k, (first, end) in enumerate(stretches):
        own = given.get(first)
        if own is not None and (own.label or own.name):
            letters.append(own.label)
            continue
        if not patterns.sounding[first:end].any():
            letters.append("")
            continue
        alike = [
            (_section_likeness(patterns, stretches[j], (first, end)), -j)
            for j in range(k)
            if letters[j] and _same_music(music, stretches[j], (first, end))
        ]
        best, j = max(alike, default=(0.0, 0))
        letters.append(letters[-j] if best >= SAME_LETTER else next(fresh))
    return letters


def _section_likeness(patterns: Patterns, a: tuple[int, int], b: tuple[int, int]) -> float:
    """How much of each section is found again in the other, 0–1."""
    if _timekeeper(patterns, *a) != _timekeeper(patterns, *b):
        return 0.0
    return _alike(patterns.likeness, a, b)


def _alike(likeness: np.ndarray, a: tuple[int, int], b: tuple[int, int]) -> float:
    block = likeness[a[0] : a[1], b[0] : b[1]]
    return float(min(np.median(block.max(axis=1)), np.median(block.max(axis=0))))


def _timekeeper(patterns: Patterns, first: int, end: int) -> str | None:
    # Ties go to the timekeeper that comes first, so that shifting a part by whole
    # bars cannot change the answer.
    return next((k for k, _ in Counter(filter(None, patterns.timekeepers[first:end])).most_common(1)), None)


def _same_music(music: np.ndarray | None, a: tuple[int, int], b: tuple[int, int]) -> bool:
    if music is None:
        return True
    unit = music / np.maximum(np.sqrt((music**2).sum(axis=1, keepdims=True)), 1e-9)
    # A pick-up or a bar too many at the beginning must not hide the likeness.
    for shift in range(-2, 3):
        first, second = a[0] + max(shift, 0), b[0] + max(-shift, 0)
        length = min(a[1] - first, b[1] - second)
        if length < 1:
            continue
        alike = (unit[first : first + length] * unit[second : second + length]).sum(axis=1)
        if alike.mean() >= SAME_MUSIC:
            return True
    return False


def _join(stretches: list[tuple[int, int]], letters: list[str]) -> tuple[list[tuple[int, int]], list[str]]:
    """Neighbours with one letter are one section."""
    joined: list[tuple[int, int]] = []
    kept: list[str] = []
    for stretch, letter in zip(stretches, letters):
        if joined and letter and kept[-1] == letter:
            joined[-1] = (joined[-1][0], stretch[1])
        else:
            joined.append(stretch)
            kept.append(letter)
    return joined, kept


# -- inside a section -------------------------------------------------------------


def _parts(patterns: Patterns, first: int, end: int, fill_bars: frozenset[int]) -> tuple[FormPart, ...]:
    """Stretches of one texture; a bar or two of another are a variation, not a part."""
    main = _timekeeper(patterns, first, end)
    filled: list[str | None] = []
    for k in range(first, end):
        before = filled[-1] if filled else None
        filled.append(before if k in fill_bars and before else patterns.timekeepers[k] or before or main)
    runs = [(name, len(list(group))) for name, group in groupby(filled)]
    while len(runs) > 1:
        shortest = min(range(len(runs)), key=lambda r: (runs[r][1], r))
        if runs[shortest][1] >= PART_BARS:
            break
        neighbour = shortest - 1 if shortest else 1
        runs[shortest] = (runs[neighbour][0], runs[shortest][1])
        runs = [(name, sum(n for _, n in group)) for name, group in groupby(runs, key=lambda r: r[0])]
    names: dict[str | None, str] = {}
    out, k = [], first
    for name, n in runs:
        names.setdefault(name, chr(ord("a") + len(names) % 26))
        bars = range(k, k + n)
        out.append(FormPart(bars, _kept(patterns, bars, name, fill_bars), names[name] if len(runs) > 1 else ""))
        k += n
    return tuple(out)


def _kept(patterns: Patterns, bars: range, name: str | None, fill_bars: frozenset[int]) -> str | None:
    """What a part keeps time on, if it does so in more than a bar or two."""
    keeping = [patterns.timekeepers[k] == name for k in bars if k not in fill_bars]
    return name if sum(keeping) > VARIATION_BARS or 2 * sum(keeping) >= len(keeping) else None


def _phrase_bars(patterns: Patterns, first: int, end: int, crashes: tuple[int, ...], fill_ends: frozenset[int]) -> int:
    """Phrase length, 4, 8 or 16 bars, whose lines crashes and fills mark; 0 if none."""
    marks = {k - first for k in range(first + 1, end) if k in fill_ends or k in crashes}

    def share(lines: range) -> float:
        return sum(m in marks for m in lines) / len(lines) if len(lines) else 0.0

    for length in (4, 8, 16):
        lines = range(length, end - first, length)
        # Lines that longer phrases would mark too say nothing for shorter ones.
        own = [m for m in lines if m % (2 * length)]
        hits = sum(m in marks for m in lines)
        if share(lines) >= 0.6 and any(m in marks for m in own) and hits >= 0.4 * len(marks):
            return length
    return 0


# -- audio -------------------------------------------------------------------------


def bar_features(chart: Chart, samples: np.ndarray, sample_rate: int, progress: Progress | None = None) -> np.ndarray:
    """Beat-synchronous harmony and timbre of each bar, (bars, features).

    Chroma of every beat and MFCCs of the bar (librosa; B. McFee et al., SciPy
    2015), standardised over the song and scaled so that two wholly different
    bars lie about 2 apart in squared distance.

    Parameters
    ----------
    chart : Chart
    samples : ndarray (n,), float32, mono
    sample_rate : int
    progress : Progress, optional
    """
    tell = part(progress, 0.0, 1.0)
    tell(0.0, "Listening for the form")
    import librosa

    rate = 22050
    if sample_rate != rate:
        samples = librosa.resample(np.asarray(samples, np.float32), orig_sr=sample_rate, target_sr=rate)
    hop = 1024
    # Harmonic content only: drums would blur the chroma.
    spectrum = np.abs(librosa.stft(samples, n_fft=4096, hop_length=hop))
    tell(0.1, "Hearing the harmony")
    harmonic = librosa.decompose.hpss(spectrum)[0]
    tell(0.8, "Comparing the bars")
    chroma = librosa.feature.chroma_stft(S=harmonic**2, sr=rate, tuning=0.0)
    mel = librosa.feature.melspectrogram(S=spectrum**2, sr=rate, n_mels=64)
    mfcc = librosa.feature.mfcc(S=librosa.power_to_db(mel), n_mfcc=13)
    bars = chart.time_map.bars
    widest = max(len(b.beat_times_s) for b in bars)
    rows = []
    for k, bar in enumerate(bars):
        edges = [*bar.beat_times_s, chart.time_map.bar_end_s(k)]
        columns = [_mean_frames(chroma, a, b, rate / hop) for a, b in zip(edges, edges[1:])]
        columns += [np.zeros(12)] * (widest - len(columns))
        rows.append(np.concatenate([*columns, 2 * _mean_frames(mfcc, edges[0], edges[-1], rate / hop)]))
    out = np.array(rows)
    spread = out.std(axis=0)
    out = (out - out.mean(axis=0)) / np.where(spread > 1e-9, spread, 1.0)
    out[:, -13:] *= np.sqrt(widest * 12 / 13 / 2)
    return out / np.sqrt(max((out**2).sum(axis=1).mean(), 1e-9))


def _mean_frames(x: np.ndarray, start_s: float, end_s: float, frames_per_s: float) -> np.ndarray:
    a = min(max(int(start_s * frames_per_s + 0.5), 0), x.shape[1] - 1)
    b = min(max(int(end_s * frames_per_s + 0.5), a + 1), x.shape[1])
    return x[:, a:b].mean(axis=1)
