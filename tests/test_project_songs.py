"""Songs of known bars from a workstation's projects."""

import zlib
from pathlib import Path

import pytest

from workbench.training import project_songs
from workbench.training.project_songs import main, read_project

HEAD = '<head bpm="140" timesig_numerator="4" timesig_denominator="4"/>'
DRUM = (
    '<track type="0"><instrumenttrack><instrument name="audiofileprocessor"/></instrumenttrack>'
    '<pattern pos="0" len="192">{notes}</pattern><pattern pos="2880" len="192"/></track>'
)


def project(path: Path, head=HEAD, notes=40):
    song = DRUM.format(notes='<note pos="0" len="-192"/>' * notes)
    inside = f'<song><trackcontainer type="song">{song}</trackcontainer></song>'
    text = f'<lmms-project type="song">{head}{inside}</lmms-project>'
    data = text.encode()
    path.write_bytes(len(data).to_bytes(4, "big") + zlib.compress(data) if path.suffix == ".mmpz" else data)
    return path


@pytest.mark.parametrize("ending", [".mmp", ".mmpz"])
def test_tempo_length_and_sampled_notes_are_read(tmp_path, ending):
    read = read_project(project(tmp_path / f"song{ending}"))
    assert (read.tempo_bpm, read.sampled) == (140.0, 40)
    assert read.length_s == pytest.approx(16 * 240 / 140)  # sixteen bars of four quarters
    beats_s, numbers = read.beats()
    assert len(beats_s) == 64 and beats_s[4] == pytest.approx(240 / 140) and numbers[:5].tolist() == [1, 2, 3, 4, 1]


def test_what_has_no_bars_of_4_4_is_not_used(tmp_path):
    for head in ("<head/>", HEAD.replace('numerator="4"', 'numerator="7"'), "<head><bpm value='1'/></head>"):
        assert read_project(project(tmp_path / "song.mmp", head)) is None
    assert read_project(project(tmp_path / "song.mmp", HEAD.replace('numerator="4"', 'numerator="8"'))) is not None


def test_sketches_are_left_out_and_songs_are_rendered_and_kept(tmp_path, monkeypatch):
    project(tmp_path / "song.mmp")
    project(tmp_path / "sketch.mmp", notes=3)
    ran, kept = [], []
    monkeypatch.setattr(project_songs.subprocess, "run", lambda command, **_: ran.append(command))
    monkeypatch.setattr(project_songs, "hear_song", lambda path, out, *told: kept.append((out.name, *told[:2])))
    monkeypatch.setattr("sys.argv", ["project_songs", str(tmp_path), str(tmp_path / "out")])
    main()
    assert [c[3] for c in ran] == [str(tmp_path / "song.mmp")] and kept == [("project-song.npz", "song", "4/4")]
