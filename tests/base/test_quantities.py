"""The unit grammar and the digits printed."""

import pytest

from polaritykit.base.errors import UsageError
from polaritykit.base.quantities import parse, parse_delay_s, parse_length_m
from polaritykit.base.wording import measured


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("34 cm", 0.34),
        ("34cm", 0.34),
        ("340 mm", 0.34),
        (".34 m", 0.34),
        ("3.4e-1 M", 0.34),
        ("1 ft", 0.3048),  # international foot, 1959 agreement
        ("1 in", 0.0254),
        ('13"', 0.3302),
        ("5 ft 10 in", 1.778),
        ("5'10\"", 1.778),
        ("0 m", 0.0),
    ],
)
def test_lengths(text, metres):
    """Metric and imperial lengths by their definitions."""
    assert parse_length_m(text) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1 ms", 1e-3),
        ("830us", 830e-6),
        ("830 µs", 830e-6),
        ("830 μs", 830e-6),
        ("0.001 s", 1e-3),
        ("48 samples @ 48 kHz", 1e-3),
        ("44.1 samples at 44100 Hz", 1e-3),
        ("1 sample @48khz", 1 / 48000),
    ],
)
def test_delays(text, seconds):
    """Times, and samples at a rate."""
    assert parse_delay_s(text) == pytest.approx(seconds, rel=1e-12)


def test_samples_take_the_session_s_rate():
    """A rate given elsewhere counts when the text names none."""
    assert parse_delay_s("96 samples", 96000) == pytest.approx(1e-3)


@pytest.mark.parametrize(
    ("text", "quantity", "value"),
    [
        ("22", "temperature", 22.0),
        ("71.6 F", "temperature", 22.0),
        ("295.15 K", "temperature", 22.0),
        ("-6", "level", -6.0),
        ("6 dB", "level", 6.0),
        ("50%", "humidity", 50.0),
        ("1130 ft/s", "speed", 344.424),
        ("5k Hz".replace(" ", ""), "frequency", 5000.0),
        ("1.5 kohm", "impedance", 1500.0),
        ("55°", "angle", 55.0),
    ],
)
def test_other_quantities(text, quantity, value):
    """Quantities with one customary unit may go without it."""
    assert parse(text, quantity) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0.34", "has no unit"),
        ("3 furlongs", "'furlongs' is not a unit of length"),
        ("3 ms", "'ms' is not a unit of length"),
        ("3,4 m", "decimal point"),
        ("", "write a number"),
        ("cm", "write a number"),
        ("nan m", "write a number"),
        ("1e999 m", "too large"),
        ("3 m 4", "left over"),
        ("3 m 4 cm", "left over"),
        ("5 ft 13 in", "left over"),
        ("1.2.3 m", "left over|not a unit|no unit"),
        ("--3 m", "write a number"),
        ("-3 cm", "negative"),
    ],
)
def test_bad_lengths(text, message):
    """Nothing is guessed: every fault says what is wrong and how to write it."""
    with pytest.raises(UsageError, match=message):
        parse_length_m(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1", "has no unit"),
        ("-1 ms", "not a possible delay"),
        ("68 samples", "names no sample rate"),
        ("68 samples @ 0 Hz", "not above zero"),
        ("68 samples @ 48 km", "'km' is not a unit of frequency"),
        ("68 samples @", "write a number|left over|names no|not a unit"),
    ],
)
def test_bad_delays(text, message):
    """As for lengths."""
    with pytest.raises(UsageError, match=message):
        parse_delay_s(text)


@pytest.mark.parametrize(
    ("value", "std", "expected"),
    [
        (503.27, 14.9, "503 ± 15 Hz"),  # one digit, 10, would be a third off
        (503.27, 31.0, "500 ± 30 Hz"),
        (1.41672, 0.0042, "1.417 ± 0.004 Hz"),
        (0.96, 0.096, "1.0 ± 0.1 Hz"),
        (12345.6, 432.0, "12300 ± 400 Hz"),
        (-0.004, 0.03, "0.00 ± 0.03 Hz"),
        (1.0, None, "1.00 Hz"),
        (1.0, 0.0, "1.00 Hz"),
    ],
)
def test_digits_follow_the_uncertainty(value, std, expected):
    """Rounding rule of the Guide to the Expression of Uncertainty (7.2.6): at most two digits of it."""
    assert measured(value, std, "Hz") == expected
