"""Two clocks and changes during the take: injected by hand, so that rate, time and size are known exactly.

What must hold is what was injected: a drift by resampling (scipy's cubic spline on four-fold oversampled
sound, a route the estimator does not use), a step by moving samples, a turned switch by a sign.
"""

import numpy as np
import pytest

from polaritykit.analysis import analyse_arrays
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.changes.explain_hits import hit_motions
from polaritykit.changes.frame_lags import read_pair_lags
from polaritykit.changes.hit_lags import HitLags
from polaritykit.changes.motion import Motion, Step, gauged, pair_changes
from polaritykit.changes.steady_recording import SteadyRecording

RATE = 44_100


def phrases(seed, seconds=24):
    """Sustained noise below 10 kHz whose level comes and goes, as a voice's does."""
    from scipy.signal import butter, sosfilt

    random = np.random.default_rng(seed)
    n = seconds * RATE
    noise = sosfilt(butter(4, 10_000, fs=RATE, output="sos"), random.standard_normal(n))
    level = np.interp(np.arange(n) / RATE, np.arange(seconds + 1), random.uniform(0.3, 1.0, seconds + 1))
    return 0.1 * noise * level


def strokes(seed, seconds=30):
    """Two drums' strokes on four mics: decaying noise, partly new each time, at fixed lags and signs."""
    random = np.random.default_rng(seed)
    n = seconds * RATE
    lags, signs = ((0, 90), (70, 0), (150, 170), (210, 160)), ((1, 1), (1, 1), (-1, -1), (1, 1))
    gains = ((1.0, 0.05), (0.05, 1.0), (0.3, 0.3), (0.2, 0.4))
    tracks = [1e-4 * random.standard_normal(n) for _ in lags]
    length = round(0.08 * RATE)
    decay = np.exp(-np.arange(length) / (0.015 * RATE))
    heads = random.standard_normal((2, length))
    for count, at in enumerate(range(RATE // 2, n - RATE // 2, RATE // 3)):
        drum = count % 2
        stroke = (heads[drum] + 0.2 * random.standard_normal(length)) * decay
        for track, (lag, sign, gain) in enumerate(zip(lags, signs, gains, strict=True)):
            start = at + lag[drum]
            tracks[track][start : start + length] += 0.3 * sign[drum] * gain[drum] * stroke
    return dict(zip(("one", "two", "over", "room"), tracks, strict=True))


def resampled(samples, rate):
    """Sound that gets later by ``rate`` seconds per second, right in the middle."""
    from scipy.ndimage import map_coordinates
    from scipy.signal import resample

    n = len(samples)
    fine = resample(samples, 4 * n)
    at = np.arange(n) - rate * (np.arange(n) - n / 2)
    return map_coordinates(fine, [4 * np.clip(at, 0, n - 1)], order=3, mode="mirror")


def late(samples, by):
    """Later by whole samples, earlier where negative."""
    return np.roll(samples, by)


def stepped(samples, at_s, *, by=0, sign=1):
    """Later by whole samples, or turned, from a time on."""
    cut = round(at_s * RATE)
    return np.concatenate([samples[:cut], sign * late(samples, by)[cut:]])


def pair(tracks, a, b):
    """Analyse, and return the finding of one pair with all findings."""
    findings = analyse_arrays(tracks, sample_rate_hz=RATE)
    return next(p for p in findings.pairs if (p.reference, p.other) == (a, b)), findings


@pytest.mark.parametrize(("ppm", "sign"), [(12.0, 1), (-45.0, -1)])
def test_drift_of_sustained_sound(ppm, sign):
    """The rate within 1 ppm; the offset is that in the middle of the take, the polarity comes out."""
    sound = phrases(1)
    found, findings = pair({"a": sound, "b": sign * resampled(late(sound, 100), ppm * 1e-6)}, "a", "b")

    assert found.drift_ppm == pytest.approx(ppm, abs=1.0)
    assert found.offset_ms == pytest.approx(100 / 44.1, abs=0.02)
    assert found.polarity == ("same" if sign > 0 else "inverted")
    assert found.changes == ()
    assert [motion.rate * 1e6 for motion in findings.motions] == pytest.approx([ppm], abs=1.0)


@pytest.mark.parametrize(
    ("by", "sign", "at_s"), [(60, 1, 9.0), (60, 1, 16.0), (0, -1, 9.0), (0, -1, 16.0), (-80, -1, 9.0)]
)
def test_step_of_sustained_sound(by, sign, at_s):
    """Time within a second, size within a sample; the answer is that of the longer state."""
    sound = phrases(2)
    found, _ = pair({"a": sound, "b": stepped(late(sound, 100), at_s, by=by, sign=sign)}, "a", "b")
    (change,) = found.changes
    longer_is_after = at_s < 12

    assert change.time_s == pytest.approx(at_s, abs=1.0)
    assert change.offset_before_ms == pytest.approx(100 / 44.1, abs=0.03)
    assert change.offset_after_ms == pytest.approx((100 + by) / 44.1, abs=0.03)
    assert found.offset_ms == pytest.approx((100 + by * longer_is_after) / 44.1, abs=0.03)
    assert found.polarity == ("inverted" if longer_is_after and sign < 0 else "same")
    assert (change.track, change.turned) == ("b", sign < 0)
    assert [held.track for held in found.holds] == ["b"]


def test_changes_of_struck_sound():
    """One track on another clock, moved or switched: found on that track, the others at rest."""
    tracks = strokes(3, seconds=20)
    _, calm = pair(tracks, "one", "over")
    assert calm.motions == ()
    assert all(p.drift_ppm is None and p.changes == () for p in calm.pairs)

    moved, _ = pair({**tracks, "room": stepped(tracks["room"], 11.0, by=50)}, "over", "room")
    assert moved.changes[0].time_s == pytest.approx(11.0, abs=1.5)
    jump_ms = moved.changes[0].offset_after_ms - moved.changes[0].offset_before_ms
    assert jump_ms == pytest.approx(50 / 44.1, abs=0.05)

    turned, findings = pair({**tracks, "over": stepped(tracks["over"], 8.0, sign=-1)}, "one", "over")
    assert turned.changes[0].time_s == pytest.approx(8.0, abs=1.5)
    assert turned.polarity == "same"  # inverted before, the longer part is after
    untouched = next(p for p in findings.pairs if (p.reference, p.other) == ("one", "room"))
    assert untouched.changes == ()

    drifting, _ = pair({**tracks, "room": resampled(tracks["room"], 40e-6)}, "one", "room")
    assert drifting.drift_ppm == pytest.approx(40.0, abs=2.0)


def test_two_sources_that_take_turns_are_no_step():
    """One source in the first half, another in the second: nobody moved, and nothing is said to have."""
    one, two = phrases(4), phrases(5)
    fade = np.clip((np.arange(len(one)) / RATE - 11) / 2, 0.02, 0.98)
    a = (1 - fade) * one + fade * 0.5 * late(two, 60)
    b = (1 - fade) * 0.5 * late(one, 60) + fade * two
    found, findings = pair({"a": a, "b": b}, "a", "b")

    assert found.changes == ()
    assert findings.motions == ()


def test_unrelated_frames_show_nothing():
    """Frames of independent noise are not followed: 40 pairs, none with a drift or a step."""
    random = np.random.default_rng(6)
    for _ in range(40):
        a, b = np.fft.rfft(random.standard_normal((2, 48, 2048)), axis=-1)
        found = read_pair_lags(
            a,
            b,
            np.arange(48.0),
            RATE,
            pair=(0, 1),
            search_ms=40.0,
        )
        assert found.verdict == "unknown"


def test_steady_hits_with_wild_ones():
    """Lags of 0.1 ms normal scatter with a tenth of them wild: 60 takes of six tracks, no motion in any."""
    random = np.random.default_rng(7)
    for _ in range(60):
        lags = []
        for _source in range(4):
            lag = 1e-4 * random.standard_normal((16, 6))
            wild = random.random(lag.shape) < 0.1
            lag[wild] = random.uniform(-12e-3, 12e-3, wild.sum())
            sign = np.where(wild, random.choice([-1.0, 1.0], lag.shape), 1.0)
            times = np.sort(random.uniform(0, 60, 16))
            lags.append(HitLags(times_s=times, lag_s=lag, sign=sign, similarity=np.full(lag.shape, 0.8)))
        assert hit_motions(lags, 60.0) == ()


def test_two_kinds_of_hit_that_take_turns_are_no_step():
    """A drum with and without a cymbal: picks on one track jump to and fro; runs of one kind come by chance.

    At most one of a hundred takes may be called changed (common practice, no source).
    """
    random = np.random.default_rng(21)
    called = 0
    for _ in range(300):
        lag = 2e-5 * random.standard_normal((14, 5))
        lag[:, 2] += 0.8e-3 * (random.random(14) < 0.4)
        times = np.sort(random.uniform(0, 30, 14))
        hit_lags = HitLags(
            times_s=times, lag_s=lag, sign=np.ones(lag.shape), similarity=np.full(lag.shape, 0.8)
        )
        called += hit_motions([hit_lags], 30.0) != ()
    assert called <= 3


def test_a_line_through_part_of_a_take_is_no_clock():
    """A clock drifts all the time: 2 ms in a take, evenly, is 33 ppm; all within three fifths is no drift.

    Noise 0.05 ms (of picks), 40 strokes of two drums each; rates within a tenth.
    """
    random = np.random.default_rng(5)
    for seed in range(20):
        times = [np.sort(random.uniform(0, 60, 40)) for _ in range(2)]

        def told(late, times=times):
            lags = []
            for at in times:
                lag = 5e-5 * random.standard_normal((len(at), 4))
                lag[:, 1] += late(at)
                shape = lag.shape
                lags.append(
                    HitLags(times_s=at, lag_s=lag, sign=np.ones(shape), similarity=np.full(shape, 0.8))
                )
            return [motion for motion in hit_motions(lags, 60.0) if motion.rate]

        [clock] = told(lambda at: 2e-3 * at / 60)
        assert clock.rate == pytest.approx(2e-3 / 60, rel=0.1), seed
        # Steps may be told of it; a rate may not.
        assert told(lambda at: 2e-3 * np.clip(at / 36, 0, 1)) == [], seed
        assert told(lambda at: 2e-3 * np.clip((at - 24) / 36, 0, 1)) == [], seed


def test_notes_that_lie_on_a_line_by_chance_are_no_clock():
    """Eight notes, each at a lag of its own (0.3 ms): what a wind does; a clock runs within each note too.

    The seeds are those of 150 whose notes' lags lie near one line (they were told as -76 to 64 ppm).
    """
    n_frames, frequency = 120, np.fft.rfftfreq(2048, 1 / RATE)
    times = np.linspace(0, 20, n_frames)

    def told(lags, random):
        shape = n_frames, len(frequency)
        near = np.exp(2j * np.pi * random.random(shape))
        noise = random.standard_normal(shape) + 1j * random.standard_normal(shape)
        far = near * np.exp(-2j * np.pi * frequency * lags[:, None]) + noise
        return read_pair_lags(near, far, times, RATE, pair=(0, 1), search_ms=10.0)

    for seed in (3, 14, 24, 67, 88, 127, 145, 146):
        random = np.random.default_rng(seed)
        by_note = (0.3e-3 * random.standard_normal(8))[np.arange(n_frames) // 15]
        assert told(by_note, random).verdict != "drift", seed
        clock = told(12e-6 * (times - 10), random)
        assert clock.verdict == "drift", seed
        assert clock.rate == pytest.approx(12e-6, rel=0.1), seed


def test_half_of_the_tracks_moved():
    """Motions are told against the largest group of alike tracks, in a tie that of the first one."""
    motions = [Motion(track=track, rate=rate) for track, rate in enumerate((-1e-5, -1e-5, 1e-5, 1e-5))]
    told = gauged(motions)
    assert [(motion.track, motion.rate) for motion in told] == [
        (2, pytest.approx(2e-5)),
        (3, pytest.approx(2e-5)),
    ]

    steps = [
        Motion(track=track, steps=(Step(time_s=9.0, jump_s=jump, flip=False),), duration_s=20.0)
        for track, jump in enumerate((-1e-3, 1e-3))
    ]
    (moved,) = gauged(steps)
    assert moved.track == 1
    assert moved.steps[0].jump_s == pytest.approx(2e-3)


def test_steady_recording():
    """What a motion did is taken back, so that the track reads as in its longest state."""
    ramp = np.arange(1000, dtype=np.float32) / 1000
    motion = Motion(track=1, steps=(Step(time_s=6.0, jump_s=0.05, flip=True),), duration_s=10.0)
    steady = SteadyRecording(ArrayRecording({"a": ramp, "b": ramp}, 100), [motion])

    before, after = steady.read(100, 110), steady.read(800, 810)
    np.testing.assert_array_equal(before[1], ramp[100:110])
    np.testing.assert_array_equal(after[1], -ramp[805:815])
    np.testing.assert_array_equal(after[0], ramp[800:810])
    assert steady.read(800, 810, (0,)).shape == (1, 10)


def test_pair_changes_by_hand():
    """The second gets 1 ms later at 6 s of 10: 2 ms before, 3 ms after; swapped, the signs turn."""
    motion = Motion(track=1, steps=(Step(time_s=6.0, jump_s=1e-3, flip=False),), duration_s=10.0)
    (there,) = pair_changes(("a", "b"), (0, 1), 2.0, [motion]).changes
    assert (there.offset_before_ms, there.offset_after_ms) == pytest.approx((2.0, 3.0))
    swapped = Motion(track=0, steps=motion.steps, duration_s=10.0)
    (back,) = pair_changes(("b", "a"), (0, 1), -2.0, [swapped]).changes
    assert (back.offset_before_ms, back.offset_after_ms) == pytest.approx((-2.0, -3.0))
    still = pair_changes(("a", "b"), (0, 1), 2.0, [])
    assert (still.drift_ppm, still.changes, still.holds) == (None, (), ())
