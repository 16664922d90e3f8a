"""The commands `comb` and `layout` as a user runs them."""

import csv
import io
import json

import made_report
import pytest
from click.testing import CliRunner

from polaritykit.base.errors import InputError, UsageError
from polaritykit.base.folder_marker import MARKER
from polaritykit.commands.comb import command as comb
from polaritykit.commands.layout import TEMPLATES
from polaritykit.commands.layout import command as layout


def run(command, *arguments):
    """Run a command that must succeed; its standard output."""
    result = CliRunner().invoke(command, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    return result.stdout


def refuse(command, *arguments):
    """Run a command that must complain; the message."""
    with pytest.raises((UsageError, InputError)) as caught:
        CliRunner().invoke(command, arguments, catch_exceptions=False)
    return str(caught.value)


def comb_json(*arguments):
    """Document of `comb --json`; standard output holds nothing else."""
    return json.loads(run(comb, *arguments, "--json"))


def test_the_engineer_s_question():
    """34 cm of path, 22 °C, 6 dB down: 345.2 m/s (Cramer, 50 %) / (2·0.34 m) = 508 Hz, 6.04 dB deep."""
    document = comb_json("--path-difference", "34 cm", "--temperature", "22", "--level-difference", "-6")

    assert document["speed_of_sound_mps"] == pytest.approx(345.24, abs=0.05)
    assert document["delay_ms"] == pytest.approx(340 / document["speed_of_sound_mps"])
    assert document["first_notch_hz"] == pytest.approx(document["speed_of_sound_mps"] / 0.68)
    assert document["notch_depth_db"] == pytest.approx(6.04, abs=0.006)
    assert document["peak_height_db"] == pytest.approx(3.53, abs=0.006)
    assert document["ripple_db"] == pytest.approx(9.57, abs=0.011)
    assert document["first_notch_note"].startswith("B4")
    assert document["delay_samples"] == pytest.approx(48 * document["delay_ms"])
    assert max(document["notches_hz"]) <= 20000
    for key in ("delay", "path_difference", "notch_depth", "peak_height", "ripple", "first_notch"):
        unit = {"delay": "ms", "path_difference": "m", "first_notch": "hz"}.get(key, "db")
        assert document[f"{key}_std_{unit}"] > 0
    assert len(document["notches_std_hz"]) == len(document["notches_hz"])


def test_terminal_text_shows_no_more_digits_than_are_known():
    """2.9 % of 508 Hz is 15 Hz, of 20 kHz some hundreds."""
    text = run(comb, "--path-difference", "34 cm", "--temperature", "22", "--level-difference", "6")

    assert text.startswith("The first notch is at 508 ± 15 Hz, near B4")
    assert "345.2 ± 0.7 m/s (22 °C, 50 % humidity, Cramer 1993)" in text
    assert "34 ± 1 cm" in text


@pytest.mark.parametrize(
    "arguments",
    [("--delay", "1 ms"), ("--delay", "1000 us"), ("--delay", "48 samples"),
     ("--delay", "96 samples @ 96 kHz"),
     ("--path-difference", "34.3 cm", "--speed-of-sound", "343"),
     ("--path-difference", "343 mm", "--speed-of-sound", "343 m/s"),
     ("--spacing", "343 mm", "--speed-of-sound", "343"),
     ("--distances", "1 m", "134.3 cm", "--speed-of-sound", "343")],
)  # fmt: skip
def test_every_way_to_say_a_millisecond(arguments):
    """All of them have their notches at odd multiples of 500 Hz, and none at 1 kHz."""
    document = comb_json(*arguments, "--up-to", "3 kHz")

    assert document["delay_ms"] == pytest.approx(1.0)
    assert document["notches_hz"] == pytest.approx([500, 1500, 2500])
    assert document["peaks_hz"] == pytest.approx([0, 1000, 2000, 3000])


def test_equal_levels_inverted():
    """0 Hz is a notch; complete cancellation is null in JSON with a flag, and a word in the text."""
    arguments = ("--delay", "1 ms", "--polarity", "inverted", "--up-to", "2 kHz")
    document = comb_json(*arguments)

    assert document["notches_hz"] == [0, 1000, 2000]
    assert document["complete_cancellation"] is True
    assert document["notch_depth_db"] is None
    assert document["ripple_db"] is None
    assert "complete" in run(comb, *arguments)
    assert any("equally loud" in remark for remark in document["remarks"])


def test_no_delay():
    """Nothing to notch at 0 ms."""
    assert "There is no notch." in run(comb, "--delay", "0 ms")
    assert comb_json("--delay", "0 ms")["first_notch_hz"] is None
    assert "no notch below 100 Hz" in run(comb, "--delay", "1 ms", "--up-to", "100 Hz")


def test_outside_the_formula_s_range_it_is_said():
    """35 °C is beyond Cramer's range."""
    assert "outside the range" in run(comb, "--delay", "1 ms", "--temperature", "35")


def test_comb_csv():
    """A header and one row per notch and peak, ascending."""
    text = run(comb, "--delay", "1 ms", "--level-difference", "6", "--up-to", "2 kHz", "--csv")
    rows = list(csv.DictReader(io.StringIO(text)))

    assert [(row["kind"], float(row["frequency_hz"])) for row in rows] == [
        ("peak", 0), ("notch", 500), ("peak", 1000), ("notch", 1500), ("peak", 2000)]  # fmt: skip
    assert float(rows[1]["level_db"]) == pytest.approx(-6.04, abs=0.006)


@pytest.mark.parametrize(("name", "start"), [("c.png", b"\x89PNG"), ("c.svg", b"<?xml"), ("c.pdf", b"%PDF")])
def test_comb_plot(tmp_path, name, start):
    """A picture of the kind that its name says."""
    run(comb, "--delay", "1 ms", "--plot", str(tmp_path / name))

    assert (tmp_path / name).read_bytes().startswith(start)
    assert [path.name for path in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "Give one of"),
        (("--delay", "1"), "has no unit"),
        (("--delay", "1 ms", "--path-difference", "1 m"), "same thing twice"),
        (("--path-difference", "-1 m"), "is negative"),
        (("--delay", "1 ms", "--level-difference", "six"), "not a level difference"),
        (("--delay", "1 ms", "--temperature", "80 C"), "outside -50 to 60"),
        (("--delay", "1 ms", "--speed-of-sound", "343", "--humidity", "5"), "not both"),
        (("--delay", "1 ms", "--up-to", "0"), "--up-to is 0; it must be above zero"),
        (("--delay", "1 ms", "--sample-rate", "-1"), "--sample-rate is -1"),
        (("--delay", "1 ms", "--plot", "c.gif"), "must end in"),
        (("--delay", "1 ms", "--json", "--csv"), "Choose one"),
        (("--delay", "1 ms", "--plot", "no/such/folder/c.png"), "Cannot write"),
    ],
)
def test_comb_refuses(arguments, message):
    """One clear sentence."""
    assert message in refuse(comb, *arguments)


@pytest.mark.parametrize("name", TEMPLATES)
def test_templates_are_plans(tmp_path, name):
    """Every starting file goes straight back in, as text, JSON and CSV."""
    file = tmp_path / f"{name}.toml"
    file.write_text(run(layout, "--template", name), encoding="utf-8")
    document = json.loads(run(layout, str(file), "--json", "--up-to", "2 kHz"))
    rows = list(csv.DictReader(io.StringIO(run(layout, str(file), "--csv"))))

    assert len(document["arrivals"]) == len(document["sources"]) * len(document["mics"])
    assert len(rows) == len(document["pairs"])
    assert [float(row["offset_ms"]) for row in rows] == [pair["offset_ms"] for pair in document["pairs"]]
    assert document["title"] in run(layout, str(file))


def test_layout_folder(tmp_path):
    """The folder holds document, table, drawings and a page; it is not overwritten unasked."""
    file = tmp_path / "plan.toml"
    text = run(layout, "--template", "xy").replace("Coincident X-Y", "<img src=x>")
    # A mark that some editors write first, letters the font lacks, and what drawings read as mathematics.
    file.write_text("\ufeff" + text.replace('"side"', '"鼓 $x$"'), encoding="utf-8")
    out = tmp_path / "out"
    run(layout, str(file), "--out", str(out), "--up-to", "5 kHz")

    assert {p.name for p in out.iterdir()} == {
        MARKER,
        "report.json",
        "report.html",
        "pairs.csv",
        "plan.png",
        "responses.png",
    }
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "<img src=x>" not in page
    assert "&lt;img src=x&gt;" in page
    assert "left_mic" in page
    assert (out / "plan.png").read_bytes().startswith(b"\x89PNG")
    assert json.loads((out / "report.json").read_text(encoding="utf-8"))["command"] == "layout"
    assert "--overwrite" in refuse(layout, str(file), "--out", str(out))


def test_layout_against_a_report(tmp_path):
    """A folder or file; latency is named first; the report's rate counts."""
    file = tmp_path / "ab.toml"
    file.write_text(run(layout, "--template", "ab"), encoding="utf-8")
    planned = json.loads(run(layout, str(file), "--json", "--up-to", "1 kHz"))
    sources = [
        {"home": pair["source"], "offset_ms": pair["offset_ms"] + 32 / 44.1, "offset_std_ms": 0.01,
         "polarity": "same", "confidence": 0.99}
        for pair in planned["pairs"]
    ]  # fmt: skip
    names = ("left_mic", "right_mic")
    tracks, pairs = [made_report.track(name) for name in names], [made_report.pair(*names, sources=sources)]
    report = made_report.made_report(tracks=tracks, pairs=pairs, sample_rate=44100)
    (tmp_path / "report.json").write_text(json.dumps(report), encoding="utf-8")

    text = run(layout, str(file), "--against", str(tmp_path))
    assert "right_mic: All 4 sources are 0.73 ms late alike: a latency of 32 samples" in text
    document = json.loads(run(layout, str(file), "--against", str(tmp_path / "report.json"), "--json"))
    assert document["sample_rate"] == 44100
    assert [pair["disagrees"] for pair in document["against"]["pairs"]] == [["offset"]] * 4
    run(layout, str(file), "--against", str(tmp_path), "--out", str(tmp_path / "out"))
    assert "a latency of 32 samples" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_layout_refuses(tmp_path):
    """One clear sentence each."""
    file = tmp_path / "ab.toml"
    file.write_text(run(layout, "--template", "ab"), encoding="utf-8")

    assert "Name a plan file" in refuse(layout)
    assert "not both" in refuse(layout, str(file), "--template", "ab")
    assert "cannot be read" in refuse(layout, str(tmp_path / "none.toml"))
    assert "cannot be read" in refuse(layout, str(file), "--against", str(tmp_path / "none.json"))
    assert "is not valid JSON" in refuse(layout, str(file), "--against", str(file))
    assert "Choose one" in refuse(layout, str(file), "--json", "--csv")


@pytest.mark.parametrize("command", [comb, layout])
def test_help(command):
    """Every option says what it is."""
    text = run(command, "--help")

    for option in command.params:
        if option.param_type_name == "option":
            assert option.opts[0] in text
            assert option.help or option.name == "polarity"
