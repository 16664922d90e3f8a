"""What must not matter to the answers, or must change them in one known way: closed forms, on short arrays.

A delay of d samples is d/rate late (definition); a flip is a change of sign; gain, names, order and silence
around carry nothing about polarity or time.  `derandomize` keeps the seed, so that a failure comes again.
"""

import json
from functools import cache

import numpy as np
import pytest
import soundfile

import polaritykit
from polaritykit.cli import main

hypothesis = pytest.importorskip("hypothesis", reason="hypothesis is a development dependency")
st = hypothesis.strategies

RATE = 48_000
#: Sustained sounds are measured below the sample; a hundredth of one is 0.2 µs.
CLOSE_MS = 0.01 / RATE * 1e3
quick = hypothesis.settings(max_examples=4, deadline=None, derandomize=True, database=None)
seeds = st.integers(0, 2)


@cache
def made(seed):
    """Three tracks of one noise, late and turned by chance, each with noise of its own; and their truth."""
    chance = np.random.default_rng(seed)
    n_samples = int(RATE * chance.uniform(0.6, 1.2))
    source = np.convolve(chance.standard_normal(n_samples + 400), [1.0, 0.5, -0.2], "same")
    tracks, truth = {}, {}
    for name in ("one", "two", "three"):
        start, sign = int(chance.integers(0, 200)), chance.choice([-1, 1])
        noise = 10 ** (-chance.uniform(10, 30) / 20) * chance.standard_normal(n_samples)
        tracks[name] = 0.1 * sign * (source[start : start + n_samples] + noise)
        truth[name] = (sign, start)
    return tracks, truth


def scene(seed):
    """Only the tracks."""
    return made(seed)[0]


def answers(tracks):
    """Polarity and offset of every pair, as told of the names in sorted order."""
    found = {}
    for pair in polaritykit.analyse_arrays(tracks, sample_rate_hz=RATE).pairs:
        swapped = pair.reference > pair.other
        names = (pair.other, pair.reference) if swapped else (pair.reference, pair.other)
        offset = pair.offset_ms
        found[names] = (pair.polarity, -offset if swapped and offset is not None else offset)
    return found


@cache
def known(seed):
    """Answers on the scene as it is."""
    return answers(scene(seed))


def hold(found, wanted, *, within_ms=CLOSE_MS):
    """Compare answers: polarities alike, offsets within."""
    assert {names: polarity for names, (polarity, _) in found.items()} == {
        names: polarity for names, (polarity, _) in wanted.items()
    }
    for names, (_, offset) in wanted.items():
        assert found[names][1] == pytest.approx(offset, abs=within_ms), names


@quick
@hypothesis.given(seeds)
def test_scenes_are_answered(seed):
    """What follows would hold of no answers too: all are given, and right by how the tracks were made."""
    _, truth = made(seed)
    wanted = {}
    for a, b in known(seed):
        (sign_a, start_a), (sign_b, start_b) = truth[a], truth[b]
        # A track that starts later in the sound hears it earlier.
        wanted[a, b] = ("same" if sign_a == sign_b else "inverted", (start_a - start_b) / RATE * 1e3)
    hold(known(seed), wanted, within_ms=0.002)


@quick
@hypothesis.given(seeds, st.permutations(["one", "two", "three"]))
def test_order(seed, order):
    """Swapping a pair negates its offset and keeps its polarity."""
    hold(answers({name: scene(seed)[name] for name in order}), known(seed))


@quick
@hypothesis.given(seeds, st.sampled_from(["one", "two", "three"]))
def test_flip(seed, flipped):
    """Turning a track over exchanges `same` and `inverted` on its pairs and nothing else."""
    other = {"same": "inverted", "inverted": "same", "unclear": "unclear"}
    wanted = {
        names: (other[polarity] if flipped in names else polarity, offset)
        for names, (polarity, offset) in known(seed).items()
    }
    hold(answers({name: (-x if name == flipped else x) for name, x in scene(seed).items()}), wanted)


@quick
@hypothesis.given(seeds, st.lists(st.floats(-20, 14), min_size=3, max_size=3))
def test_gain(seed, gains_db):
    """A gain of each track of its own changes nothing; floats have no full scale."""
    gains = 10 ** (np.array(gains_db) / 20)
    hold(answers({name: g * x for g, (name, x) in zip(gains, scene(seed).items(), strict=True)}), known(seed))


@quick
@hypothesis.given(seeds, st.sampled_from(["one", "two", "three"]), st.integers(1, 300))
def test_delay(seed, late, samples):
    """A track that comes d samples later is d/rate later against all others."""
    tracks = {
        name: np.concatenate([np.zeros(samples), x] if name == late else [x, np.zeros(samples)])
        for name, x in scene(seed).items()
    }
    shift = samples / RATE * 1e3
    wanted = {
        (a, b): (polarity, offset + shift * ((b == late) - (a == late)))
        for (a, b), (polarity, offset) in known(seed).items()
    }
    # The stretch that two tracks share is another one, and so is the noise in it: 2 µs.
    hold(answers(tracks), wanted, within_ms=0.002)


@quick
@hypothesis.given(seeds, st.lists(st.text(min_size=1, max_size=8), min_size=3, max_size=3, unique=True))
def test_names(seed, names):
    """What tracks are called says nothing, unless it names a side or a mic."""
    called = dict(zip(scene(seed), [f"t{number} {name}" for number, name in enumerate(names)], strict=True))
    found = answers({called[name]: x for name, x in scene(seed).items()})
    back = {text: name for name, text in called.items()}
    plain = {}
    for (a, b), (polarity, offset) in found.items():
        pair = (back[a], back[b])
        plain[tuple(sorted(pair))] = (polarity, offset if pair == tuple(sorted(pair)) else -offset)
    hold(plain, known(seed))


@quick
@hypothesis.given(seeds, st.integers(0, RATE // 2), st.integers(0, RATE // 2))
def test_silence_around(seed, before, behind):
    """Silence before and behind all tracks alike adds no sound."""
    tracks = {
        name: np.concatenate([np.zeros(before), x, np.zeros(behind)]) for name, x in scene(seed).items()
    }
    hold(answers(tracks), known(seed), within_ms=0.002)


def test_documents_are_strict_json(capsys, tmp_path):
    """RFC 8259 knows no NaN: silence, an impulse, a constant, full scale, no numbers, a single sample."""
    noise = scene(0)["one"]
    sounds = {
        "silence": np.zeros(RATE),
        "constant": np.full(RATE, 0.5),
        "impulse": np.eye(1, RATE, 100)[0],
        "clipped": np.sign(noise),
        "no number": np.where(np.arange(len(noise)) == 99, np.nan, noise),
        "endless": np.where(np.arange(len(noise)) == 99, np.inf, noise),
        "tiny": 1e-30 * noise,
        "huge": 1e30 * noise,
        "sample": np.ones(1),
        "noise": noise,
    }
    for name, samples in sounds.items():
        soundfile.write(tmp_path / f"{name}.wav", samples, RATE, subtype="FLOAT")

    def refuse(word):
        raise AssertionError(word)

    for arguments in (
        ["check", tmp_path],
        ["pair", tmp_path / "huge.wav", tmp_path / "noise.wav"],
        ["pair", tmp_path / "tiny.wav", tmp_path / "noise.wav"],
        ["bleed", tmp_path / "noise.wav", tmp_path / "impulse.wav"],
        ["pulse", "read", tmp_path],
    ):
        with pytest.raises(SystemExit) as stopped:
            main([*map(str, arguments), "--json"])
        said = capsys.readouterr()
        assert stopped.value.code in {0, 4}, said.err
        assert "Traceback" not in said.err
        if stopped.value.code == 0:
            json.loads(said.out, parse_constant=refuse)
