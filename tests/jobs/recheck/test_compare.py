"""Two reports of one set-up: changes made to the audio itself must be named, and nothing else."""

import json
from itertools import combinations

import made_report
import numpy as np
import pytest
from click.testing import CliRunner

import polaritykit
from polaritykit.base.errors import InputError, UsageError
from polaritykit.commands.recheck import command
from polaritykit.jobs.check.document import build_document
from polaritykit.jobs.recheck.compare import compare
from polaritykit.jobs.recheck.words import sentences

RATE = 48_000


def take(seed=1):
    """Four mics in one noise field, each with its own lateness and a little noise of its own."""
    rng = np.random.default_rng(seed)
    source = rng.standard_normal(6 * RATE + 1000)
    return {
        name: 0.1 * source[1000 - late : len(source) - late] + 0.003 * rng.standard_normal(6 * RATE)
        for name, late in {"near": 0, "mid": 90, "side": 130, "far": 400}.items()
    }


def report(tracks):
    """Document of a check."""
    return build_document(polaritykit.analyse_arrays(tracks, sample_rate_hz=RATE), curves=False)


@pytest.fixture(scope="module")
def before():
    """Check the untouched set-up."""
    return report(take())


def test_another_take_of_the_same_set_up_shows_no_change(before):
    """Other sound, same mics."""
    result = compare(before, report(take(2)))

    assert result.tracks == ()
    assert result.pairs == ()
    assert result.compared == 6
    assert "Nothing changed" in sentences(result)[0]


def test_a_switch_thrown_is_its_tracks_own(before):
    """Inverting one track is named as that track, though three pairs turned."""
    tracks = take(2)
    tracks["side"] = -tracks["side"]
    result = compare(before, report(tracks))

    assert [track.name for track in result.tracks] == ["side"]
    assert result.tracks[0].turned
    assert sum(pair.turned for pair in result.pairs) == 3


def made(polarities, offset_ms=1.0):
    """Return a report of four mics, all pairs timed by one source, with these polarities."""
    names = ("kick", "snare", "left", "right")
    return made_report.made_report(
        tracks=[made_report.track(name) for name in names],
        pairs=[
            made_report.pair(
                a,
                b,
                polarity=polarities.get((a, b), "unclear"),
                sources=[{"home": "kick", "offset_ms": offset_ms, "polarity": "same"}],
            )
            for a, b in combinations(names, 2)
        ],
    )


def test_pairs_that_are_unclear_hide_no_turned_track():
    """Kick has turned against all others, which are unclear against each other in the new report.

    Timed but unclear, they once counted as pairs that had not turned.
    """
    names = ("kick", "snare", "left", "right")
    old = dict.fromkeys(combinations(names, 2), "same")
    for unclear in ((), (("snare", "left"),), (("snare", "left"), ("left", "right"), ("snare", "right"))):
        new = {pair: "inverted" if "kick" in pair else "same" for pair in old if pair not in unclear}
        result = compare(made(old), made(new))

        assert [track.name for track in result.tracks if track.turned] == ["kick"]
        assert [pair.turned for pair in result.pairs] == [True] * 3


def test_one_wrong_pair_turns_nobody_else():
    """Most pairs of a track decide; one that contradicts them is listed as a pair."""
    old = dict.fromkeys(combinations(("kick", "snare", "left", "right"), 2), "same")
    new = {pair: "inverted" if "kick" in pair else "same" for pair in old} | {("kick", "snare"): "same"}
    result = compare(made(old), made(new))

    assert [track.name for track in result.tracks if track.turned] == ["kick"]


def test_a_delay_is_its_tracks_own_with_its_sign(before):
    """1 ms (48 samples) later: positive."""
    tracks = take(2)
    tracks["mid"] = np.concatenate([np.zeros(48), tracks["mid"][:-48]])
    result = compare(before, report(tracks))

    assert [track.name for track in result.tracks] == ["mid"]
    assert result.tracks[0].later_ms == pytest.approx(1.0, abs=0.01)
    assert "later" in " ".join(sentences(result))


def test_a_pad_and_a_missing_track_are_named(before):
    """20 dB (common practice) down on one track; another left out."""
    tracks = take(2)
    tracks["far"] = 0.1 * tracks["far"]
    del tracks["near"]
    result = compare(before, report(tracks))

    assert result.missing == ("near",)
    assert result.tracks[0].level_change_db == pytest.approx(-20.0, abs=0.5)


def test_strangers_are_refused(before):
    """Reports without a common track cannot be compared."""
    other = json.loads(json.dumps(before))
    for track in other["tracks"]:
        track["name"] += " of another session"

    with pytest.raises(InputError, match="in common"):
        compare(before, other)


def test_a_report_folder_of_the_differences(before, tmp_path):
    """`--out` writes the same document as `--json` prints, and a page that names the track; inputs stay."""
    tracks = take(2)
    tracks["side"] = -tracks["side"]
    for name, document in (("old", before), ("new", report(tracks))):
        (tmp_path / f"{name}.json").write_text(json.dumps(document), encoding="utf-8")
    inputs = [str(tmp_path / "old.json"), str(tmp_path / "new.json")]
    out = tmp_path / "out"
    done = CliRunner().invoke(command, [*inputs, "--out", str(out), "--json"], catch_exceptions=False)

    document = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert document == json.loads(done.output)
    assert [track["name"] for track in document["tracks"] if track["turned"]] == ["side"]
    assert "side has turned" in (out / "report.html").read_text(encoding="utf-8")
    with pytest.raises(UsageError, match="--overwrite"):
        CliRunner().invoke(command, [*inputs, "--out", str(out)], catch_exceptions=False)
    CliRunner().invoke(command, [*inputs, "--out", str(out), "--overwrite"], catch_exceptions=False)
    with pytest.raises(UsageError):
        CliRunner().invoke(command, [*inputs, "--out", inputs[0], "--overwrite"], catch_exceptions=False)
    assert json.loads((tmp_path / "old.json").read_text(encoding="utf-8")) == before


def test_exit_code_of_a_change(before, tmp_path):
    """3 with `--fail-on-change` when anything changed; 0 when nothing did."""
    place = tmp_path / "old.json"
    place.write_text(json.dumps(before), encoding="utf-8")
    run = CliRunner().invoke(command, [str(place), str(place), "--fail-on-change"], standalone_mode=False)

    assert run.return_value == 0
    assert "Nothing changed" in run.output


@pytest.mark.parametrize(
    ("asked", "verdict"),
    [((True, False), "better"), ((False, True), "worse"), ((True, True), None), ((False, False), None)],
)
def test_better_and_worse_are_by_the_older_advice(asked, verdict):
    """A flip asked for before and no more is better; one newly asked for is worse; no change, no word."""

    def made(invert):
        setting = made_report.correction("b", invert=invert) | {"status": "set" if invert else "agrees"}
        tracks = [made_report.track(name) for name in "ab"]
        return made_report.made_report(
            tracks=tracks, pairs=[made_report.pair("a", "b")], corrections=[setting]
        )

    result = compare(*(made(invert) for invert in asked))

    assert [(track.name, track.verdict) for track in result.tracks] == ([("b", verdict)] if verdict else [])
    if verdict:
        assert sentences(result)[0].lower().startswith(verdict)
