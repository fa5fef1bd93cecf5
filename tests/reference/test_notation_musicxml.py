"""Our MusicXML against what others say of it.

* MusicXML 4.0 schema (W3C Music Notation Community Group, Final Report 2021,
  ``musicxml.xsd``), as carried by the PyPI package ``musicxml`` (MIT).
* music21 (BSD), partitura (Apache-2.0) and verovio (LGPL), three readers of
  MusicXML by other people: each must find every note at the bar, beat and staff
  place at which we wrote it.
"""

import importlib.util
import warnings
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from lxml import etree

from tests.chart_strategies import charts
from tests.effort import examples
from workbench.chart import Chart, Note, Section, WrittenBar
from workbench.chart.drumkit import INSTRUMENTS, instrument
from workbench.chart.meter import Bar, Meter, TimeMap
from workbench.engraving.mei import staff_place
from workbench.notation.musicxml import musicxml_bytes
from workbench.notation.scoresigns import ScoreOptions

FEW = examples(25, suppress_health_check=list(HealthCheck))
PLAYABLE = (1, 2, 3, 4, 6, 8)


def package_folder(name: str) -> Path:
    return Path(importlib.util.find_spec(name).submodule_search_locations[0])


class _Imports(etree.Resolver):
    def resolve(self, url, _id, context):
        folder = package_folder("xmlschema") / "schemas"
        for end, file in (("xml.xsd", "XML/xml.xsd"), ("xlink.xsd", "XLINK/xlink.xsd")):
            if url.endswith("/" + end):
                return self.resolve_filename(str(folder / file), context)
        return None


@pytest.fixture(scope="module")
def schema():
    parser = etree.XMLParser()
    parser.resolvers.add(_Imports())
    file = package_folder("musicxml") / "generate_classes" / "musicxml_4_0.xsd"
    return etree.XMLSchema(etree.parse(str(file), parser))


@FEW
@given(charts(most_bars=3))
def test_the_schema_accepts_every_chart(schema, chart):
    for options in (
        ScoreOptions(),
        ScoreOptions(one_voice=True, counts=True, sticking=False),
        ScoreOptions(repeats=True, slashes=(0,)),
        ScoreOptions(doubts=True),
    ):
        assert schema.validate(etree.fromstring(musicxml_bytes(chart, options))), schema.error_log


def test_the_schema_accepts_repeats_endings_rests_and_similes(schema, part):
    for options in (ScoreOptions(), ScoreOptions(repeats=True)):
        data = musicxml_bytes(part, options)
        assert schema.validate(etree.fromstring(data)), schema.error_log
    for tag in (b"<repeat", b"<ending", b"<multiple-rest", b"<measure-repeat", b"<grace", b"<tuplet"):
        assert tag in data


def test_the_schema_refuses_what_is_wrong(schema):
    wrong = b"<score-partwise version='4.0'><part id='P1'/></score-partwise>"
    assert not schema.validate(etree.fromstring(wrong))


@pytest.fixture
def part() -> Chart:
    """A part with a pick-up, a meter change, tuplets, graces, rests and similes."""

    def bar(*notes):
        return WrittenBar(tuple(Note(Fraction(p), name, 90, frozenset(said)) for p, name, *said in notes))

    hats = [(Fraction(k, 8), "closed hi-hat") for k in range(8)]
    groove = bar(
        *hats, (0, "kick"), (Fraction(1, 4), "snare", "accent"), (Fraction(5, 8), "kick"), (Fraction(3, 4), "snare")
    )
    drums = ("snare", "high tom", "floor tom")
    fill = bar(*[(Fraction(k, 12), drums[k % 3]) for k in range(12)], (0, "kick"))
    graces = bar(
        (0, "snare", "flam"),
        (Fraction(1, 4), "snare", "drag"),
        (Fraction(1, 2), "crash", "choke"),
        (Fraction(1, 2), "kick"),
        (Fraction(9, 16), "ride bell"),
        (Fraction(3, 4), "snare", "roll"),
        (Fraction(3, 4), "pedal hi-hat"),
    )
    pickup = bar((0, "snare", "ghost"), (Fraction(1, 8), "mid tom"))
    short = bar((0, "side stick"), (Fraction(3, 8), "open hi-hat"))
    body = [groove, groove, graces, fill]
    bars = [
        pickup,
        *body,
        *body[:3],
        groove,
        WrittenBar(),
        WrittenBar(),
        short,
        *[bar((0, name)) for name in (i.name for i in INSTRUMENTS)],
    ]
    now, timed = 0.0, []
    for written in bars:
        meter = Meter(2, 4) if written is short else Meter()
        length = Fraction(1, 4) if written is pickup else None
        count = 1 if written is pickup else meter.counted_beats
        timed.append(Bar(meter, tuple(now + 0.5 * k for k in range(count)), length))
        now += 0.5 * count
    return Chart(
        TimeMap(timed, now),
        tuple(bars),
        title="Enamel Kettle",
        sections=(Section(1, "Verse", "A"), Section(9, "Coda", "B")),
    )


def written(chart: Chart):
    """(bar index, position, staff step and octave, notehead) of every note."""
    out = []
    for k, n in chart.notes():
        own = instrument(n.instrument)
        out.append((k, n.position, f"{own.staff_step}{own.staff_octave}", own.notehead.value))
    return sorted(out)


def test_music21_reads_the_same_notes(part):
    import music21

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = music21.converter.parseData(musicxml_bytes(part).decode(), format="musicxml")
    found = []
    for k, measure in enumerate(score.parts[0].getElementsByClass("Measure")):
        for element in measure.recurse().notes:
            if element.duration.isGrace:
                continue
            at = Fraction(element.getOffsetInHierarchy(measure)).limit_denominator(10000) / 4
            for n in element.notes if hasattr(element, "notes") else [element]:
                found.append((k, at, f"{n.displayStep}{n.displayOctave}", n.notehead))
    assert sorted(found) == written(part)


@pytest.mark.slow
def test_partitura_reads_the_same_notes(part, tmp_path, monkeypatch):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import partitura
        from partitura.score import Measure, UnpitchedNote

        # partitura 1.9 looks for this on every note of a chord, but unpitched ones lack it.
        monkeypatch.setattr(UnpitchedNote, "is_grace_chord", False, raising=False)
        file = tmp_path / "part.musicxml"
        file.write_bytes(musicxml_bytes(part))
        score = partitura.load_musicxml(str(file)).parts[0]
    measures = [m.start.t for m in score.iter_all(Measure)]
    quarter = score.quarter_durations()[0][1]
    found = []
    for n in score.iter_all(UnpitchedNote, include_subclasses=True):
        if n.duration == 0:
            continue
        k = max(j for j, t in enumerate(measures) if t <= n.start.t)
        found.append((k, Fraction(int(n.start.t - measures[k]), int(quarter)) / 4, f"{n.step}{n.octave}"))
    assert sorted(found) == sorted(w[:3] for w in written(part))


def test_verovio_reads_the_same_notes(part):
    import verovio

    toolkit = verovio.toolkit()
    toolkit.setOptions({"inputFrom": "musicxml"})
    assert toolkit.loadData(musicxml_bytes(part, ScoreOptions(similes=False, multirests=False)).decode())
    root = etree.fromstring(toolkit.getMEI().encode())
    heads = {None: "normal", "x": "x", "diamond": "diamond", "isotriangle": "triangle", "U+E0B3": "circle-x"}
    found = []
    for k, measure in enumerate(root.iter("{*}measure")):
        for layer in measure.iter("{*}layer"):
            at = Fraction(0)
            for element, length in _timed(layer):
                for n in element.iter("{*}note"):
                    found.append((k, at, int(n.get("loc")), heads[n.get("head.shape")]))
                at += length
    expected = []
    for k, n in part.notes():
        own = instrument(n.instrument)
        expected.append((k, n.position, staff_place(own), own.notehead.value))
    assert sorted(found) == sorted(expected)


def _timed(parent, scale=Fraction(1)):
    """Elements of an MEI layer that take time, with their lengths."""
    for e in parent:
        tag = etree.QName(e).localname
        if e.get("grace") or tag == "graceGrp":
            continue
        if tag == "tuplet":
            yield from _timed(e, scale * Fraction(int(e.get("numbase")), int(e.get("num"))))
        elif tag in ("beam", "bTrem"):
            yield from _timed(e, scale)
        elif tag in ("note", "chord", "rest", "space"):
            length = Fraction(1, int(e.get("dur"))) * scale
            yield e, length * Fraction(3, 2) if e.get("dots") == "1" else length
        elif tag in ("mRest", "mSpace"):
            yield e, Fraction(0)
        else:
            assert tag in ("clef", "meterSig"), tag


@FEW
@given(charts(most_bars=2, parts=PLAYABLE))
def test_music21_agrees_on_random_charts(chart):
    import music21

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = music21.converter.parseData(musicxml_bytes(chart).decode(), format="musicxml")
    found = []
    for k, measure in enumerate(score.parts[0].getElementsByClass("Measure")):
        for element in measure.recurse().notes:
            if not element.duration.isGrace:
                at = Fraction(element.getOffsetInHierarchy(measure)).limit_denominator(10000) / 4
                found += [
                    (k, at, f"{n.displayStep}{n.displayOctave}")
                    for n in (element.notes if hasattr(element, "notes") else [element])
                ]
    assert sorted(found) == sorted(w[:3] for w in written(chart))
