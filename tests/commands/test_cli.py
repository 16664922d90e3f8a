"""The command line as its user meets it: exit codes, one sentence for each mistake, clean streams."""

import json
import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile
from places import ROOT

from polaritykit.base import errors
from polaritykit.cli import COMMANDS, main

RATE = 48_000


def call(capsys, *arguments):
    """Run the command line in this process: exit code, standard output, standard error."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return stopped.value.code, captured.out, captured.err


def noise(seed=0, seconds=2.0):
    """White noise, well below full scale."""
    return 0.1 * np.random.default_rng(seed).standard_normal(int(seconds * RATE))


def write(path, samples, **how):
    """Write one WAV file."""
    soundfile.write(path, samples, RATE, **{"subtype": "FLOAT", **how})
    return path


@pytest.fixture
def session(tmp_path):
    """Make a folder with two tracks that agree, the second 1 ms late."""
    folder = tmp_path / "session"
    folder.mkdir()
    sound = noise(1)
    write(folder / "near.wav", sound[48:])
    write(folder / "far.wav", sound[:-48])
    return folder


@pytest.fixture
def inverted(session):
    """Turn the late track of the session upside down."""
    samples, _ = soundfile.read(session / "far.wav")
    write(session / "far.wav", -samples)
    return session


@pytest.fixture
def alike(tmp_path):
    """Make a folder with two tracks that need nothing: same polarity and time, some noise of their own."""
    folder = tmp_path / "alike"
    folder.mkdir()
    for number, name in enumerate(("left", "right")):
        write(folder / f"{name}.wav", noise(1) + 0.05 * noise(7 + number))
    return folder


def said_once(code, out, err, *words):
    """One sentence on standard error, nothing on standard output, no traceback; return the code."""
    lines = err.strip().splitlines()
    assert out == ""
    assert "Traceback" not in err
    assert len(lines) == 1, err
    assert lines[0].startswith("polaritykit: ")
    assert lines[0].endswith(".")
    for word in words:
        assert word in lines[0]
    return code


# Each of these is a request that cannot be carried out, or input that cannot be read.


def test_no_such_path(capsys, tmp_path):
    """A misspelt path."""
    assert said_once(*call(capsys, "check", tmp_path / "nowhere"), "does not exist") == 4


def test_empty_folder(capsys, tmp_path):
    """Nothing in it."""
    assert said_once(*call(capsys, "check", tmp_path), "holds no audio files") == 4


def test_one_track(capsys, tmp_path):
    """A comparison needs two."""
    write(tmp_path / "only.wav", noise())

    assert said_once(*call(capsys, "check", tmp_path), "only") == 4


def test_not_audio(capsys, tmp_path):
    """Text with an audio ending, twice, and a text file named outright."""
    for name in ("a.wav", "b.wav"):
        (tmp_path / name).write_text("These are not samples.")
    (tmp_path / "list.txt").write_text("a.wav")

    assert said_once(*call(capsys, "check", tmp_path), "a") == 4
    assert said_once(*call(capsys, "check", tmp_path / "list.txt", tmp_path / "a.wav")) == 4


@pytest.mark.parametrize("kept", [0, 20, 43])
def test_header_cut_off(capsys, session, kept):
    """A file of zero length or with half a header is left out; one track is then too few."""
    whole = (session / "far.wav").read_bytes()
    (session / "far.wav").write_bytes(whole[:kept])

    assert said_once(*call(capsys, "check", session), "far") == 4


def test_zero_samples(capsys, session):
    """A header and nothing behind it."""
    write(session / "far.wav", np.zeros(0))

    assert said_once(*call(capsys, "check", session), "far") == 4


def test_truncated_data_is_read_as_far_as_it_goes(capsys, session):
    """Half the samples are there: the common span is compared and the report says so."""
    whole = (session / "far.wav").read_bytes()
    (session / "far.wav").write_bytes(whole[: len(whole) // 2])
    code, out, err = call(capsys, "check", session, "--json")
    document = json.loads(out)

    assert (code, err) == (0, "")
    assert document["session"]["duration_s"] == pytest.approx(1.0, abs=0.01)
    assert any("far" in note for note in document["notes"])


def test_all_silent(capsys, tmp_path):
    """Silence is a result: no pair shares sound, the tracks are named as silent."""
    for name in ("a.wav", "b.wav"):
        write(tmp_path / name, np.zeros(RATE))
    code, out, err = call(capsys, "check", tmp_path, "--json")
    document = json.loads(out)

    assert (code, err) == (0, "")
    assert all("silent" in track["faults"] for track in document["tracks"])
    assert not any(pair["related"] for pair in document["pairs"])


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_samples_that_are_not_finite(capsys, session, value):
    """A fault of that track, named; the rest goes on and no warning is shown."""
    samples, _ = soundfile.read(session / "far.wav")
    samples[100:200] = value
    write(session / "far.wav", samples)
    code, out, err = call(capsys, "check", session, "--json")
    faults = {track["name"]: track["faults"] for track in json.loads(out)["tracks"]}

    assert (code, err) == (0, "")
    assert "not_finite" in faults["far"]
    assert "not_finite" not in faults["near"]


def test_a_bad_track_does_not_stop_the_others(capsys, session):
    """Rubbish among good files."""
    (session / "rubbish.wav").write_bytes(b"rubbish")
    code, out, _ = call(capsys, "check", session, "--json")
    document = json.loads(out)

    assert code == 0
    assert [t["name"] for t in document["tracks"] if "unreadable" in t["faults"]] == ["rubbish"]
    assert document["pairs"][0]["related"]


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_no_permission(capsys, session):
    """Files that may not be read."""
    for name in ("near.wav", "far.wav"):
        (session / name).chmod(0)

    assert said_once(*call(capsys, "check", session), "permission") == 4


@pytest.mark.skipif(os.geteuid() != 0, reason="needs the right to become another user")
@pytest.mark.parametrize(("closed", "word"), [("session/near.wav", "near"), ("session", "session")])
def test_no_permission_seen_as_another_user(session, closed, word):
    """The same for the superuser: the check runs as a user without rights."""
    for place in (session.parent, session, *session.iterdir()):
        place.chmod(0o755)
    (session.parent / closed).chmod(0o600)
    # Imported before the rights are dropped: the checkout itself may not be open to that user.
    script = (
        f"import sys, os\nsys.path.insert(0, {str(ROOT)!r})\n"
        "import polaritykit.analysis, polaritykit.audio.session, polaritykit.cli\n"
        "import polaritykit.commands.check\n"
        "import polaritykit.jobs.check.document, polaritykit.pages.folder, scipy.signal, soundfile, soxr\n"
        "os.setuid(65534)\npolaritykit.cli.main(['check', 'session', '--json'])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, cwd=session.parent
    )

    assert said_once(done.returncode, done.stdout, done.stderr, word) == 4


def test_output_folder_exists(capsys, session, tmp_path):
    """Refused before the work; replaced when asked for; never when it holds no report."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "mine.txt").write_text("keep me")

    assert said_once(*call(capsys, "check", session, "--out", out), "--overwrite") == 2
    assert said_once(*call(capsys, "check", session, "--out", out, "--overwrite"), "no earlier report") == 2
    assert (out / "mine.txt").read_text() == "keep me"

    report = tmp_path / "report"
    assert call(capsys, "check", session, "--out", report)[0] == 0
    assert said_once(*call(capsys, "check", session, "--out", report), "--overwrite") == 2
    assert call(capsys, "check", session, "--out", report, "--overwrite")[0] == 0


@pytest.mark.parametrize("place", [".", "report", "../session"])
def test_output_folder_inside_or_equal_to_the_session(capsys, session, place):
    """Nothing is ever written among the recordings."""
    before = sorted(session.iterdir())

    assert said_once(*call(capsys, "check", session, "--out", session / place, "--overwrite"), "read") == 2
    assert sorted(session.iterdir()) == before


def test_output_folder_that_cannot_be_made(capsys, session, tmp_path):
    """Its parent is missing, or it is a file."""
    (tmp_path / "file").write_text("")

    assert (
        said_once(*call(capsys, "check", session, "--out", tmp_path / "no" / "where"), "does not exist") == 2
    )
    assert said_once(*call(capsys, "check", session, "--out", tmp_path / "file"), "no folder") == 2


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (("--anchor", "nobody"), "nobody"),
        (("--linked", "near"), "near"),
        (("--linked", "near,nobody"), "near,nobody"),
    ],
)
def test_options_that_name_no_track(capsys, session, options, word):
    """A misspelt track is not silently ignored."""
    assert said_once(*call(capsys, "check", session, "--json", *options), word) == 2


@pytest.mark.parametrize(
    "arguments",
    [("check",), ("check", "x", "--nonsense"), ("nonsense",), ("check", "x", "--fail-on", "everything")],
)
def test_usage(capsys, arguments):
    """What the option parser refuses: one sentence, exit code 2, no traceback."""
    code, out, err = call(capsys, *arguments)

    assert (code, out) == (2, "")
    assert err.startswith("polaritykit")
    assert err.endswith(" --help.\n")
    assert err.count("\n") == 1
    assert "Traceback" not in err


@pytest.mark.parametrize(("level", "code"), [(None, 0), ("inverted", 3), ("any", 3)])
def test_fail_on_finds_an_inversion(capsys, inverted, level, code):
    """Exit code 3 only when asked for."""
    options = () if level is None else ("--fail-on", level)

    assert call(capsys, "check", inverted, "--json", *options)[0] == code


@pytest.mark.parametrize(("level", "code"), [("inverted", 0), ("any", 3)])
def test_fail_on_tells_delays_from_flips(capsys, session, level, code):
    """A late track is something to correct, but not inverted."""
    assert call(capsys, "check", session, "--json", "--fail-on", level)[0] == code


def test_fail_on_with_nothing_to_correct(capsys, alike):
    """Two tracks that agree."""
    assert call(capsys, "check", alike, "--json", "--fail-on", "any")[0] == 0


def test_json_prints_the_document_and_nothing_else(capsys, inverted, tmp_path, monkeypatch):
    """One JSON value on standard output, silence on standard error, no folder anywhere."""
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    code, out, err = call(capsys, "check", inverted, "--json")

    assert (code, err) == (0, "")
    assert json.loads(out)["schema_version"] == 1
    assert sorted(tmp_path.iterdir()) == before


def test_json_and_report_are_one_document(capsys, inverted, tmp_path):
    """With --out the folder holds what is printed."""
    _, out, _ = call(capsys, "check", inverted, "--json", "--out", tmp_path / "report")

    assert json.loads((tmp_path / "report" / "report.json").read_text(encoding="utf-8")) == json.loads(out)


def test_summary_answers_first(capsys, inverted, tmp_path):
    """The first line says what to do; the report folder is complete; no control codes to a non-terminal."""
    code, out, err = call(capsys, "check", inverted, "--out", tmp_path / "report")

    assert (code, err) == (0, "")
    assert out.splitlines()[0].startswith("Flip ")
    assert "\x1b" not in out
    assert "\r" not in out
    names = {path.name for path in (tmp_path / "report").iterdir()}
    assert names >= {"report.json", "report.html", "pairs.csv", "corrections.csv"}


def test_default_folder_is_named_after_the_session(capsys, session, tmp_path, monkeypatch):
    """In the current folder, never beside the recordings unless that is where one stands."""
    monkeypatch.chdir(tmp_path)
    call(capsys, "check", session)

    assert (tmp_path / "session_report" / "report.html").is_file()


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_plots(capsys, inverted, tmp_path, kind):
    """The session's map and one panel a pair."""
    call(capsys, "check", inverted, "--out", tmp_path / "report", "--plots", kind)

    assert (tmp_path / "report" / f"session_map.{kind}").stat().st_size > 1000
    (panel,) = (tmp_path / "report").glob(f"pair_01_*.{kind}")
    assert panel.stat().st_size > 1000


def test_options_reach_the_analysis(capsys, session):
    """Anchor, purpose and links as asked for."""
    _, out, _ = call(
        capsys, "check", session, "--json", "--anchor", "near", "--purpose", "pair", "--linked", "near,far"
    )
    document = json.loads(out)

    assert document["corrections"]["anchor"] == "near"
    assert document["session"]["purpose"] == "pair"
    assert {track["linked_with"] for track in document["tracks"]} == {"near", "far"}


def test_a_fault_of_the_program_is_shown_as_one(monkeypatch, capsys):
    """Exit code 1 and a traceback are kept for what nobody foresaw; `main` does not hide it."""

    def broken(*_, **__):
        raise ZeroDivisionError

    monkeypatch.setattr("polaritykit.recorders.open.open_lined_up", broken)

    with pytest.raises(ZeroDivisionError):
        main(["check", "x"])
    assert capsys.readouterr().out == ""


def test_stopped_by_the_user(monkeypatch, capsys):
    """Ctrl-C: a word, exit code 130 (128 + SIGINT, the shells' convention), no traceback."""

    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("polaritykit.recorders.open.open_lined_up", stopped)

    assert said_once(*call(capsys, "check", "x"), "stopped") == 130


def test_exit_codes_are_distinct():
    """One meaning a code."""
    codes = [
        errors.PolaritykitError.exit_code,
        errors.UsageError.exit_code,
        errors.EXIT_FINDINGS,
        errors.InputError.exit_code,
    ]

    assert codes == [1, 2, 3, 4]


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), *((name, "--help") for name in COMMANDS)])
def test_help_imports_nothing_heavy(arguments):
    """Help feels instant when none of these is loaded (no clock: that would measure the machine)."""
    heavy = ("scipy", "librosa", "matplotlib", "jinja2", "soundfile", "soxr", "numba")
    heavy = ("numpy", *heavy) if arguments[0].startswith("--") else heavy
    script = (
        "import sys\nfrom polaritykit.cli import main\n"
        f"try:\n    main({list(arguments)!r})\nexcept SystemExit as stopped:\n    code = stopped.code\n"
        f"print('loaded:', [name for name in {heavy!r} if name in sys.modules], code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT
    )

    assert done.stdout.splitlines()[-1] == "loaded: [] 0"


def test_as_a_module():
    """`python -m polaritykit` is the same program."""
    done = subprocess.run(
        [sys.executable, "-m", "polaritykit", "--help"], capture_output=True, text=True, check=True, cwd=ROOT
    )

    assert done.stdout.startswith("Usage: polaritykit ")
    assert all(name in done.stdout for name in COMMANDS)
