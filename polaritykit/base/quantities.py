"""Quantities as people write them ("34 cm", "5 ft 10 in", "68 samples @ 48 kHz") to numbers.

Conventions
-----------
Lengths and times always carry their unit: nothing is guessed.  Quantities with one customary unit may go
without it: level (dB), temperature (°C), humidity (%), angle (degrees), speed (m/s), frequency (Hz),
impedance (ohm).  Units are read without regard to case; the decimal sign is a point.
"""

import math
import re

from polaritykit.base.errors import UsageError

_INCH_M = 0.0254


_FOOT_M = 12 * _INCH_M


#: Quantity -> (what it is called, unit used when none is written, example, unit -> factor to the base unit).
_UNITS: dict[str, tuple[str, str | None, str, dict[str, float]]] = {
    "length": (
        "a length",
        None,
        "34 cm",
        {"m": 1.0, "cm": 0.01, "mm": 0.001}
        | dict.fromkeys(("ft", "foot", "feet", "'"), _FOOT_M)
        | dict.fromkeys(("in", "inch", "inches", '"'), _INCH_M),
    ),
    "time": (
        "a time",
        None,
        "1.2 ms",
        {"s": 1.0, "ms": 1e-3} | dict.fromkeys(("us", "µs", "μs"), 1e-6),
    ),
    "frequency": ("a frequency", "hz", "5 kHz", {"hz": 1.0, "khz": 1e3}),
    "level": ("a level difference", "db", "6 dB", {"db": 1.0}),
    "angle": ("an angle", "deg", "55 deg", dict.fromkeys(("deg", "°", "degrees"), 1.0)),
    "humidity": ("a relative humidity", "%", "50 %", {"%": 1.0}),
    "speed": ("a speed", "m/s", "343.2 m/s", {"m/s": 1.0, "ft/s": _FOOT_M}),
    "impedance": ("an impedance", "ohm", "150 ohm", dict.fromkeys(("ohm", "ohms", "ω"), 1.0) | {"kohm": 1e3}),
    "temperature": (
        "a temperature",
        "c",
        "22 C",
        dict.fromkeys(("c", "°c"), 1.0) | dict.fromkeys(("f", "°f"), 5 / 9) | {"k": 1.0},
    ),
}


#: What is added to the value after scaling, for scales whose zero is elsewhere.
_SHIFT = {"f": -32 * 5 / 9, "°f": -32 * 5 / 9, "k": -273.15}


_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?"


_TERM = re.compile(rf"\s*({_NUMBER})\s*([^\s\d.+,-]*)\s*", re.IGNORECASE)


_SAMPLES = re.compile(rf"\s*({_NUMBER})\s*samples?\s*(?:(?:@|at)\s*(.+))?", re.IGNORECASE)


#: No quantity here is measured so finely; what follows from smaller ones leaves the range of numbers.
_SMALLEST = 1e-12
#: Longer ways and delays make more notches than anybody can read.
_LONGEST_M = 1000.0
_LONGEST_S = 3.0


def parse(text: str, quantity: str) -> float:
    """Read one quantity and return it in its base unit.

    Parameters
    ----------
    text : str
        Number and unit.  A length in feet may be followed by inches (``"5 ft 10 in"``).
    quantity : str
        ``"length"`` (→ m), ``"time"`` (→ s), ``"frequency"`` (→ Hz), ``"level"`` (→ dB),
        ``"angle"`` (→ degrees), ``"humidity"`` (→ %), ``"speed"`` (→ m/s), ``"impedance"`` (→ ohm) or
        ``"temperature"`` (→ °C).

    Raises
    ------
    UsageError
        If the number is malformed or not finite, or the unit is missing or unknown.

    Examples
    --------
    >>> parse("34 cm", "length")
    0.34
    >>> round(parse("71.6 F", "temperature"), 6)
    22.0
    """
    called, default, example, units = _UNITS[quantity]
    first = _TERM.match(text)
    if first is None or "," in text:
        raise UsageError(
            f"'{text}' is not {called}: write a number with a decimal point and a unit, like '{example}'."
        )
    value, unit = _term(first, text, quantity)
    rest = text[first.end() :]
    if not rest:
        return value
    second = _TERM.fullmatch(rest)
    if second is not None and units.get(unit) == _FOOT_M:
        more, second_unit = _term(second, text, quantity)
        if units[second_unit] == _INCH_M and 0 <= more < _FOOT_M:
            return value + math.copysign(more, value)
    hint = f"; units: {_shown(units)}" if default is None else ""
    raise UsageError(f"'{text}' is not {called}: '{rest}' is left over, write it like '{example}'{hint}.")


def _shown(units: dict[str, float]) -> str:
    """Units for a message: one spelling of each."""
    first = {factor: unit for unit, factor in reversed(units.items())}
    return ", ".join(unit for unit in units if unit in first.values())


def _term(match: re.Match[str], text: str, quantity: str) -> tuple[float, str]:
    """Value in the base unit, and the unit as written, of one "number unit"."""
    called, default, example, units = _UNITS[quantity]
    number = float(match[1])
    unit = match[2].lower() or default
    if unit is None:
        raise UsageError(f"'{text}' has no unit: write {called} like '{example}' (units: {_shown(units)}).")
    if unit not in units:
        raise UsageError(
            f"'{text}': '{match[2]}' is not a unit of {called.split(' ', 1)[1]}; use {_shown(units)}."
        )
    value = number * units[unit] + _SHIFT.get(unit, 0.0)
    if not math.isfinite(value):
        raise UsageError(f"'{text}' is too large to be {called}.")
    if 0 < abs(value) < _SMALLEST:
        raise UsageError(f"'{text}' is too small to be {called}; write 0 or more of it.")
    return value, unit


def parse_length_m(text: str) -> float:
    """Read a length that cannot be negative, in metres (see `parse`).

    Examples
    --------
    >>> round(parse_length_m("5 ft 10 in"), 6)
    1.778
    """
    value = parse(text, "length")
    if value < 0:
        raise UsageError(f"'{text}' is negative: a distance is zero or more.")
    if value > _LONGEST_M:
        raise UsageError(f"'{text}' is further than sound carries; at most {_LONGEST_M:g} m are understood.")
    return value


def parse_positive(text: str, quantity: str, *, option: str) -> float:
    """Read a value that must be above zero (see `parse`).

    Parameters
    ----------
    text, quantity : str
        As for `parse`.
    option : str
        Name of the command's option, as a Python name.

    Raises
    ------
    UsageError
        If malformed, zero or negative.

    Examples
    --------
    >>> parse_positive("44.1 kHz", "frequency", option="sample_rate")
    44100.0
    """
    value = parse(text, quantity)
    if not value > 0:
        raise UsageError(f"--{option.replace('_', '-')} is {text}; it must be above zero.")
    return value


def parse_delay_s(text: str, sample_rate_hz: float | None = None) -> float:
    """Read a delay in seconds, also written as samples at a rate.

    Parameters
    ----------
    text : str
        ``"1.2 ms"``, ``"830 us"``, ``"68 samples @ 48 kHz"``, or ``"68 samples"`` with `sample_rate_hz`.
    sample_rate_hz : float, optional
        Rate used when the text names samples but no rate.

    Raises
    ------
    UsageError
        If malformed, negative, or in samples with no rate known.

    Examples
    --------
    >>> parse_delay_s("48 samples @ 48 kHz")
    0.001
    """
    samples = _SAMPLES.fullmatch(text)
    if samples is None:
        value = parse(text, "time")
    else:
        rate_hz = parse(samples[2], "frequency") if samples[2] else sample_rate_hz
        if rate_hz is None:
            raise UsageError(
                f"'{text}' names no sample rate: write '{text.strip()} @ 48 kHz' or give the rate."
            )
        if rate_hz <= 0:
            raise UsageError(f"'{text}' has a sample rate that is not above zero.")
        value = float(samples[1]) / rate_hz
    if value < 0 or not math.isfinite(value):
        raise UsageError(f"'{text}' is not a possible delay: give the amount by which the later one is late.")
    if value > _LONGEST_S:
        raise UsageError(f"'{text}' is too long a delay; at most {_LONGEST_S:g} s are understood.")
    return value
