"""The comb filter of a sound summed with its delayed copy: notches, peaks, depth and ripple in closed form.

Conventions
-----------
Delays in ms, frequencies in Hz, levels in dB (20·log10 of amplitude) against the louder of the two alone;
``notch_depth_db`` and ``peak_height_db`` are both positive numbers.
Same polarity: notches at odd multiples of 1/(2τ), peaks at multiples of 1/τ.  Inverted: the other way
round, so that 0 Hz is a notch.  Follows from |H|² = 1 + a² ± 2a·cos(ωτ), any text on acoustics.
Uncertainties are one sigma, carried to first order.
"""

import math
from dataclasses import dataclass

import numpy as np

from polaritykit.base.air import SoundSpeed
from polaritykit.base.errors import UsageError
from polaritykit.base.hearing import HEARING_HZ
from polaritykit.base.types import Floats, read_only
from polaritykit.base.wording import number


@dataclass(frozen=True, kw_only=True)
class CombPrediction:
    """What the sum of a sound and its delayed copy does to the spectrum; uncertainties are one sigma."""

    delay_ms: float
    delay_std_ms: float
    path_difference_m: float
    path_difference_std_m: float
    sound: SoundSpeed
    inverted: bool
    #: Level between the two, 0 or more; which one is louder does not change the comb.
    level_difference_db: float
    level_difference_std_db: float
    up_to_hz: float
    #: Cancelled and reinforced frequencies up to ``up_to_hz``; relative uncertainty is that of the delay.
    notches_hz: Floats
    notches_std_hz: Floats
    peaks_hz: Floats
    peaks_std_hz: Floats
    #: Below the louder of the two alone; None when the cancellation is complete (equal levels).
    notch_depth_db: float | None
    notch_depth_std_db: float | None
    #: The depth if the levels are one sigma further apart; None when they are known to be equal.
    notch_depth_least_db: float | None
    #: Above the louder of the two alone.
    peak_height_db: float
    peak_height_std_db: float
    #: From peak to notch; None when the cancellation is complete.
    ripple_db: float | None
    ripple_std_db: float | None
    #: What was assumed or must be known, as sentences.
    remarks: tuple[str, ...]


_MOST_NOTCHES = 100_000


def notches_hz(delay_ms: float, inverted: bool, up_to_hz: float) -> Floats:
    """Frequencies cancelled in the sum of a sound and its copy `delay_ms` later.

    Parameters
    ----------
    delay_ms : float
        Offset of the copy; its sign does not matter.
    inverted : bool
        Whether the copy has the other polarity.
    up_to_hz : float
        Highest frequency wanted.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Ascending; empty for a delay of zero, where no single frequency is cancelled.

    Raises
    ------
    UsageError
        If there are more than 100 000 of them.

    Examples
    --------
    >>> notches_hz(1.0, False, 3000.0).tolist()
    [500.0, 1500.0, 2500.0]
    >>> notches_hz(1.0, True, 3000.0).tolist()
    [0.0, 1000.0, 2000.0, 3000.0]
    """
    return _multiples(delay_ms, odd_halves=not inverted, up_to_hz=up_to_hz)


def peaks_hz(delay_ms: float, inverted: bool, up_to_hz: float) -> Floats:
    """Frequencies reinforced most in the sum of a sound and its copy `delay_ms` later.

    Parameters
    ----------
    delay_ms : float
    inverted : bool
    up_to_hz : float

    Examples
    --------
    >>> peaks_hz(1.0, False, 2500.0).tolist()
    [0.0, 1000.0, 2000.0]
    """
    return _multiples(delay_ms, odd_halves=inverted, up_to_hz=up_to_hz)


def _multiples(delay_ms: float, *, odd_halves: bool, up_to_hz: float) -> Floats:
    """Odd multiples of 1/(2τ), or all multiples of 1/τ from 0, up to a limit."""
    spacing_hz = 1000.0 / abs(delay_ms) if abs(delay_ms) > 1e-9 else math.inf
    first = 0.5 if odd_halves else 0.0
    if not math.isfinite(spacing_hz) or up_to_hz < first * spacing_hz:
        return read_only(np.empty(0))
    # A millionth of a spacing of grace: the limit itself counts, rounding errors aside.
    count = math.floor(up_to_hz / spacing_hz - first + 1e-6) + 1
    if count > _MOST_NOTCHES:
        raise UsageError(
            f"A delay of {abs(delay_ms):g} ms has more than {_MOST_NOTCHES} notches below {up_to_hz:g} Hz: "
            "give a lower limit."
        )
    return read_only((np.arange(count, dtype=np.float64) + first) * spacing_hz)


def notch_depth_db(level_difference_db: float) -> float | None:
    """How far a notch lies below the louder of the two signals alone: −20·log10(1 − a), a = 10^(−|ΔL|/20).

    Returns None when the levels are equal: the cancellation is complete.

    Examples
    --------
    >>> round(notch_depth_db(6.0), 2), notch_depth_db(0.0)
    (6.04, None)
    """
    amplitude = _amplitude(level_difference_db)
    return None if amplitude >= 1.0 else -20 * math.log10(1 - amplitude)


def peak_height_db(level_difference_db: float) -> float:
    """How far a peak lies above the louder of the two signals alone: 20·log10(1 + a).

    Examples
    --------
    >>> round(peak_height_db(0.0), 2)
    6.02
    """
    return 20 * math.log10(1 + _amplitude(level_difference_db))


def _amplitude(level_difference_db: float) -> float:
    """Amplitude of the softer of the two against the louder, 0-1."""
    return float(10 ** (-abs(level_difference_db) / 20))


def comb_response_db(
    frequency_hz: Floats, delay_ms: float, level_difference_db: float, inverted: bool
) -> Floats:
    """Level of the sum against the louder signal alone: 10·log10(1 + a² ± 2a·cos(2πfτ)).

    Parameters
    ----------
    frequency_hz : numpy.ndarray, shape (n,)
        Frequencies.
    delay_ms : float
        How much later the copy is.
    level_difference_db : float
        Between the two, either sign.
    inverted : bool
        Whether the two have opposite polarity.

    Returns
    -------
    numpy.ndarray, shape (n,)
        In dB; −300 stands for complete cancellation, so that the array stays finite.
    """
    amplitude = _amplitude(level_difference_db)
    sign = -1.0 if inverted else 1.0
    cosine = np.cos(2 * np.pi * np.asarray(frequency_hz, dtype=np.float64) * delay_ms / 1000)
    power = 1 + amplitude**2 + 2 * sign * amplitude * cosine
    return np.asarray(10 * np.log10(np.maximum(power, 1e-30)), dtype=np.float64)


def seen_notches_hz(
    frequency_hz: Floats, sum_power: Floats, power_sum: Floats, expected_hz: Floats, *, least_db: float
) -> Floats:
    """Which of the expected notches a measured sum really shows.

    A notch is seen when the sum's level within an eighth of a notch spacing around it lies at least
    `least_db` under that around the two peaks beside it.

    Parameters
    ----------
    frequency_hz, sum_power, power_sum : numpy.ndarray, shape (n,)
        Even grid from 0 Hz, power spectrum of a + b, and sum of the power spectra of a and b.
    expected_hz : numpy.ndarray, shape (m,)
        Evenly spaced notches as `notches_hz` gives them, two at least.
    least_db : float
        Smallest dip that counts.

    Returns
    -------
    numpy.ndarray
        The ones seen, out of those the grid resolves (eight bins from notch to notch).
    """
    if len(expected_hz) < 2 or len(frequency_hz) < 2:
        return read_only(np.empty(0))
    spacing = float(expected_hz[1] - expected_hz[0])
    if spacing < 8 * float(frequency_hz[1] - frequency_hz[0]):
        return read_only(np.empty(0))

    def level_db(centre_hz: float) -> float | None:
        near = np.abs(frequency_hz - centre_hz) <= spacing / 8
        whole = float(power_sum[near].sum())
        return (
            10 * math.log10(max(float(sum_power[near].sum()), 1e-12 * whole) / whole) if whole > 0 else None
        )

    found = []
    for notch in expected_hz:
        inside = level_db(notch)
        beside = [
            level for level in map(level_db, (notch - spacing / 2, notch + spacing / 2)) if level is not None
        ]
        if inside is not None and beside and inside <= min(beside) - least_db:
            found.append(float(notch))
    return read_only(np.array(found, dtype=np.float64))


def nearest_note(frequency_hz: float) -> str | None:
    """Name of the nearest equal-tempered note at A4 = 440 Hz (ISO 16), and the distance from it in cents.

    Returns None below C0 (16.35 Hz), where nobody names notes.

    Examples
    --------
    >>> nearest_note(500.0)
    'B4 +21 cents'
    """
    import librosa

    if frequency_hz < 15.9:
        return None
    semitones = float(librosa.hz_to_midi(frequency_hz))
    cents = round(100 * (semitones - round(semitones)))
    name = str(librosa.midi_to_note(round(semitones)))
    return name if cents == 0 else f"{name} {number(cents, 0, signed=True)} cents"


def predict_comb(
    *,
    delay_ms: float,
    delay_std_ms: float,
    sound: SoundSpeed,
    inverted: bool = False,
    level_difference_db: float = 0.0,
    level_difference_std_db: float = 0.0,
    up_to_hz: float = HEARING_HZ[1],
    path_difference_std_m: float | None = None,
    remarks: tuple[str, ...] = (),
) -> CombPrediction:
    """Everything the comb of one delay does, with uncertainties.

    Parameters
    ----------
    delay_ms, delay_std_ms : float
        Delay of the copy and its uncertainty; the sign is dropped.
    sound : SoundSpeed
        Turns the delay into a path difference.
    inverted : bool
        Whether the copy has the other polarity.
    level_difference_db, level_difference_std_db : float
        Between the two; the sign is dropped.
    up_to_hz : float
        Highest notch and peak listed.
    path_difference_std_m : float, optional
        Uncertainty of the path difference where that was what was measured; None derives it from the delay.
    remarks : tuple of str
        Sentences to carry along.

    Returns
    -------
    CombPrediction
    """
    delay_ms, difference_db = abs(delay_ms), abs(level_difference_db)
    path_m = delay_ms / 1000 * sound.speed_mps
    if path_difference_std_m is None:
        path_difference_std_m = math.hypot(
            delay_std_ms / 1000 * sound.speed_mps, delay_ms / 1000 * sound.std_mps
        )
    notches, peaks = (found(delay_ms, inverted, up_to_hz) for found in (notches_hz, peaks_hz))
    relative = delay_std_ms / delay_ms if delay_ms > 0 else 0.0
    amplitude = _amplitude(difference_db)
    depth, height = notch_depth_db(difference_db), peak_height_db(difference_db)
    # d(depth)/d(level difference) = a/(1 − a), d(height)/d(level difference) = a/(1 + a), in dB per dB.
    depth_std = None if depth is None else level_difference_std_db * amplitude / (1 - amplitude)
    height_std = level_difference_std_db * amplitude / (1 + amplitude)
    if delay_ms < 1e-9:
        what = "cancel at every frequency" if inverted else "add at every frequency"
        remarks = (*remarks, f"Both arrive together: they {what}, there are no notches.")
    return CombPrediction(
        delay_ms=delay_ms,
        delay_std_ms=delay_std_ms,
        path_difference_m=path_m,
        path_difference_std_m=path_difference_std_m,
        sound=sound,
        inverted=inverted,
        level_difference_db=difference_db,
        level_difference_std_db=level_difference_std_db,
        up_to_hz=up_to_hz,
        notches_hz=notches,
        notches_std_hz=read_only(notches * relative),
        peaks_hz=peaks,
        peaks_std_hz=read_only(peaks * relative),
        notch_depth_db=depth,
        notch_depth_std_db=depth_std,
        notch_depth_least_db=notch_depth_db(difference_db + level_difference_std_db),
        peak_height_db=height,
        peak_height_std_db=height_std,
        ripple_db=None if depth is None else depth + height,
        ripple_std_db=None if depth_std is None else depth_std + height_std,
        remarks=remarks,
    )
