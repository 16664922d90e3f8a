"""Documents and their models: neither holds a field that the other lacks; what is wrong is named.

What strict JSON is says RFC 8259; the rest is what DEVELOPERS.md promises of documents.
"""

import copy
import json
from dataclasses import fields, is_dataclass
from typing import get_args, get_origin, get_type_hints

import field_list
import numpy as np
import pytest
import soundfile
from made_report import made_report, pair, track
from places import DEMO_AUDIO, PACKAGE, ROOT

import polaritykit
from polaritykit.base.errors import InputError
from polaritykit.base.validate import read, written
from polaritykit.cli import main
from polaritykit.commands.report_file import read_report
from polaritykit.jobs.check.document import build_document, worth_looking
from polaritykit.jobs.check.excerpts import WAVES, cut_excerpts
from polaritykit.jobs.check.schema import Report
from polaritykit.jobs.check.session_sound import cut_session

WEAK = DEMO_AUDIO / "leaky_vocal"
STEREO = DEMO_AUDIO / "stereo_pair"


def differences(value, kind, place="document"):
    """Places where the fields of a document are not those of its model, found without the library."""
    if get_origin(kind) is dict:
        inside = get_args(kind)[1]
        return [text for key, item in value.items() for text in differences(item, inside, f"{place}.{key}")]
    records = [record for record in (kind, *get_args(kind)) if is_dataclass(record)]
    if isinstance(value, dict) and records:
        hints = get_type_hints(records[0])
        here = {field.name for field in fields(records[0])} ^ set(value)
        below = [(value[name], hints[name], f"{place}.{name}") for name in set(value) & set(hints)]
        return [f"{place}: {here}"] * bool(here) + [text for part in below for text in differences(*part)]
    if isinstance(value, list):
        inside = next((part for part in (kind, *get_args(kind)) if get_args(part)), kind)
        return [text for item in value for text in differences(item, get_args(inside)[0], f"{place}[]")]
    return []


def printed(capsys, *arguments):
    """Document that a command prints with --json."""
    with pytest.raises(SystemExit) as stopped:
        main([*(str(argument) for argument in arguments), "--json"])
    assert stopped.value.code == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture(scope="module")
def report():
    """Check the drum kit, with excerpts: hits, sources, loops and the rest are there."""
    session = polaritykit.open_session(DEMO_AUDIO / "drum_kit")
    findings = polaritykit.analyse(session.recording)
    pairs = worth_looking(findings)[:2]
    return build_document(
        findings,
        session,
        waves=cut_excerpts(session.recording, findings, pairs, WAVES),
        excerpts=cut_excerpts(session.recording, findings, pairs),
        session_sound=cut_session(session.recording, findings, most_characters=3e6),
    )


def test_the_list_in_developers_is_that_of_the_models():
    """Made anew it is the same; `python tests/support/field_list.py` mends it."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

    assert field_list.updated(text) == text


def test_a_check_has_the_fields_of_its_model(report):
    """Down to every source of every pair; all kinds of records are there to be looked at."""
    assert differences(report, Report) == []
    assert all(
        report[name] for name in ("files", "sources", "pairs", "served", "sum_peak", "curves", "audio")
    )
    assert all(report["corrections"][name] for name in ("tracks", "groups", "loops"))
    assert any(source["band_hz"] for pair in report["pairs"] for source in pair["sources"])


def test_the_walk_finds_what_is_amiss(report):
    """The other way round: a field too many or too few, anywhere."""
    broken = copy.deepcopy(report)
    del broken["pairs"][3]["sources"][0]["home"]
    broken["corrections"]["tracks"][1]["colour"] = "red"

    assert sorted(differences(broken, Report)) == [
        "document.corrections.tracks[]: {'colour'}",
        "document.pairs[].sources[]: {'home'}",
    ]


def test_the_smaller_jobs_have_the_fields_of_their_models(capsys, tmp_path):
    """Pair, bleed, comb, layout, pulse read and recheck, as printed."""
    signal = tmp_path / "noise.wav"
    soundfile.write(signal, 0.1 * np.random.default_rng(1).standard_normal(48_000), 48_000)
    noise = 0.1 * np.random.default_rng(2).standard_normal(96_480)
    for name, other in (("old", noise[:-480]), ("new", -noise[240:-240])):
        findings = polaritykit.analyse_arrays({"a": noise[480:], "b": other}, sample_rate_hz=48_000)
        (tmp_path / f"{name}.json").write_text(json.dumps(build_document(findings)), encoding="utf-8")
    plan = PACKAGE / "jobs" / "layout" / "templates" / "kit.toml"
    requests = {
        "pair": (STEREO / "pair_left.flac", STEREO / "pair_right.flac"),
        "bleed": (WEAK / "01_voice.flac", WEAK / "02_guitar.flac"),
        "bleed of three mics and more": (
            WEAK / "01_voice.flac",
            WEAK / "02_guitar.flac",
            STEREO / "pair_left.flac",
        ),
        "comb": ("--delay", "1 ms"),
        "layout": (plan,),
        "pulse read": (signal,),
        "recheck": (tmp_path / "old.json", tmp_path / "new.json"),
    }

    for name, arguments in requests.items():
        command = name.partition(" of ")[0]
        document = printed(capsys, *command.split(), *arguments)
        assert differences(document, field_list.DOCUMENTS[name]) == [], name
        assert document["command"] == command
    assert set(requests) | {"check", "apply", "archive"} == set(field_list.DOCUMENTS)


def test_what_is_written_is_what_is_read(report, tmp_path):
    """Nothing is lost on the way through a file, and newer fields do no harm."""
    place = tmp_path / "report.json"
    place.write_text(json.dumps(report), encoding="utf-8")
    assert read_report(tmp_path) == report

    newer = copy.deepcopy(report)
    newer["weather"] = {"rain": True}
    newer["corrections"]["tracks"][0]["tilt"] = 0.3
    place.write_text(json.dumps(newer), encoding="utf-8-sig")
    assert read_report(place) == report


def without(document, *path):
    """Copy with one field left out."""
    changed = copy.deepcopy(document)
    inner = changed
    for key in path[:-1]:
        inner = inner[key]
    del inner[path[-1]]
    return changed


def test_reports_of_the_first_version_are_read(tmp_path):
    """Version 0.1.0 knew no fingerprints, no bytes of names, and wrote excerpts only where asked for."""
    now = made_report(tracks=[track("a"), track("b")], pairs=[pair("a", "b")])
    old = without(without(without(without(now, "files"), "audio"), "waves"), "session", "folder_base64")
    for later in ("recorders", "span_start_s", "voices"):
        old = without(old, later)
    old["tracks"] = [without(entry, "file_base64") for entry in old["tracks"]]
    old["pairs"] = [without(entry, "recorders_ms") for entry in old["pairs"]]
    (tmp_path / "report.json").write_text(json.dumps(old), encoding="utf-8")

    assert read_report(tmp_path) == now


@pytest.mark.parametrize(
    ("path", "value", "sentence"),
    [
        (("tracks", 1, "faults"), None, r"tracks\[1\]\.faults should be a list and is null"),
        (("pairs", 0, "offset_ms"), "2", r"pairs\[0\]\.offset_ms should be a number or null and is text"),
        (
            ("pairs", 0, "polarity"),
            "upside down",
            r"pairs\[0\]\.polarity is 'upside down', which is no word of",
        ),
        (("corrections", "tracks"), {}, r"corrections\.tracks should be a list and is an object"),
        (("sample_rate",), 44100.5, r"sample_rate should be a whole number and is a number"),
        (("command",), "pair", r"command is 'pair'"),
        (
            ("schema_version",),
            99,
            r"has schema version 99, this program reads 1; run polaritykit check again",
        ),
        (("schema_version",), "1", r"schema_version should be a whole number and is text"),
        (("pairs", 0, "related"), ..., r"pairs\[0\]\.related is missing"),
        (("pairs",), ..., r"not what is wanted: pairs is missing"),
        (("pairs", 0, "confidence"), float("nan"), r"is not valid JSON"),
    ],
)
def test_what_is_wrong_is_named(tmp_path, path, value, sentence):
    """One sentence with the place of the field, and what to do."""
    document = made_report(tracks=[track("a"), track("b")], pairs=[pair("a", "b")])
    inner = document
    for key in path[:-1]:
        inner = inner[key]
    if value is ...:
        del inner[path[-1]]
    else:
        inner[path[-1]] = value
    (tmp_path / "report.json").write_text(json.dumps(document), encoding="utf-8")

    with pytest.raises(InputError, match=sentence) as caught:
        read_report(tmp_path)
    assert str(caught.value).count("\n") == 0
    assert "run polaritykit check again" in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe", b"[" * 100_000, b'"text"', b"null"])
def test_rubbish_is_refused(content):
    """Whatever the bytes are."""
    with pytest.raises(InputError, match="the thing is not"):
        read(content, Report, name="the thing", advice="try again")


@pytest.mark.parametrize("command", ["apply", "recheck", "layout"])
def test_all_readers_say_the_same(capsys, tmp_path, command):
    """Three commands take a report; each ends with exit code 4 and the same sentence."""
    plan = PACKAGE / "jobs" / "layout" / "templates" / "ab.toml"
    (tmp_path / "report.json").write_text('{"schema_version": 1}', encoding="utf-8")
    arguments = {
        "apply": [tmp_path, "--out", tmp_path / "out"],
        "recheck": [tmp_path, tmp_path],
        "layout": [plan, "--against", tmp_path],
    }[command]

    with pytest.raises(SystemExit) as stopped:
        main([command, *map(str, arguments)])
    assert stopped.value.code == 4
    assert "report.json is not what is wanted: program is missing; run polaritykit" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"weather": "rain"}, "differ at weather"),
        ({"sample_rate": "48 kHz"}, "sample_rate should be a whole number"),
        ({"notes": [1.0]}, r"notes\[0\] should be text"),
        ({"settings": {"least": np.inf}}, "not finite"),
    ],
)
def test_a_document_beside_its_model_is_not_written(change, message):
    """A fault of the program, found before a reader meets it."""
    document = made_report(tracks=[track("a")])

    with pytest.raises(ValueError, match=message):
        written({**document, **change}, Report)


def test_a_field_of_the_model_may_not_be_left_out():
    """Not even one that older reports lack."""
    document = made_report(tracks=[track("a")])

    with pytest.raises(ValueError, match="differ at files"):
        written(without(document, "files"), Report)
