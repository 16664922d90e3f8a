"""Three mics with a source each, against mixtures whose parts are known in closed form."""

import json
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.errors import UsageError
from polaritykit.commands.bleed import command
from polaritykit.jobs.bleed.findings import MicsSetting
from polaritykit.jobs.bleed.passages import OCTAVES_HZ
from polaritykit.jobs.bleed.several import analyse_several
from polaritykit.jobs.bleed.several_words import several_headline

RATE = 16_000
#: How far under, dB, and how late, samples, source (column) is in mic (row).
UNDER_DB = np.array([[0, 12, 15], [9, 0, 12], [14, 10, 0]])
LATE = np.array([[0, 16, 24], [20, 0, 32], [28, 18, 0]])


def sources(seed, *, together=False):
    """Three white noises, each at a level of its own, or all at one, every 0.4 s."""
    rng = np.random.default_rng(seed)
    count = 30 * RATE
    found = []
    levels_db = rng.uniform(-25, 0, (3, 77))
    for k in range(3):
        level = 10 ** (levels_db[0 if together else k] / 20)
        gain = np.interp(np.arange(count) / RATE / 0.4, np.arange(77), level)
        found.append(0.1 * gain * rng.standard_normal(count))
    return found


def mics(seed, *, together=False):
    """Record the three with three mics."""
    heard = sources(seed, together=together)
    tracks = {}
    for m, name in enumerate(("host", "guest", "third")):
        parts = [10 ** (-UNDER_DB[m, s] / 20) * np.roll(heard[s], LATE[m, s]) for s in range(3)]
        tracks[name] = np.sum(parts, axis=0).astype(np.float32)
    return tracks


def test_leaks_and_flips_by_closed_form():
    """Isolation is what was mixed; a flip of b in Σ g·e^{−jωτ}, over an octave of white noise."""
    found = analyse_several(ArrayRecording(mics(1), RATE))
    assert found.reason == "found"
    level = np.array([np.mean(x**2) for x in sources(1)])
    names = list(found.mics)
    for leak in found.leaks:
        m, s = names.index(leak.mic), names.index(leak.source)
        true = UNDER_DB[m, s] + 10 * np.log10(level[m] / level[s])
        for octave in (4, 5):
            assert leak.isolation_db[octave] == pytest.approx(true, abs=1.0)
        assert leak.late_ms == pytest.approx(LATE[m, s] * 1e3 / RATE, abs=0.05)
    frequency = np.linspace(1000 / np.sqrt(2), 1000 * np.sqrt(2), 4000)
    octave = OCTAVES_HZ.index(1000.0)
    phasors = 10 ** (-UNDER_DB / 20)[..., None] * np.exp(-2j * np.pi * frequency * LATE[..., None] / RATE)
    for flipped, one in enumerate(found.flipped):
        turned = np.sum(phasors, axis=0) - 2 * phasors[flipped]
        true = 10 * np.log10(
            np.mean(np.abs(turned) ** 2, axis=1) / np.mean(np.abs(phasors.sum(axis=0)) ** 2, axis=1)
        )
        for s, name in enumerate(names):
            assert one.change_db[name][octave] == pytest.approx(true[s], abs=0.5)


def test_levels_that_move_together_are_said():
    """One fader for all three: nothing tells them apart."""
    found = analyse_several(ArrayRecording(mics(2, together=True), RATE))
    assert found.reason == "never_apart"
    assert not found.leaks
    assert found.advised is None


def test_command_writes_the_report(tmp_path):
    """Text, document and page of three files."""
    paths = []
    for name, x in mics(1).items():
        paths.append(str(tmp_path / f"{name}.wav"))
        soundfile.write(paths[-1], x, RATE, subtype="FLOAT")
    result = CliRunner().invoke(command, [*paths, "--out", str(tmp_path / "leak"), "--audio"])
    assert result.exit_code == 0, result.output
    assert "In host, under the host: " in result.output
    document = json.loads((tmp_path / "leak" / "report.json").read_text())
    assert document["bleed"]["mics"] == ["host", "guest", "third"]
    assert (tmp_path / "leak" / "sum_as_recorded.wav").exists()
    page = (tmp_path / "leak" / "report.html").read_text()
    assert "What leaks into guest" in page


@pytest.mark.parametrize(
    ("delays_ms", "flips", "said"),
    [
        ({"b": 1.5, "c": 1.5}, (), "Advance a by 1.50 ms (on a desk delay b by 1.50 ms and c by 1.50 ms)."),
        ({"b": 1.5}, ("c",), "Flip c (ø) and delay b by 1.50 ms."),
        ({"b": 1.5, "c": 0.5}, (), "Delay b by 1.50 ms and c by 0.50 ms."),
        ({}, (), "Leave polarity and timing of all mics as they are."),
    ],
)
def test_one_early_mic_is_advanced_and_not_all_others_delayed(delays_ms, flips, said):
    """Only differences of time matter: all later alike is one earlier (the shift theorem)."""
    setting = MicsSetting(
        flips=flips,
        delays_ms=delays_ms,
        change_db={},
        change_std_db={},
        overall_gain_db=2.0,
        overall_gain_std_db=0.1,
    )
    assert several_headline(SimpleNamespace(mics=("a", "b", "c"), advised=setting)) == said


def test_six_mics_at_most():
    """More shapes need more moments than a take has."""
    tracks = {f"m{k}": np.zeros(RATE, np.float32) for k in range(7)}
    with pytest.raises(UsageError, match="3 to 6 mics"):
        analyse_several(ArrayRecording(tracks, RATE))
