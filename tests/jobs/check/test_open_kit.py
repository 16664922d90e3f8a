"""A real kit on eleven mics: what is done to the files comes back as the difference of two runs."""

import sys
from itertools import combinations

import numpy as np
import pytest
import soundfile
from places import BENCHMARKS
from shared_data import need_shared_data

import polaritykit

sys.path.insert(0, str(BENCHMARKS))

SECONDS = 30
FLIPPED = ("tom_1", "oh_right")
DELAYED = "tom_4"
DELAY_MS = 3.0


def delayed(samples, n_samples):
    """Delay by a fraction of a sample too: a phase ramp over the whole padded file."""
    padded = np.pad(samples, (0, 4096))
    frequency = np.fft.rfftfreq(len(padded))
    return np.fft.irfft(np.fft.rfft(padded) * np.exp(-2j * np.pi * frequency * n_samples), len(padded))


def run(folder, tracks, rate):
    """Write the tracks as a session folder and analyse it as `check` does."""
    folder.mkdir()
    for name, samples in tracks.items():
        soundfile.write(folder / f"{name}.wav", samples, rate, subtype="PCM_24")
    session = polaritykit.open_session([folder])
    return {(pair.reference, pair.other): pair for pair in polaritykit.analyse(session.recording).pairs}


@pytest.fixture(scope="module")
def two_runs(tmp_path_factory):
    """Run the untouched session and the one with two flips and a delay."""
    need_shared_data("kit")
    from sessions_kit import kit_session

    base = tmp_path_factory.mktemp("kit")
    session = kit_session(3, flips=False, delays=False, seconds=SECONDS)
    rate = session.sample_rate_hz
    peak = max(float(np.abs(samples).max()) for samples in session.tracks.values())
    plain = {name: samples * (0.5 / peak) for name, samples in session.tracks.items()}
    changed = {name: -samples if name in FLIPPED else samples for name, samples in plain.items()}
    changed[DELAYED] = delayed(plain[DELAYED], DELAY_MS * 1e-3 * rate)
    return run(base / "plain", plain, rate), run(base / "changed", changed, rate)


def test_two_flips_come_back_as_two_flips(two_runs):
    """Wherever both runs decide, exactly the pairs of one flipped track change their polarity."""
    before, after = two_runs
    both = [key for key in before if "unclear" not in (before[key].polarity, after[key].polarity)]
    changed = {key for key in both if before[key].polarity != after[key].polarity}

    assert changed == {key for key in both if (key[0] in FLIPPED) != (key[1] in FLIPPED)}


def test_a_delay_comes_back_as_that_delay(two_runs):
    """Where both runs answer by the same source, the delayed track's offsets differ by 3 ms, to 4 samples."""
    before, after = two_runs
    differences = {}
    for key, pair in before.items():
        old, new = pair.sources[:1], after[key].sources[:1]
        if not old or not new or old[0].home != new[0].home:
            continue
        if pair.offset_ms is not None and after[key].offset_ms is not None:
            expected = DELAY_MS * ((key[1] == DELAYED) - (key[0] == DELAYED))
            differences[key] = after[key].offset_ms - pair.offset_ms - expected
    wrong = {key: round(value, 3) for key, value in differences.items() if abs(value) > 0.05}

    assert len(differences) >= 20
    assert wrong == {}


def test_enough_pairs_are_decided_to_show_it(two_runs):
    """Both the flipped and the delayed tracks take part in decided pairs."""
    before, after = two_runs
    decided = [key for key in before if "unclear" not in (before[key].polarity, after[key].polarity)]

    assert len(before) == len(list(combinations(range(11), 2)))
    assert all(any(track in key for key in decided) for track in (*FLIPPED, DELAYED))
