"""From files through ``check`` to ``apply``: the right files, unchanged ones, and none outside the session.

What must hold is said in README.md and DEVELOPERS.md; the audio is white noise whose corrections are known.
"""

import base64
import json
import os
import shutil
import sys

import numpy as np
import pytest
import soundfile
from wave_chunks import bext, insert_chunks

from polaritykit.cli import main

RATE = 48_000
LATE = 48


def noise(seed):
    """White noise, well below full scale."""
    return 0.1 * np.random.default_rng(seed).standard_normal(RATE + LATE)


@pytest.fixture(scope="module")
def sound():
    """Two tracks: the second late by 48 samples and upside down."""
    samples = noise(1)
    return {"t0": samples[LATE:], "t1": -samples[:-LATE]}


@pytest.fixture(scope="module")
def made(tmp_path_factory, sound):
    """Write the session, and others by the same names below it; checked once for all tests."""
    place = tmp_path_factory.mktemp("made")
    (place / "s" / "s").mkdir(parents=True)
    for number, (name, samples) in enumerate(sound.items()):
        soundfile.write(place / "s" / f"{name}.wav", samples, RATE, subtype="FLOAT")
        soundfile.write(place / "s" / "s" / f"{name}.wav", noise(2 + number), RATE, subtype="FLOAT")
    assert run("check", place / "s", "--out", place / "o") == 0
    return place


@pytest.fixture
def session(tmp_path, made, monkeypatch):
    """Give a session of one's own to change, and work from the folder above."""
    shutil.copytree(made / "s", tmp_path / "s")
    monkeypatch.chdir(tmp_path)
    return tmp_path / "s"


@pytest.fixture
def report(session, made):
    """Give the session's report, as it is where the session was checked in its place."""
    folder = session.parent / "o"
    shutil.copytree(made / "o", folder)
    document = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    document["session"]["folder"] = str(session.resolve())
    (folder / "report.json").write_text(json.dumps(document), encoding="utf-8")
    return folder


def run(*arguments):
    """Run the command line; return the exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def is_made_from(copy, samples):
    """Whether a copy is these samples, flipped or delayed."""
    shown, _ = soundfile.read(copy)
    added = len(shown) - len(samples)
    return added >= 0 and any(np.allclose(sign * shown[added:], samples, atol=1e-6) for sign in (1, -1))


@pytest.mark.parametrize("elsewhere", [False, True])
def test_listed_files_are_the_ones_corrected(session, sound, monkeypatch, elsewhere):
    """A report of files named one by one leads to these files, from any working folder."""
    out = session.parent / "fixed"
    assert run("check", "s/t0.wav", "s/t1.wav", "--out", "o") == 0
    document = json.loads((session.parent / "o" / "report.json").read_text(encoding="utf-8"))
    assert document["session"]["folder"] == str(session.resolve())
    assert [track["file"] for track in document["tracks"]] == ["t0.wav", "t1.wav"]

    if elsewhere:
        monkeypatch.chdir(session)
    assert run("apply", session.parent / "o", "--out", out) == 0
    assert all(is_made_from(out / f"{name}.wav", samples) for name, samples in sound.items())
    assert sorted(path.name for path in out.rglob("*.wav")) == ["t0.wav", "t1.wav"]


def test_files_of_two_folders(session, sound):
    """They lie below their common folder, in the report as among the copies."""
    (session.parent / "b").mkdir()
    (session / "t1.wav").rename(session.parent / "b" / "t1.wav")
    (session.parent / "b" / "rubbish.wav").write_text("no audio")
    assert run("check", "s/t0.wav", "b/t1.wav", "b/rubbish.wav", "--out", "o") == 0
    document = json.loads((session.parent / "o" / "report.json").read_text(encoding="utf-8"))
    assert document["session"]["folder"] == str(session.parent.resolve())
    assert [track["file"] for track in document["tracks"]] == ["s/t0.wav", "b/t1.wav", "b/rubbish.wav"]

    assert run("apply", "o", "--out", "fixed") == 0
    assert is_made_from(session.parent / "fixed" / "s" / "t0.wav", sound["t0"])
    assert is_made_from(session.parent / "fixed" / "b" / "t1.wav", sound["t1"])


def rewritten(path, change=lambda samples: samples, rate=RATE, subtype="FLOAT"):
    """Write a file again, changed."""
    samples, _ = soundfile.read(path)
    soundfile.write(path, change(samples), rate, subtype=subtype)


def one_sample(samples):
    """Change what no correction needs: one sample, in the last digits."""
    samples[-1] += 1e-5
    return samples


CHANGES = {
    "sound": lambda path: rewritten(path, one_sample),
    "sample rate": lambda path: rewritten(path, rate=44_100),
    "length": lambda path: rewritten(path, lambda samples: samples[:-1000]),
    "channels": lambda path: rewritten(path, lambda samples: np.stack([samples, samples], axis=1)),
    "size in bytes": lambda path: rewritten(path, subtype="DOUBLE"),
    "start time": lambda path: insert_chunks(path, bext(4_800)),
    "cannot be read any more": lambda path: path.write_bytes(b"no audio"),
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_changed_file_is_refused_by_name(session, report, capsys, what):
    """Before anything is written; with the file of that time back, all is well."""
    kept = (session / "t1.wav").read_bytes()
    CHANGES[what](session / "t1.wav")
    before = sorted(session.parent.rglob("*"))
    capsys.readouterr()

    assert run("apply", report, "--out", "fixed") == 4
    said = capsys.readouterr().err
    assert said.startswith("polaritykit: Changed since the report was made: t1.wav (")
    assert what in said
    assert "t0.wav" not in said
    assert sorted(session.parent.rglob("*")) == before

    (session / "t1.wav").write_bytes(kept)
    assert run("apply", report, "--out", "fixed") == 0


def test_what_lies_outside_the_common_span_counts_too(session, capsys):
    """A copy is made of the whole file, so the whole file must be the same."""
    rewritten(session / "t1.wav", lambda samples: np.concatenate([samples, samples]))
    assert run("check", "s", "--out", "o") == 0
    rewritten(session / "t1.wav", one_sample)

    assert run("apply", "o", "--out", "fixed") == 4
    assert "t1.wav (sound)" in capsys.readouterr().err


def point_elsewhere(report, file):
    """Make the report name another file for its second track, with that file's own fingerprint."""
    document = json.loads((report / "report.json").read_text(encoding="utf-8"))
    document["tracks"][1]["file"] = document["files"][1]["file"] = file
    (report / "report.json").write_text(json.dumps(document), encoding="utf-8")


@pytest.fixture
def secret(session):
    """Put a copy of the second file outside the session: only its place is wrong."""
    place = session.parent / "other" / "secret.wav"
    place.parent.mkdir()
    place.write_bytes((session / "t1.wav").read_bytes())
    return place


@pytest.mark.parametrize(
    "file", ["ABSOLUTE", "../other/secret.wav", "s/../../other/secret.wav", "..", ".", "", None, 7]
)
def test_no_file_outside_the_session_is_read(session, report, secret, capsys, file):
    """Whatever the report says: one sentence, exit code 4, nothing written."""
    point_elsewhere(report, str(secret) if file == "ABSOLUTE" else file)
    before = sorted(session.parent.rglob("*"))
    capsys.readouterr()

    assert run("apply", report, "--out", "fixed") == 4
    said = capsys.readouterr().err
    assert "report" in said.lower()
    assert len(said.splitlines()) == 1
    assert sorted(session.parent.rglob("*")) == before


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_links_out_of_the_session_are_not_followed(session, report, secret, capsys, kind):
    """A link in the place of a file, and a folder that is one, are refused by name."""
    if kind == "file":
        (session / "t1.wav").unlink()
        (session / "t1.wav").symlink_to(secret)
    else:
        (session / "deep").symlink_to(secret.parent)
        point_elsewhere(report, "deep/secret.wav")
    before = sorted(session.parent.rglob("*"))
    capsys.readouterr()

    assert run("apply", report, "--out", "fixed") == 4
    said = capsys.readouterr().err
    assert ("t1.wav" if kind == "file" else "secret.wav") in said
    assert "leads out of the session's folder by a link" in said
    assert sorted(session.parent.rglob("*")) == before


def test_links_within_the_session_and_to_it_are_fine(session, sound):
    """What stays in the session stays in the session."""
    (session / "takes").mkdir()
    (session / "t1.wav").rename(session / "takes" / "one.wav")
    (session / "t1.wav").symlink_to("takes/one.wav")
    (session.parent / "way").symlink_to(session)
    assert run("check", "way", "--out", "o") == 0

    assert run("apply", "o", "--session", "way", "--out", "fixed") == 0
    assert all(is_made_from(session.parent / "fixed" / f"{name}.wav", x) for name, x in sound.items())
    assert (session / "t1.wav").is_symlink()
    assert not (session.parent / "fixed" / "t1.wav").is_symlink()


#: Latin-1 bytes, no UTF-8: as Python names such a file (PEP 383).
RAW = b"t\xfc1.wav"
needs_bytes = pytest.mark.skipif(
    sys.platform in {"win32", "darwin"}, reason="names are always Unicode on this system"
)


@pytest.fixture
def raw_session(session):
    """Name the second file, and the session's folder, in bytes that are no UTF-8."""
    place = session.parent / os.fsdecode(b"s\xe9ance")
    session.rename(place)
    (place / "t1.wav").rename(place / os.fsdecode(RAW))
    return place


@needs_bytes
def test_a_name_that_is_no_text_is_carried_safely(raw_session, sound, capfdbinary):
    """Checked like any other, shown with escapes, kept by its bytes, found and copied by them."""
    folder = raw_session.parent
    for arguments in (
        ["check", raw_session, "--audio", "--plots", "svg"],
        ["check", raw_session, "--json", "--anchor", "t0"],
        ["apply", folder / "s\\xe9ance_report", "--out", folder / "fixed"],
        ["apply", folder / "s\\xe9ance_report", "--out", folder / "fixed", "--overwrite"],
    ):
        assert run(*arguments) == 0
        said = b"".join(capfdbinary.readouterr()).decode("utf-8")
        assert "t\\xfc1" in said.replace("\\\\", "\\")  # JSON doubles the backslash
        assert "\\udc" not in said

    document = json.loads((folder / "s\\xe9ance_report" / "report.json").read_text(encoding="utf-8"))
    assert document["session"]["name"] == "s\\xe9ance"
    assert base64.b64decode(document["session"]["folder_base64"]) == os.fsencode(raw_session.resolve())
    for entry in (document["tracks"][1], document["files"][1]):
        assert entry["file"] == "t\\xfc1.wav"
        assert base64.b64decode(entry["file_base64"]) == RAW
    assert [track["name"] for track in document["tracks"]] == ["t0", "t\\xfc1"]
    assert document["pairs"][0]["polarity"] == "inverted"
    page = (folder / "s\\xe9ance_report" / "report.html").read_text(encoding="utf-8")
    assert "t\\xfc1" in page
    assert is_made_from(folder / "fixed" / "t0.wav", sound["t0"])
    with (folder / "fixed" / os.fsdecode(RAW)).open("rb") as copy:
        assert is_made_from(copy, sound["t1"])


@needs_bytes
def test_two_names_that_look_alike_stay_two(raw_session):
    """Text that is spelt as the escape of other bytes is another file."""
    soundfile.write("made.wav", noise(9), RATE, subtype="FLOAT")
    (raw_session.parent / "made.wav").rename(raw_session / "t\\xfc1.wav")
    assert run("check", raw_session, "--out", "o") == 0
    assert run("apply", "o", "--out", "fixed") == 0

    for place in (raw_session.parent / "fixed", raw_session):
        assert len([path for path in place.iterdir() if path.suffix == ".wav"]) == 3


@needs_bytes
def test_bytes_lead_nowhere_else(raw_session, capsys):
    """The bytes of a name are held against the session's folder like its text."""
    assert run("check", raw_session, "--out", "o") == 0
    report = raw_session.parent / "o" / "report.json"
    document = json.loads(report.read_text(encoding="utf-8"))
    for content, code in ((b"../t1.wav", 4), (b"/t1.wav", 4), (b"", 4), (None, 4)):
        entries = (document["tracks"][1], document["files"][1])
        for entry in entries:
            entry["file_base64"] = "no base64!" if content is None else base64.b64encode(content).decode()
        report.write_text(json.dumps(document), encoding="utf-8")
        assert run("apply", "o", "--out", "fixed") == code
        assert len(capsys.readouterr().err.strip().splitlines()) == 1


@needs_bytes
@pytest.mark.parametrize("command", ["pair", "bleed"])
def test_smaller_jobs_take_such_names_too(raw_session, command):
    """Their documents and pages are plain text as well."""
    files = [raw_session / "t0.wav", raw_session / os.fsdecode(RAW)]
    assert run(command, *files, "--out", "o", "--audio", "--plots", "svg") == 0
    document = json.loads((raw_session.parent / "o" / "report.json").read_text(encoding="utf-8"))
    assert document["tracks"][1]["file"] == "t\\xfc1.wav"
    assert base64.b64decode(document["tracks"][1]["file_base64"]) == RAW


@needs_bytes
def test_faults_of_such_files_are_shown_like_others(raw_session, capfdbinary):
    """Rubbish and emptiness in them are named, and the line check reads them."""
    (raw_session / os.fsdecode(b"b\xff.wav")).write_text("no audio")
    (raw_session / os.fsdecode(b"e\xff.flac")).write_text("")
    assert run("check", raw_session, "--json") == 0
    document = json.loads(capfdbinary.readouterr().out.decode("utf-8"))
    left_out = {track["name"]: track["file_base64"] for track in document["tracks"] if track["file_base64"]}
    assert set(left_out) == {"b\\xff", "e\\xff", "t\\xfc1"}
    assert run("pulse", "read", raw_session, "--out", "o", "--json") == 0
    assert run("check", os.fsdecode(b"no\xff")) == 4
    assert "no\\xff does not exist" in capfdbinary.readouterr().err.decode("utf-8")
