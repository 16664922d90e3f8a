"""Rendering corrections: against the FFT's phase ramp, and bit for bit where samples only move."""

import struct

import numpy as np
import pytest
import scipy.io.wavfile
import soundfile
from wave_chunks import bext, insert_chunks, ixml

from polaritykit.audio.broadcast_wave import read_layout, read_start
from polaritykit.base.errors import InputError
from polaritykit.jobs.apply.copy_file import write_corrected
from polaritykit.jobs.apply.render import ChannelCorrection, Corrector, delay_filter

RATE = 48_000
NONE = ChannelCorrection()
FLIP = ChannelCorrection(invert=True)


def rendered(samples, corrections, *, bits=None, block=1_000):
    """Render an array through `Corrector` in blocks."""
    position = 0

    def read(n):
        nonlocal position
        position += n
        return samples[position - n : position]

    corrector = Corrector(read=read, frames=len(samples), corrections=corrections, bits=bits)
    total = corrector.output_frames
    pieces = [corrector.render(start, min(start + block, total)) for start in range(0, total, block)]
    return np.concatenate(pieces), corrector


def band_noise(n, top=0.45):
    """Noise without content above ``top`` times the sample rate, with room at its ends."""
    spectrum = np.fft.rfft(np.random.default_rng(1).standard_normal(n))
    spectrum[int(top * n) :] = 0
    noise = np.fft.irfft(spectrum, n)
    noise[: n // 4] = noise[-n // 4 :] = 0
    fade = np.hanning(2_000)
    noise[n // 4 : n // 4 + 1_000] *= fade[:1_000]
    noise[-n // 4 - 1_000 : -n // 4] *= fade[1_000:]
    return 0.1 * noise / np.std(noise)


@pytest.mark.parametrize("delay", [0.5, 0.123, 3.999, 136.37, 2_000.75])
@pytest.mark.parametrize("invert", [False, True])
def test_fractional_delay_is_the_phase_ramp(delay, invert):
    """A delay is a linear phase (the shift theorem); −90 dB below it is what is promised."""
    n = 32_768
    x = band_noise(n)
    y, corrector = rendered(x[:, None], [ChannelCorrection(invert=invert, delay_samples=delay)])
    ramp = np.exp(-2j * np.pi * np.fft.rfftfreq(n) * delay)
    expected = np.fft.irfft(np.fft.rfft(x) * ramp, n) * (-1 if invert else 1)

    assert corrector.output_frames == len(y) == n + int(np.ceil(delay))
    error_db = 20 * np.log10(np.std(y[:n, 0] - expected) / np.std(x))
    assert error_db < -90


@pytest.mark.parametrize("fraction", np.linspace(0.02, 0.98, 9))
def test_filter_is_flat_and_linear(fraction):
    """Flat within 0.01 dB up to 0.45 × rate, phase delay within 0.0001 sample."""
    response = np.fft.rfft(delay_filter(fraction), 8_192)
    f = np.fft.rfftfreq(8_192)
    band = (f > 0) & (f <= 0.45)
    delays = -np.unwrap(np.angle(response))[band] / (2 * np.pi * f[band])

    assert np.abs(20 * np.log10(np.abs(response[f <= 0.45]))).max() < 0.01
    np.testing.assert_allclose(delays, 95 + fraction, atol=1e-4)


def test_blocks_do_not_matter():
    """Any block length gives the same samples (to rounding; exactly where samples only move)."""
    x = np.random.default_rng(0).standard_normal((5_000, 3))
    corrections = [ChannelCorrection(delay_samples=17.3), FLIP, ChannelCorrection(delay_samples=2_500)]
    whole, _ = rendered(x, corrections, block=10_000)
    for block in (1, 97, 4_096):
        pieces, _ = rendered(x[:600] if block == 1 else x, corrections, block=block)
        expected = rendered(x[:600], corrections, block=10_000)[0] if block == 1 else whole
        np.testing.assert_allclose(pieces, expected, atol=1e-13)
        np.testing.assert_array_equal(pieces[:, 1:], expected[:, 1:])


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_flip_is_exact_and_the_lowest_value_is_limited(bits):
    """Two's complement: every value has its negative but −2^(b−1), which becomes the highest."""
    top = 2 ** (bits - 1)
    values = np.array([0, 1, -1, top - 1, -top + 1, -top])
    shifted = (values << (32 - bits)).astype(np.int32)[:, None]
    got, corrector = rendered(shifted, [FLIP], bits=bits)

    np.testing.assert_array_equal(
        got[:, 0].astype(np.int64) >> (32 - bits), [0, -1, 1, -top + 1, top - 1, top - 1]
    )
    assert corrector.limited == [1]


def test_whole_delay_is_exact():
    """A whole-sample delay pads the start and moves every sample; a rounding of the delay is forgiven."""
    x = np.random.default_rng(0).integers(-(2**31), 2**31, (3_000, 2)).astype(np.int32)
    got, _ = rendered(x, [ChannelCorrection(delay_samples=68.000004), NONE], bits=24)

    assert got.dtype == np.int32
    np.testing.assert_array_equal(got[68:, 0], x[:, 0])
    np.testing.assert_array_equal(got[:3_000, 1], x[:, 1])
    assert not got[:68, 0].any()
    assert not got[3_000:, 1].any()


def test_dither_is_triangular():
    """Requantising with triangular dither: error without mean, variance ¼ step², whatever the signal.

    Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992: 1/12 of the quantiser plus 2/12 of the dither.
    """
    n = 40_000
    slow = 1.3 * np.sin(2 * np.pi * 0.001 * np.arange(n))  # a sine of little more than one step
    x = np.rint(2_000 * slow).astype(np.int32) << 8
    got, _ = rendered(x[:, None], [ChannelCorrection(delay_samples=0.5)], bits=16)
    exact = np.interp(np.arange(n) - 0.5, np.arange(n), x / 2**16)
    error = (got[200:n, 0] / 2**16 - exact[200:])[: n - 400]

    assert abs(error.mean()) < 4 * 0.5 / np.sqrt(n)
    assert error.var() == pytest.approx(0.25, rel=0.05)
    assert abs(np.corrcoef(error, exact[200 : n - 200])[0, 1]) < 0.02


def test_overshoot_is_limited_and_counted():
    """Full-scale steps overshoot between the samples (Gibbs): limited, never wrapped, and counted."""
    x = np.where(np.arange(4_000) // 50 % 2, 2**31 - 256, -(2**31)).astype(np.int32)
    got, corrector = rendered(x[:, None], [ChannelCorrection(delay_samples=0.5)], bits=24)

    assert corrector.limited[0] > 100
    inner = got[200:3_800, 0].astype(float)
    assert np.abs(np.diff(inner)).max() < 1.2 * 2**32
    assert np.sign(inner[25 % 50 :: 50]).tolist() == np.sign(x[200:3_800][25 % 50 :: 50]).tolist()


def test_float_flip_keeps_everything():
    """Floating point is negated as it is, NaN and values above full scale included."""
    x = np.array([[0.5], [np.nan], [-3.0], [np.inf]])
    np.testing.assert_array_equal(rendered(x, [FLIP])[0], -x)


def test_negative_delay_is_refused():
    """Earlier than recorded cannot be rendered start-aligned."""
    with pytest.raises(ValueError, match="cannot be negative"):
        rendered(np.zeros((5, 1)), [ChannelCorrection(delay_samples=-1.0)])


# ---- files -------------------------------------------------------------------------------------


WAVES = [
    ("WAV", "PCM_U8"),
    ("WAV", "PCM_16"),
    ("WAV", "PCM_24"),
    ("WAV", "PCM_32"),
    ("WAV", "FLOAT"),
    ("WAV", "DOUBLE"),
    ("WAVEX", "PCM_24"),
    ("WAVEX", "FLOAT"),
    ("RF64", "PCM_24"),
    ("WAV", "ULAW"),
]
OTHERS = [("FLAC", "PCM_16"), ("FLAC", "PCM_24"), ("AIFF", "PCM_24"), ("AIFF", "FLOAT"), ("CAF", "ALAC_24")]


def write(path, container, subtype, n=9_001, channels=3, **how):
    """Write noise that uses the format's whole depth."""
    x = np.random.default_rng(3).uniform(-0.9, 0.9, (n, channels))
    soundfile.write(path, x, RATE, format=container, subtype=subtype, **how)
    return path


@pytest.mark.parametrize(("container", "subtype"), WAVES + OTHERS)
@pytest.mark.parametrize("endian", ["FILE", "BIG"])
def test_flip_and_whole_delay_of_files(tmp_path, container, subtype, endian):
    """Same format, channels and rate; libsndfile reads exactly the negated, moved samples."""
    if endian == "BIG" and (container != "WAV" or subtype == "PCM_U8"):
        pytest.skip("libsndfile writes no such big-endian file")
    old = write(tmp_path / "old", container, subtype, endian=endian)
    done = write_corrected(old, tmp_path / "new", [FLIP, ChannelCorrection(delay_samples=7.0), NONE])

    before, after = soundfile.info(old), soundfile.info(tmp_path / "new")
    for name in ("format", "subtype", "samplerate", "channels", "endian"):
        assert getattr(after, name) == getattr(before, name)
    assert done.frames == after.frames == before.frames + 7
    x = soundfile.read(old, dtype="float64")[0]
    y = soundfile.read(tmp_path / "new", dtype="float64")[0]
    np.testing.assert_array_equal(y[:9_001, 0], -x[:, 0])
    np.testing.assert_array_equal(y[7:, 1], x[:, 1])
    np.testing.assert_array_equal(y[:9_001, 2], x[:, 2])
    if subtype == "ULAW" and container == "WAV":
        assert "could not be carried over" in done.remarks[0]
    else:
        assert done.remarks == ()


@pytest.mark.filterwarnings("ignore::scipy.io.wavfile.WavFileWarning")  # it knows few chunks, and says so
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("behind", [False, True])
def test_chunks_are_kept(tmp_path, container, behind):
    """Start time, iXML, markers and unknown chunks stay byte for byte; stale peak data does not."""
    old = write(tmp_path / "old.wav", container, "PCM_24", channels=1)
    extra = [
        bext(4_492_800_000),
        ixml(4_492_800_000),
        (b"cue ", struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 500, b"data", 0, 0, 500)),
        (b"odd!", b"12345"),
        (b"levl", b"overview of the old samples"),
    ]
    if container == "RF64" and not behind:  # libsndfile does not skip the padding there and finds no audio
        extra = [(name, content + b" " * (len(content) % 2)) for name, content in extra]
    insert_chunks(old, *extra, behind=behind)
    new = tmp_path / "new.wav"
    write_corrected(old, new, [ChannelCorrection(invert=True, delay_samples=3.5)])

    layout, data = read_layout(new), new.read_bytes()
    for name, content in extra[:-1]:
        chunk = layout.find(name)
        assert data[chunk.offset : chunk.offset + chunk.size] == content
    assert layout.find(b"levl") is None
    assert read_start(new, layout).bext_samples == 4_492_800_000
    assert struct.unpack("<I", data[4:8])[0] == (0xFFFFFFFF if container == "RF64" else len(data) - 8)
    if container == "RF64":
        place = layout.find(b"ds64").offset
        assert struct.unpack_from("<QQQ", data, place) == (len(data) - 8, 3 * (9_001 + 4), 9_001 + 4)
    before = [chunk.name for chunk in read_layout(old).chunks if chunk.name != b"levl"]
    assert [chunk.name for chunk in layout.chunks] == before
    rate, samples = scipy.io.wavfile.read(new)  # a second reader agrees
    np.testing.assert_array_equal(samples / 2**31, soundfile.read(new)[0])
    assert rate == RATE


@pytest.mark.parametrize(("container", "subtype"), [("WAV", "PCM_16"), ("FLAC", "PCM_24"), ("WAV", "FLOAT")])
def test_fractional_delay_of_files(tmp_path, container, subtype):
    """Through a file the phase ramp holds to the format's own step."""
    n, delay = 16_384, 41.37
    x = band_noise(n)
    soundfile.write(tmp_path / "old", x, RATE, format=container, subtype=subtype)
    write_corrected(tmp_path / "old", tmp_path / "new", [ChannelCorrection(delay_samples=delay)])
    got = soundfile.read(tmp_path / "new")[0]
    ramp = np.exp(-2j * np.pi * np.fft.rfftfreq(n) * delay)
    expected = np.fft.irfft(np.fft.rfft(x) * ramp, n)
    step = {"PCM_16": 2**-15, "PCM_24": 2**-23, "FLOAT": 2**-24}[subtype]

    # Source and copy are each rounded (1/12 step² each) and the copy is dithered (2/12): 0.58 step.
    assert np.std(got[:n] - expected) < 0.65 * step


def test_lossy_file_is_said(tmp_path):
    """A lossy file keeps its format and place in time, and the second encoding is said."""
    x = band_noise(32_768, top=0.1)
    with soundfile.SoundFile(tmp_path / "old.ogg", "w", RATE, 1, subtype="VORBIS") as file:
        for start in range(0, len(x), 4_096):
            file.write(x[start : start + 4_096])
    done = write_corrected(tmp_path / "old.ogg", tmp_path / "new.ogg", [ChannelCorrection(delay_samples=100)])

    assert "lossy (VORBIS) and was encoded a second time" in done.remarks[0]
    got = soundfile.read(tmp_path / "new.ogg")[0]
    lags = scipy.signal.correlate(got, x, "full")
    assert np.argmax(lags) - (len(x) - 1) == 100


def test_tags_are_kept(tmp_path):
    """Title and artist of a FLAC file survive."""
    write(tmp_path / "old.flac", "FLAC", "PCM_24", channels=1)
    with soundfile.SoundFile(tmp_path / "old.flac", "w", RATE, 1, subtype="PCM_24") as file:
        file.title = "take one"
        file.write(np.zeros(100))
    write_corrected(tmp_path / "old.flac", tmp_path / "new.flac", [FLIP])
    with soundfile.SoundFile(tmp_path / "new.flac") as file:
        assert file.title == "take one"


def test_nothing_to_correct_is_a_plain_copy(tmp_path):
    """Without a correction the copy is the file."""
    old = write(tmp_path / "old.wav", "WAV", "PCM_24", channels=1)
    write_corrected(old, tmp_path / "new.wav", [NONE])
    assert (tmp_path / "new.wav").read_bytes() == old.read_bytes()


def test_files_that_cannot_be_rendered(tmp_path):
    """Wrong channel count, missing and broken files: one sentence each."""
    old = write(tmp_path / "old.wav", "WAV", "PCM_24", channels=2)
    with pytest.raises(InputError, match="has 2 channels where the report has 1; run check again"):
        write_corrected(old, tmp_path / "new.wav", [FLIP])
    with pytest.raises(InputError, match=r"gone\.wav cannot be rendered"):
        write_corrected(tmp_path / "gone.wav", tmp_path / "new.wav", [FLIP])
    flac = write(tmp_path / "old.flac", "FLAC", "PCM_24", n=RATE, channels=1)
    (tmp_path / "cut.flac").write_bytes(flac.read_bytes()[:60_000])
    with pytest.raises(InputError, match=r"cut\.flac"):
        write_corrected(tmp_path / "cut.flac", tmp_path / "new.flac", [FLIP])
