"""Scores of drafts against annotations."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from tests.test_spectral import RATE, performance
from workbench.chart import Chart, Note, PossibleHit, WrittenBar
from workbench.chart.drumkit import instrument
from workbench.chart.events import Beat, Stroke
from workbench.chart.meter import TimeMap
from workbench.errors import FileFormatError
from workbench.evaluation.evaluate import (
    SUBCLASSES,
    Visits,
    area_under_curve,
    corrections,
    evaluate_folder,
    format_table,
    match,
    score_beats,
    score_strokes,
    summarize,
    visit_doubts,
)
from workbench.files.audio import Audio, save_audio
from workbench.sound.rendering import Hit, mix_hits

pytestmark = pytest.mark.slow

LABELS = [(0.0, "KD"), (0.5, "SD"), (0.5, "HH"), (1.0, "KD"), (1.5, "SD"), (1.5, "OT")]
FINE = [(0.0, "KD"), (0.5, "SD"), (0.5, "CHH"), (1.0, "KD"), (1.5, "SDG"), (1.5, "SST")]
RIGHT = [
    Stroke(0.0, "kick"),
    Stroke(0.5, "snare", 100),
    Stroke(0.5, "closed hi-hat"),
    Stroke(1.0, "kick"),
    Stroke(1.5, "snare", 30),
    Stroke(1.5, "side stick"),
]


def test_a_perfect_draft():
    beats = [Beat(0.5 * k, k % 4 + 1) for k in range(8)]
    scores = score_strokes("a", "drum", RIGHT, beats, LABELS, FINE, beats, 4.0)
    assert list(scores.classes.sum()) == [5, 5, 5]
    assert list(scores.instruments.sum()) == [6, 6, 6]
    assert (scores.beats_f, scores.downbeats_f) == (1.0, 1.0)
    assert (scores.inserts, scores.deletes, scores.relabels, scores.bars) == (0, 0, 0, 2)
    assert (scores.ghost_velocities, scores.normal_velocities) == ((30,), (100,))


def test_corrections_count_inserts_deletes_and_relabels():
    found = [(0.01, "kick"), (0.5, "ride"), (2.0, "snare"), (3.0, "kick")]
    expected = [(0.0, "kick"), (0.52, "closed hi-hat"), (2.0, "snare"), (2.5, "kick")]
    fixes = corrections(expected, found)
    assert (fixes.inserts, fixes.deletes, fixes.relabels) == (1, 1, 1)
    assert fixes.right == (True, False, True, False)


def drafted(*strokes, possible=()):
    """A chart of bars of 2 s; strokes are (seconds, name, confidence), possible ones (seconds, name)."""
    bars = [WrittenBar() for _ in range(8)]
    for time_s, name, confidence in strokes:
        bar, late = divmod(time_s, 2.0)
        bars[int(bar)] = bars[int(bar)].with_note(Note(Fraction(late / 2), name, confidence=confidence))
    hits = tuple(PossibleHit(time_s, name, 60, 0.4) for time_s, name in possible)
    return Chart(TimeMap.steady(8, 120), tuple(bars), possible_hits=hits)


def test_visits_reach_doubtful_wrong_hits_and_possible_ones_that_were_played():
    expected = [(1.0, "kick"), (2.0, "snare"), (3.0, "closed hi-hat"), (4.0, "ride")]
    # A name to change (seen at one place with its suggestion), a hit too many that carries no doubt, two that lack.
    found = (1.0, "kick", 0.5), (2.0, "high tom", 0.5), (3.5, "snare", 0.9)
    possible = [(2.01, "snare"), (3.0, "closed hi-hat"), (5.0, "crash")]
    seen = visit_doubts(expected, drafted(*found, possible=possible))
    assert (seen.visits, seen.reached, seen.errors) == (4, 2, 4)
    right = drafted(*((t, name, 1.0) for t, name in expected))
    assert visit_doubts(expected, right) == Visits(0, 0, 0)


def test_a_question_in_many_bars_is_one_visit_only_if_one_answer_is_right_for_all():
    groove = [(2.0 * k + 0.5 * b, "kick", 1.0) for k in range(4) for b in range(4)]
    doubtful = [(2.0 * k + 0.25, "ride", 0.5) for k in range(4)]
    draft = drafted(*groove, *doubtful)
    kicks = [hit[:2] for hit in groove]
    played = [hit[:2] for hit in doubtful]

    def visits(*more):
        seen = visit_doubts([*kicks, *more], draft)
        return seen.visits, seen.reached, seen.errors

    assert visits(*played) == (1, 0, 0), "all were played: kept at once"
    assert visits() == (1, 4, 4), "none was: all go at once"
    assert visits(*((t, "crash") for t, _ in played)) == (1, 4, 4), "all are given to one drum"
    assert visits(*played[1:]) == (5, 1, 1), "one was not: the question, and each of its places"
    assert visits((0.25, "crash")) == (5, 4, 4), "one is given to another drum, the others go"
    possible = drafted(*groove, possible=played)
    assert visit_doubts([*kicks, *played], possible) == Visits(1, 4, 4)
    assert visit_doubts([*kicks, *played[:3]], possible) == Visits(5, 3, 3)


def test_matching_is_one_to_one_within_the_window():
    assert len(match([1.0], [1.0, 1.01])) == 1
    assert len(match([1.0, 1.08], [1.04])) == 1
    assert match([1.0], [1.051]) == [] and len(match([1.0], [1.049])) == 1


def test_side_stick_and_percussion_are_outside_the_five_classes():
    scores = score_strokes("a", "mix", [Stroke(1.5, "side stick"), Stroke(1.0, "tambourine")], [], LABELS)
    assert scores.classes["found"].sum() == 0


def test_every_kind_of_crash_counts_as_crash():
    scores = score_strokes(
        "a", "mix", [Stroke(1.0, "china"), Stroke(2.0, "splash")], [], (), [(1.0, "CRC"), (2.0, "CHC")]
    )
    assert list(scores.instruments.loc["crash"]) == [2, 2, 2]


@pytest.mark.parametrize("label", list(SUBCLASSES))
def test_labels_stand_for_instruments_of_the_drum_key(label):
    assert instrument(SUBCLASSES[label])


def test_off_beat_and_wrong_downbeats_show():
    truth = [Beat(0.5 * k, k % 4 + 1) for k in range(16)]
    shifted = [replace(b, number=(b.number + 1) % 4 + 1) for b in truth]
    assert score_beats(truth, shifted) == (1.0, 0.0)
    assert score_beats(truth, [replace(b, time_s=b.time_s + 0.25) for b in truth]) == (0.0, 0.0)
    assert score_beats(truth, []) == (0.0, 0.0)


def test_area_under_curve():
    assert area_under_curve([1, 2], [3, 4]) == 1.0
    assert area_under_curve([3, 4], [1, 2]) == 0.0
    assert area_under_curve([1, 1], [1, 1]) == 0.5
    assert np.isnan(area_under_curve([], [1]))


def test_reliability_counts_hits_of_each_confidence():
    found = [Stroke(0.0, "kick", 90, 0.95), Stroke(1.0, "kick", 90, 0.95), Stroke(2.0, "snare", 90, 0.6)]
    scores = score_strokes("a", "mix", found, [], (), [(0.0, "KD"), (2.0, "SD")])
    rows = summarize([scores])["audio"]["mix"]["reliability"]
    assert [(r["hits"], r["right"]) for r in rows] == [(1, 1.0), (2, 0.5)]


def write_labels(path, labels):
    path.write_text("".join(f"{time_s}\t{label}\n" for time_s, label in labels))


def write_data_set(folder, pure_tones=False):
    """A recording of a performance, annotated: on the workbench's kit, or its kick a tone without attack."""
    sound, expected = performance(10.0)
    if not pure_tones:
        hits = [Hit(t, name, 90) for name, times in expected.items() for t in times]
        sound = 0.5 * mix_hits(hits, 10 * RATE, RATE)
    labels = sorted(
        (t, {"kick": "KD", "snare": "SD", "closed hi-hat": "HH"}[name])
        for name, times in expected.items()
        for t in times
    )
    for kind in ("drum", "class", "beats"):
        (folder / kind).mkdir()
    save_audio(folder / "drum" / "one.wav", Audio(sound, RATE))
    write_labels(folder / "class" / "one.txt", labels)
    beats = np.arange(0.25, 9.5, 0.5)
    write_labels(folder / "beats" / "one.txt", [(t, k % 4 + 1) for k, t in enumerate(beats)])


def test_a_folder_is_evaluated_with_what_it_has(tmp_path):
    write_data_set(tmp_path)
    data = summarize(evaluate_folder(tmp_path))
    assert list(data["audio"]) == ["drum"]
    drum = data["audio"]["drum"]
    assert drum["classes"]["KD"]["recall"] > 0.9
    assert drum["beats_f"] > 0.9
    assert drum["instruments"] == {} and drum["ghost_notes"]["area_under_curve"] is None


@pytest.mark.xfail(strict=True, reason="known to fail since run 8, as the model card says; once it passes, remove this")
def test_kicks_of_one_pure_tone_are_found(tmp_path):
    write_data_set(tmp_path, pure_tones=True)
    drum = summarize(evaluate_folder(tmp_path))["audio"]["drum"]
    assert drum["classes"]["KD"]["recall"] > 0.9


def test_a_folder_without_annotated_recordings(tmp_path):
    with pytest.raises(FileFormatError, match="no annotated recordings"):
        evaluate_folder(tmp_path)


def test_table_shows_what_is_unknown_as_a_dash():
    scores = score_strokes("song", "mix", RIGHT, [], LABELS)
    assert "–" in format_table([scores])
