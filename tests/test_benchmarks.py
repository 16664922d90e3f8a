"""The benchmark's own scales: known answers get known scores, and the builders' truth is in their audio."""

import sys
from dataclasses import replace

import numpy as np
import pytest
from places import BENCHMARKS
from shared_data import need_shared_data

sys.path.insert(0, str(BENCHMARKS))

import references
import scoring
import sessions_base
import sessions_continuous
import sessions_kit
import sessions_rooms
import sessions_settled
import sessions_stems
import setting_scores


def noise_session(lag_samples: float, sign: int) -> sessions_base.Session:
    """White noise, and the same later and with a sign; nothing else."""
    rng = np.random.default_rng(3)
    x = rng.standard_normal(1 << 14)
    tracks = {"a": x, "b": sign * sessions_base.delayed(x, lag_samples)}
    heard = {
        "a": sessions_base.Hearing(arrival_ms=0.0, sign=1, energy=1.0),
        "b": sessions_base.Hearing(arrival_ms=0.0, sign=1, energy=1.0),
    }
    delays = {"a": 0.0, "b": lag_samples / 48.0}
    flips = {"a": 1, "b": sign}
    return sessions_base.Session(
        name="noise",
        sample_rate_hz=48000,
        tracks=tracks,
        pairs=sessions_base.pair_truths({"noise": heard}, flips, delays),
        flips=flips,
        delays_ms=delays,
    )


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("lag", [-103.25, 7.0, 240.5])
@pytest.mark.parametrize("name", list(references.REFERENCES))
def test_references_find_the_lag_and_sign_of_white_noise(name: str, lag: float, sign: int) -> None:
    """A pure delay of white noise is solved by every weighting (Knapp and Carter, 1976).

    Tolerance: a parabola through a critically sampled peak is biased by up to 0.12 sample.
    """
    session = noise_session(lag, sign)
    [score] = scoring.score_session(session, references.REFERENCES[name](session.tracks, 48000))
    assert score.polarity_right
    assert score.error_dominant_ms is not None
    assert score.error_dominant_ms < 0.12 / 48


def test_delay_by_phase_ramp_agrees_with_whole_samples() -> None:
    """A whole-sample delay is a shift, by definition."""
    x = np.random.default_rng(1).standard_normal(1000)
    assert np.allclose(sessions_base.delayed(x, 37)[37:], x[:-37], atol=1e-12)


def test_wrong_answers_are_counted_as_wrong() -> None:
    """The scale itself: flip the answer and move it, and both show."""
    session = noise_session(48.0, 1)
    answer = {"related": True, "offset_ms": 1.4, "polarity": "inverted", "confidence": 0.9, "sources": []}
    document = {"pairs": [{"reference": "b", "other": "a", **answer, "offset_ms": -1.4}]}
    scores = scoring.score_session(session, document)
    assert scores[0].polarity_right is False
    assert scores[0].error_dominant_ms == pytest.approx(0.4)
    summary = scoring.summarise(scores)
    assert (summary["wrong"], summary["decided"]) == (1, 1.0)
    assert summary["dominant"]["within_0.3"] == 0.0
    assert summary["dominant"]["within_0.5"] == 1.0


def test_an_injected_flip_that_is_not_followed_shows() -> None:
    """The same answer before and after a flip is not equivariant; the right one is."""
    before, after = noise_session(0.0, 1), noise_session(96.0, -1)
    pair = {"reference": "a", "other": "b", "related": True, "confidence": 1.0, "sources": []}

    def said(polarity: str, offset_ms: float) -> dict[str, object]:
        return {"pairs": [{**pair, "polarity": polarity, "offset_ms": offset_ms}]}

    [good] = scoring.compare(before, said("same", 0.0), after, said("inverted", 2.0))
    [deaf] = scoring.compare(before, said("same", 0.0), after, said("same", 0.0))
    assert (good.sign_same, good.offset_change_ms) == (True, pytest.approx(0.0))
    assert (deaf.sign_same, deaf.offset_change_ms) == (False, pytest.approx(2.0))


def test_coverage_counts_truths_within_the_told_deviation() -> None:
    """A normal error lies within one standard deviation in 68.3 % of cases, within two in 95.4 % (any table).

    Tolerance: three standard errors of a share of 2000.
    """
    [score] = scoring.score_session(noise_session(0.0, 1), {"pairs": []})
    errors = np.abs(np.random.default_rng(5).normal(0.0, 0.2, 2000))
    honest = [replace(score, error_any_ms=float(e), std_ms=0.2) for e in errors]
    held = scoring.coverage(honest)
    assert held is not None
    assert held["within_1"] == pytest.approx(0.683, abs=0.032)
    assert held["within_2"] == pytest.approx(0.954, abs=0.014)
    assert held["width"] == pytest.approx(1.0, abs=0.08)
    boasting = scoring.coverage([replace(s, std_ms=0.1) for s in honest])
    assert boasting is not None
    assert boasting["within_1"] == pytest.approx(0.383, abs=0.033)


def test_shares_are_of_all_settled_pairs() -> None:
    """One of two pairs has no offset: half is given, half is right, whatever was decided."""
    session = noise_session(48.0, 1)
    answer = {"related": True, "offset_ms": 1.0, "polarity": "same", "confidence": 0.9, "sources": []}
    [right] = scoring.score_session(session, {"pairs": [{"reference": "a", "other": "b", **answer}]})
    [silent] = scoring.score_session(session, {"pairs": []})
    summary = scoring.summarise([right, silent])
    assert (summary["settled"], summary["timed"], summary["timed_right"]) == (2, 0.5, 0.5)


def test_calibration_error_and_area_by_hand() -> None:
    """Ten answers at 0.8, eight right: no error; at 1.0: 0.2.  Area: pairs counted by hand."""
    [score] = scoring.score_session(noise_session(0.0, 1), {"pairs": []})
    eight = [replace(score, polarity_right=k < 8, confidence=0.8) for k in range(10)]
    sure = [replace(s, confidence=1.0) for s in eight]
    assert scoring.calibration_error(scoring.reliability(eight)) == pytest.approx(0.0)
    assert scoring.calibration_error(scoring.reliability(sure)) == pytest.approx(0.2)
    assert scoring.area_under_curve([0.9, 0.4], [0.5, 0.4]) == pytest.approx(2.5 / 4)


def test_two_sided_source_leaves_the_pair_undecided() -> None:
    """Two sources of about one level with opposite signs: no polarity is the right one."""
    one = {t: sessions_base.Hearing(arrival_ms=0.0, sign=1, energy=1.0) for t in ("a", "b")}
    two = {**one, "b": replace(one["b"], sign=-1)}
    flips, delays = {"a": 1, "b": 1}, {"a": 0.0, "b": 0.0}
    [truth] = sessions_base.pair_truths({"one": one, "two": two}, flips, delays)
    assert truth.polarity is None
    assert truth.disputed
    loud = {t: replace(h, energy=100.0) for t, h in two.items()}
    [truth] = sessions_base.pair_truths({"one": one, "two": loud}, flips, delays)
    assert truth.polarity == "inverted"
    assert truth.disputed


def test_simulated_direct_sound_arrives_by_the_path() -> None:
    """The free-field response peaks at distance over c with gain 1/r (inverse distance law)."""
    source, mic = np.array([1.0, 2.0, 1.0]), np.array([1.0, 4.0, 1.0])
    h = sessions_rooms.direct_response(source, mic)
    expected = 2.0 / 343.2 * sessions_rooms.RATE
    spectrum = np.fft.rfft(h)
    k = np.arange(1, 400)
    slope = np.polyfit(k, np.unwrap(np.angle(spectrum[k])), 1)[0]
    assert -slope * len(h) / (2 * np.pi) == pytest.approx(expected, abs=1e-3)
    assert abs(spectrum[100]) == pytest.approx(0.5, rel=1e-3)


def test_simulated_room_decays_as_asked() -> None:
    """The backward-integrated decay (Schroeder, 1965) between -5 and -25 dB gives the reverberation time."""
    room = sessions_rooms.Room(size_m=(6.0, 7.0, 3.0), rt60_s=0.6)
    rng = np.random.default_rng(2)
    h = sessions_rooms.response(room, np.array([1.5, 2.0, 1.2]), np.array([4.0, 5.0, 1.6]), rng)
    decay = 10 * np.log10(np.cumsum(h[::-1] ** 2)[::-1])
    decay -= decay[0]
    first, last = np.argmax(decay < -5), np.argmax(decay < -25)
    assert 3 * (last - first) / sessions_rooms.RATE == pytest.approx(0.6, rel=0.15)


def test_second_clock_reads_a_sine_where_it_should() -> None:
    """A sine read at drifting positions is the sine of those positions (closed form)."""
    n, omega = 20_000, 2 * np.pi * 1500 / 48000
    at = np.arange(n) * (1 + 40e-6) - 123.4
    read = sessions_continuous._resampled(np.sin(omega * np.arange(n)), at)
    inside = slice(400, n - 400)
    assert np.allclose(read[inside], np.sin(omega * at[inside]), atol=2e-3)


def test_settled_first_breaks_of_the_snare() -> None:
    """All batter-side mics move one way and the lower one the other; overheads hear it 2 to 3 ms late.

    Source: the recordings themselves as described in their README (own mic first, a few metres at most).
    """
    folder = need_shared_data("kit")
    breaks = sessions_settled.first_breaks(folder / "snare", "snare_top")
    assert all(b.settled for b in breaks.values() if b is not breaks["kick"])
    assert {breaks[m].sign for m in ("snare_top", "hihat", "tom_1", "oh_left", "oh_right")} == {-1}
    assert breaks["snare_bottom"].sign == 1
    assert 1.5 < breaks["oh_left"].arrival_ms - breaks["snare_top"].arrival_ms < 3.5


def test_kit_session_holds_the_flips_and_delays_it_names() -> None:
    """Taking the injected flips and delays out gives back the untouched session."""
    need_shared_data("kit")
    options = {"mics": ("snare_top", "oh_left"), "seconds": 5.0}
    plain = sessions_kit.kit_session(4, flips=False, delays=False, **options)
    hidden = sessions_kit.kit_session(4, **options)
    for name, x in hidden.tracks.items():
        back = hidden.flips[name] * sessions_base.delayed(x, -hidden.delays_ms[name] * 44.1)
        n = len(back) - 400
        assert np.allclose(back[:n], plain.tracks[name][:n], atol=1e-5)
    [before], [after] = plain.pairs, hidden.pairs
    shift = hidden.delays_ms["oh_left"] - hidden.delays_ms["snare_top"]
    assert after.dominant.offset_ms - before.dominant.offset_ms == pytest.approx(shift)


def test_parts_of_a_simulated_kit_add_up_to_its_tracks() -> None:
    """What all sources bring, and the noise at -65 dB of each peak (by construction)."""
    session = sessions_rooms.simulated_kit(2, seconds=2.0, n_mics=2, rt60_s=0.2, keep_parts=True)
    plain = sessions_rooms.simulated_kit(2, seconds=2.0, n_mics=2, rt60_s=0.2)
    for name, track in session.tracks.items():
        left = track - sum(heard[name] for heard in session.notes["parts"].values())
        assert np.array_equal(track, plain.tracks[name])
        assert 20 * np.log10(np.sqrt(np.mean(left**2)) / 0.5) == pytest.approx(-65, abs=1.0)


def one_tone(delays_ms: tuple[float, ...], signs: tuple[int, ...]) -> sessions_stems.StemKit:
    """One source of 100 Hz that reaches a close mic and two overheads late."""
    frequency = np.array([100.0])
    heard = np.array(signs)[:, None] * np.exp(-2j * np.pi * frequency * np.array(delays_ms)[:, None] * 1e-3)
    energy = np.zeros((len(sessions_stems.ALL_HZ), 3))
    energy[sessions_stems.ALL_HZ.index(125.0)] = 1.0
    stem = sessions_stems.Stem(
        name="tone",
        home="close",
        arrival_ms=np.array(delays_ms),
        sign=np.array(signs),
        energy=np.ones(3),
        struck_s=(0.0,),
        frequency_hz=frequency,
        octave=np.array([1]),
        spectra=heard,
        octave_energy=energy,
    )
    silent = dict.fromkeys(("close", "oh_left", "oh_right"), np.zeros(480, np.float32))
    return sessions_stems.StemKit(name="tone", sample_rate_hz=48_000, tracks=silent, stems=(stem,))


def test_levels_under_a_setting_by_hand() -> None:
    """5 ms are half a period of 100 Hz: the close mic cancels an overhead, three in phase make 9.5 dB."""
    kit = one_tone((0.0, 5.0, 5.0), (1, 1, 1))
    none = setting_scores.Set(signs=np.ones(3), shifts_ms=np.zeros(3), settled=np.ones(3, dtype=bool))
    for signs, shifts in (((1, 1, 1), (5, 0, 0)), ((-1, 1, 1), (0, 0, 0))):
        setting = setting_scores.Set(
            signs=np.array(signs), shifts_ms=np.array(shifts), settled=np.ones(3, dtype=bool)
        )
        level = setting_scores.levels_db(kit, kit.stems[0], (0, 1, 2), setting)[1]
        assert level == pytest.approx(20 * np.log10(3))
    assert setting_scores.levels_db(kit, kit.stems[0], (0, 1, 2), none)[1] == pytest.approx(0.0)
    assert setting_scores.levels_db(kit, kit.stems[0], (0, 1), none)[1] < -100


def test_a_twin_set_right_ends_where_the_kit_does_and_one_that_is_not_shows() -> None:
    """Taking the twin's own flips and delays back makes it the kit again; leaving 1 ms does not."""
    kit = one_tone((0.0, 5.0, 5.0), (1, 1, 1))
    other = sessions_stems.injected(
        kit, {"close": -1, "oh_left": 1, "oh_right": 1}, {"close": 2.0, "oh_left": 0.5, "oh_right": 0.5}
    )
    plain = setting_scores.Set(signs=np.ones(3), shifts_ms=np.zeros(3), settled=np.ones(3, dtype=bool))
    for left_ms, same in ((0.0, 1), (1.0, 0)):
        back = setting_scores.Set(
            signs=np.array([-1.0, 1.0, 1.0]),
            shifts_ms=np.array([-1.5 - left_ms, 0.0, 0.0]),
            settled=np.ones(3, dtype=bool),
        )
        found = [setting_scores.source_octaves(k, s) for k, s in ((kit, plain), (other, back))]
        assert setting_scores.alike(*found, settled=True) == (same, 1)


def test_a_track_that_no_answer_ties_to_another_is_not_counted_as_set() -> None:
    """The anchor is flipped: of a track in its group that says something, of one by itself nothing."""
    kit = one_tone((0.0, 5.0, 5.0), (1, 1, 1))
    for groups, told in ((((0, 1, 2),), (0, 1)), (((0,), (1, 2)), (0, 0))):
        setting = setting_scores.Set(
            signs=np.array([1.0, -1.0, -1.0]),
            shifts_ms=np.zeros(3),
            settled=np.ones(3, dtype=bool),
            groups=groups,
        )
        assert setting_scores.flips(kit, setting).right == told
