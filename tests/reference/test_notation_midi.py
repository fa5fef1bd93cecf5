"""Our MIDI files as other programs read them.

* Standard MIDI Files 1.0 (MMA, 1996): tempo is in microseconds per quarter.
* General MIDI Level 1 percussion map, as pretty_midi (MIT) carries it in
  ``pretty_midi.constants.DRUM_MAP`` (its first entry is key 35).
* mido (MIT) and pretty_midi (MIT) as readers.
"""

import warnings
from fractions import Fraction
from io import BytesIO

import mido
import pytest

from workbench.chart import Chart, Note, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS, instrument
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.notation.midi import midi_bytes


def kit_chart() -> Chart:
    """Each instrument once, on triplets, played a little late through a ritardando."""
    bars = [Bar(Meter(), tuple(2.0 * k + (0.45 + 0.05 * k) * b for b in range(4))) for k in range(4)]
    written = [[] for _ in bars]
    for k, i in enumerate(INSTRUMENTS):
        written[k // 5].append(Note(Fraction(k % 5, 6), i.name, 40 + 4 * k, deviation_s=0.004 * (k % 4)))
    return Chart(TimeMap(bars, 8.4), tuple(WrittenBar(tuple(w)) for w in written))


def pretty(chart, played):
    import pretty_midi

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        midi = pretty_midi.PrettyMIDI(BytesIO(midi_bytes(chart, played)))
        keys = {n.pitch for i in midi.instruments for n in i.notes}
        names = {key: pretty_midi.note_number_to_drum_name(key) for key in keys}
    return midi, names


def test_pretty_midi_hears_every_stroke_when_it_was_played():
    chart = kit_chart()
    midi, _ = pretty(chart, played=True)
    (drums,) = midi.instruments
    assert drums.is_drum
    start = chart.time_map.start_s
    expected = sorted(
        (chart.note_time_s(k, n) - start, instrument(n.instrument).midi_note, n.velocity) for k, n in chart.notes()
    )
    found = sorted((n.start, n.pitch, n.velocity) for n in drums.notes)
    assert [f[1:] for f in found] == [e[1:] for e in expected]
    # Half a microsecond a quarter, half a tick at 6720 to the quarter.
    assert [f[0] for f in found] == pytest.approx([e[0] for e in expected], abs=2e-4)


def test_keys_have_the_general_midi_names_of_the_drum_key():
    _, names = pretty(kit_chart(), played=False)
    for i in INSTRUMENTS:
        assert names[i.midi_note].replace("-", " ") == i.general_midi_name.replace("-", " ")


def test_mido_hears_beats_and_tempo_as_written():
    chart = kit_chart()
    midi = mido.MidiFile(file=BytesIO(midi_bytes(chart, played=False)))
    tempo = next(m.tempo for m in midi.tracks[0] if m.type == "set_tempo")
    assert tempo == round(60e6 / round(16 * 60 / 8.4))
    tick, found = 0, []
    for m in midi.tracks[0]:
        tick += m.time
        if m.type == "note_on":
            assert m.channel == 9
            found.append((Fraction(tick, 4 * midi.ticks_per_beat), m.note))
    expected = [(chart.time_map.starts[k] + n.position, instrument(n.instrument).midi_note) for k, n in chart.notes()]
    assert sorted(found) == sorted(expected)


def test_a_quarter_at_120_lasts_500000_microseconds():
    chart = Chart(TimeMap.steady(2, 120), (WrittenBar((Note(Fraction(0), "kick"),)),) * 2)
    for played in (True, False):
        midi = mido.MidiFile(file=BytesIO(midi_bytes(chart, played)))
        assert [m.tempo for m in midi.tracks[0] if m.type == "set_tempo"] == [500_000]
        assert midi.length == pytest.approx(4.0, abs=1e-6)
