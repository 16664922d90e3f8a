"""``apply``: a whole session again, corrected as the report says and no input touched."""

import json

import numpy as np
import pytest
import soundfile
from made_report import correction, fingerprint, made_report, track

from polaritykit.base.errors import InputError, UsageError
from polaritykit.commands.apply import command

RATE = 48_000


@pytest.fixture
def session(tmp_path):
    """Write a session of a mono, a stereo and a slower file, with a report that corrects some of it."""
    folder = tmp_path / "songs" / "session"
    (folder / "sub").mkdir(parents=True)
    random = np.random.default_rng(0)
    soundfile.write(folder / "kick.wav", random.uniform(-0.5, 0.5, 9_000), RATE, subtype="PCM_24")
    soundfile.write(folder / "oh.flac", random.uniform(-0.5, 0.5, (9_000, 2)), RATE, subtype="PCM_24")
    soundfile.write(folder / "sub" / "slow.wav", random.uniform(-0.5, 0.5, 9_000), 24_000, subtype="PCM_16")
    tracks = [
        ("kick", "kick.wav", 0),
        ("oh.L", "oh.flac", 0),
        ("oh.R", "oh.flac", 1),
        ("slow", "sub/slow.wav", 0),
    ]
    settings = {"kick": (True, 2.0), "oh.R": (True, 0.0), "slow": (False, 2.03)}
    document = made_report(
        folder=str(folder),
        files=[fingerprint(folder, file) for file in ("kick.wav", "oh.flac", "sub/slow.wav")],
        tracks=[
            *(track(name, file=file, channel=channel) for name, file, channel in tracks),
            track("broken", faults=["unreadable"]),
        ],
        anchor="oh.L",
        corrections=[
            correction(name, invert=invert, delay_ms=delay) for name, (invert, delay) in settings.items()
        ],
    )
    (tmp_path / "report").mkdir()
    (tmp_path / "report" / "report.json").write_text(json.dumps(document), encoding="utf-8")
    return folder


def run(tmp_path, *options):
    """Run the command on the report as the command line would."""
    command.main([str(tmp_path / "report"), "--out", str(tmp_path / "out"), *options], standalone_mode=False)
    applied = json.loads((tmp_path / "out" / "applied.json").read_text(encoding="utf-8"))
    return {entry["name"]: entry for entry in applied["tracks"]}


def audio(folder, name):
    """Read one file's samples, channels first."""
    return np.atleast_2d(soundfile.read(folder / name)[0].T)


def test_everything_is_applied(tmp_path, session, capsys):
    """Flips and delays land in the right channels; inputs stay as they were; others are plain copies."""
    before = {path: path.read_bytes() for path in session.rglob("*.*")}
    done = run(tmp_path)
    out = tmp_path / "out"

    assert {path: path.read_bytes() for path in session.rglob("*.*")} == before
    np.testing.assert_array_equal(audio(out, "kick.wav")[:, 96:], -audio(session, "kick.wav"))
    np.testing.assert_array_equal(audio(out, "oh.flac"), audio(session, "oh.flac") * [[1], [-1]])
    assert soundfile.info(out / "sub" / "slow.wav").frames == 9_000 + 49
    assert done["slow"]["delay_samples"] == pytest.approx(2.03e-3 * 24_000)
    shown = capsys.readouterr().out
    assert "3 files written" in shown
    assert "kick: flipped, delayed by 2.000 ms (96.00 samples)" in shown


def test_parts(tmp_path, session):
    """``--set``, ``--whole-samples`` and ``--track`` choose; what is not chosen is copied unchanged."""
    out = tmp_path / "out"
    done = run(tmp_path, "--set", "flips")
    assert {name: (entry["invert"], entry["delay_samples"]) for name, entry in done.items()} == {
        "kick": (True, 0),
        "oh.L": (False, 0),
        "oh.R": (True, 0),
        "slow": (False, 0),
    }
    assert (out / "sub" / "slow.wav").read_bytes() == (session / "sub" / "slow.wav").read_bytes()
    done = run(tmp_path, "--set", "delays", "--whole-samples", "--overwrite")
    assert [(entry["invert"], entry["delay_samples"]) for entry in done.values()] == [
        (False, 96),
        (False, 0),
        (False, 0),
        (False, 49),
    ]
    np.testing.assert_array_equal(audio(out, "sub/slow.wav")[:, 49:], audio(session, "sub/slow.wav"))
    done = run(tmp_path, "--track", "oh.R", "--overwrite")
    assert [name for name, entry in done.items() if entry["invert"] or entry["delay_samples"]] == ["oh.R"]


def test_json_is_all_that_is_printed(tmp_path, session, capsys):
    """With ``--json`` the standard output is the very document that was written."""
    assert session.is_dir()
    run(tmp_path, "--json")
    assert capsys.readouterr().out == (tmp_path / "out" / "applied.json").read_text(encoding="utf-8")


def test_moved_session(tmp_path, session):
    """A session that lies elsewhere by now is found with ``--session``; without it the error says so."""
    session.rename(tmp_path / "moved")
    with pytest.raises(InputError, match=r"kick\.wav does not exist; say where .* with --session"):
        run(tmp_path)
    assert "kick" in run(tmp_path, "--session", str(tmp_path / "moved"))


def test_a_report_without_fingerprints_is_refused(tmp_path, session):
    """Version 0.1.0 wrote none: whether the files are the same cannot be told."""
    place = tmp_path / "report" / "report.json"
    document = json.loads(place.read_text(encoding="utf-8"))
    del document["files"]
    place.write_text(json.dumps(document), encoding="utf-8")
    assert session.is_dir()
    with pytest.raises(
        InputError, match=r"does not tell what kick\.wav was when it was made.*run check again"
    ):
        run(tmp_path)


def test_relative_session_folder_counts_from_the_report(tmp_path, session):
    """A folder recorded relative to the report survives moving both together."""
    place = tmp_path / "report" / "report.json"
    document = json.loads(place.read_text(encoding="utf-8"))
    document["session"]["folder"] = "../songs/session"
    place.write_text(json.dumps(document), encoding="utf-8")
    assert session.is_dir()
    assert "kick" in run(tmp_path)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--track", "kik"], "no track 'kik'; did you mean kick"),
        (["--track", "zzz"], r"the tracks are kick, oh\.L, oh\.R, slow"),
        (["--out", "songs/session"], "which is read; choose one outside"),
        (["--out", "songs/session/new"], "which is read; choose one outside"),
        (["--out", "report", "--overwrite"], "which is read"),
        (["--out", "songs"], "holds .*, which is read"),
    ],
)
def test_bad_requests(tmp_path, session, monkeypatch, options, message):
    """Requests that would harm or cannot be meant are refused before anything is written."""
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    assert session.is_dir()
    with pytest.raises(UsageError, match=message):
        run(tmp_path, *options)
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("{", "is not valid JSON"),
        ("[]", "it should be an object and is a list"),
        ("{}", "schema_version is missing"),
        ('{"schema_version": 99}', "schema version 99, this program reads 1; run polaritykit check again"),
    ],
)
def test_bad_reports(tmp_path, session, content, message):
    """A file that is no report is one sentence."""
    (tmp_path / "report" / "report.json").write_text(content, encoding="utf-8")
    assert session.is_dir()
    with pytest.raises(InputError, match=message):
        run(tmp_path)


def test_interrupted(tmp_path, session, monkeypatch):
    """Ctrl-C half way leaves no output folder at all."""
    calls = []

    def interrupted(source, target, corrections, *, lining, start_samples):
        assert lining is None
        assert start_samples is None
        calls.append((source, corrections))
        target.write_bytes(b"half")
        raise KeyboardInterrupt

    monkeypatch.setattr("polaritykit.jobs.apply.copies.write_corrected", interrupted)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(KeyboardInterrupt):
        command.callback(
            report=tmp_path / "report",
            out=tmp_path / "out",
            chosen="all",
            only=None,
            whole_samples=False,
            as_start_times=False,
            tracks=(),
            session=session,
            overwrite=False,
            as_json=False,
        )
    assert calls
    assert sorted(tmp_path.rglob("*")) == before
