"""Notes of MusicXML as notes of the drum key."""

from tests.test_musicxml import NOTE, score
from workbench.notation.musicxml_read import read_musicxml_bytes


def test_instrument_comes_from_midi_number_then_name_then_place():
    parts = (
        "<score-part id='P1'><part-name/>"
        "<score-instrument id='a'><instrument-name>Thing</instrument-name></score-instrument>"
        "<score-instrument id='b'><instrument-name>Ride Bell</instrument-name></score-instrument>"
        "<score-instrument id='c'><instrument-name>Thing</instrument-name></score-instrument>"
        "<midi-instrument id='a'><midi-unpitched>43</midi-unpitched></midi-instrument></score-part>"
    )
    notes = "".join(
        NOTE.replace("<duration>4</duration>", f"<duration>1</duration><instrument id='{i}'/>") for i in "abc"
    )
    back = read_musicxml_bytes(
        score(f"<measure number='1'><attributes><divisions>1</divisions></attributes>{notes}</measure>", parts)
    )
    assert [n.instrument for n in back.chart.bars[0].notes] == ["closed hi-hat", "ride bell", "Thing [88]"]
