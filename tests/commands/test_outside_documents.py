"""Reports, plans, options and arrays from outside: one sentence and the documented code, whatever they hold.

What must hold is README.md's: every bad input is one sentence on standard error; RFC 8259 knows no NaN.
The fuzz keeps its seed (`derandomize`), so that a failure comes again.
"""

import contextlib
import copy
import json

import numpy as np
import pytest
import soundfile
from corpus import soon
from places import ROOT

import polaritykit
from polaritykit.base.errors import InputError, PolaritykitError, UsageError
from polaritykit.cli import main
from polaritykit.commands.report_file import read_report
from polaritykit.jobs.apply.file_jobs import file_jobs
from polaritykit.jobs.layout.plan_file import read_plan
from polaritykit.pages.text import csv_cell

hypothesis = pytest.importorskip("hypothesis", reason="hypothesis is a development dependency")
st = hypothesis.strategies

RATE = 48_000
PLAN = (ROOT / "polaritykit" / "jobs" / "layout" / "templates" / "ab.toml").read_text(encoding="utf-8")
STEER = "k\x1b[2J\x9b1m\u202e\nick"
quick = hypothesis.settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(hypothesis.HealthCheck),
)


def call(capsys, *arguments):
    """Run the command line in this process: exit code, standard output, standard error."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return stopped.value.code, captured.out, captured.err


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """Make a session of two tracks and the report of its check."""
    place = tmp_path_factory.mktemp("report")
    (place / "session").mkdir()
    sound = 0.1 * np.random.default_rng(1).standard_normal(RATE)
    soundfile.write(place / "session" / "near.wav", sound[48:], RATE)
    soundfile.write(place / "session" / "far.wav", -sound[:-48], RATE)
    with pytest.raises(SystemExit) as stopped:
        main(["check", str(place / "session"), "--out", str(place / "r")])
    assert stopped.value.code == 0
    return place / "r"


def one_sentence(err):
    """No more than that."""
    assert len(err.strip().splitlines()) == 1, err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    "content",
    [
        "[" * 100_000,
        '{"a":' * 100_000,
        '{"schema_version": 1e999}',
        '{"schema_version": NaN}',
        '{"schema_version": ' + "9" * 5000 + "}",
        '{"tracks": 1, "pairs": 2, "schema_version": 1}',
        '{"tracks": [1], "pairs": [2], "schema_version": 1, "session": []}',
        "[]",
        "\udc00",
    ],
)
@pytest.mark.parametrize("command", ["apply", "recheck", "layout"])
def test_no_report(capsys, tmp_path, command, content):
    """Nesting, numbers and types that no report has."""
    place = tmp_path / "report.json"
    place.write_bytes(content.encode(errors="surrogatepass"))
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    arguments = {
        "apply": ("apply", place, "--out", tmp_path / "out"),
        "recheck": ("recheck", place, place),
        "layout": ("layout", tmp_path / "plan.toml", "--against", place),
    }[command]
    code, out, err = call(capsys, *arguments)
    assert (code, out) == (4, "")
    one_sentence(err)


@pytest.mark.parametrize("path", ["x" * 5000, "/dev/zero"])
def test_places_that_are_no_files(capsys, tmp_path, path):
    """A path that no system takes, and a device that never ends."""
    for arguments in (
        ("apply", path, "--out", tmp_path / "out"),
        ("recheck", path, path),
        ("layout", path),
        ("check", path, "--json"),
    ):
        code, out, err = call(capsys, *arguments)
        assert (code, out) == (4, ""), arguments
        one_sentence(err)
    code, _, err = call(capsys, "comb", "--delay", "1 ms", "--out", tmp_path / ("x" * 5000))
    assert code in {2, 4}
    one_sentence(err)


@pytest.mark.parametrize(("key", "value"), [("channel", 10**9), ("delay_ms", 1e6), ("delay_ms", -1)])
def test_bounds_of_a_report(report, key, value):
    """Amounts that would fill the memory are no setting."""
    document = json.loads((report / "report.json").read_text(encoding="utf-8"))
    entries = document["tracks"] if key == "channel" else document["corrections"]["tracks"]
    entries[0][key] = value
    with soon(), pytest.raises(InputError, match="cannot be applied"):
        file_jobs(document)


def places_in(value, path=()):
    """Every place in a document."""
    yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield from places_in(item, (*path, key))


ODD = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**62), 2**62), st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=5), st.just([]), st.just({}), st.just([[1]]),
)  # fmt: skip


@hypothesis.settings(quick, max_examples=12)
@hypothesis.given(data=st.data())
def test_reports_with_anything_in_any_place(report, tmp_path_factory, data):
    """Wherever a type is wrong: done, or one of our errors; and the input stays as it is."""
    document = json.loads((report / "report.json").read_text(encoding="utf-8"))
    document.pop("curves", None)
    spoiled = copy.deepcopy(document)
    path = data.draw(st.sampled_from(sorted(set(places_in(document)) - {()}, key=str)))
    holder = spoiled
    for key in path[:-1]:
        holder = holder[key]
    holder[path[-1]] = data.draw(ODD)
    folder = tmp_path_factory.mktemp("spoiled")
    place = folder / "report.json"
    place.write_text(json.dumps(spoiled), encoding="utf-8")
    before = place.read_bytes()
    for arguments in (["recheck", place, report], ["recheck", report, place]):
        with pytest.raises(SystemExit) as stopped:
            main([*map(str, arguments), "--json"])
        assert stopped.value.code in {0, 4}
    with contextlib.suppress(PolaritykitError):
        file_jobs(read_report(place))
    assert place.read_bytes() == before


@pytest.mark.parametrize(
    "plan",
    [
        "a = " + "[" * 100_000,
        "a = " + "9" * 5000,
        *(
            f'[[source]]\nname = "a"\nposition_m = [{x}, 0, 0]\n[[mic]]\nname = "b"\nposition_m = [0, 0, 1]'
            for x in (1e308, 10**400)
        ),
    ],
)
def test_plans_without_end(plan):
    """Brackets, digits and places beyond everything."""
    with pytest.raises(InputError):
        read_plan(plan)


@quick
@hypothesis.given(data=st.data())
def test_plans_with_any_line_spoiled(data):
    """Any piece of a plan replaced by anything is read, or refused in one sentence."""
    start = data.draw(st.integers(0, len(PLAN)))
    length = data.draw(st.integers(0, 20))
    plan = PLAN[:start] + data.draw(st.text(max_size=8)) + PLAN[start + length :]
    with contextlib.suppress(InputError):
        read_plan(plan)


@pytest.mark.parametrize(
    "given",
    [("--path-difference", "1e308 m"), ("--path-difference", "1e-320 m"), ("--delay", "1e300 s"),
     ("--delay", "1e-320 s"), ("--distances", "1e-320 m", "1 m"), ("--spacing", "1e9 m")],
)  # fmt: skip
def test_combs_beyond_everything(capsys, given):
    """Lengths and times that no room has: the amount is what is refused, not what would follow from it."""
    code, out, err = call(capsys, "comb", *given)
    assert (code, out) == (2, "")
    one_sentence(err)
    assert "are understood" in err or "too small" in err


@pytest.mark.parametrize("rate", [float("nan"), None, "48000", 0, float("inf"), 44100.5])
def test_rates_of_the_library(rate):
    """Each is an error of ours."""
    with pytest.raises(UsageError, match="sample rate"):
        polaritykit.analyse_arrays({"a": np.ones(10), "b": np.ones(10)}, sample_rate_hz=rate)


def test_names_of_the_library():
    """Names are text."""
    with pytest.raises(UsageError, match="must be text"):
        polaritykit.analyse_arrays({1: np.ones(10), 2: np.ones(10)}, sample_rate_hz=RATE)


def test_names_steer_no_terminal(capsysbinary, monkeypatch, tmp_path):
    """A name with every kind of control, through the commands that print names."""
    session = tmp_path / "session"
    session.mkdir()
    sound = 0.1 * np.random.default_rng(1).standard_normal(RATE)
    for number in (1, 2):
        soundfile.write(str(session / f"{STEER}{number}.wav"), sound, RATE)
    monkeypatch.chdir(tmp_path)
    for arguments in (["pair", "session"], ["pair", "session", "--json"], ["pulse", "read", "session"],
                      ["check", "session", "--out", STEER], ["recheck", STEER, STEER],
                      ["apply", STEER, "--out", f"{STEER} copies"]):  # fmt: skip
        with pytest.raises(SystemExit) as stopped:
            main(arguments)
        said = capsysbinary.readouterr()
        assert stopped.value.code == 0, said.err
        for stream in (said.out.decode(), said.err.decode()):
            assert not set(stream) & {"\x1b", "\x9b", "\u202e"}, arguments
            assert not any(line.startswith("ick") for line in stream.splitlines()), arguments


def test_cells_are_no_formulas():
    """OWASP, CSV injection: cells that begin with = + - @ are formulas to a spreadsheet."""
    assert [csv_cell(text) for text in ("=1", "+a", "-a", "@a", "a")] == ["'=1", "'+a", "'-a", "'@a", "a"]
    assert csv_cell(-1.5) == -1.5
