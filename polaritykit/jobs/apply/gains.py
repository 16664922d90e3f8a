"""Predicted and measured gains: what corrections should do by the spectra before, and what those after show.

Conventions: gains are the change, in dB, of the level of a sum against the power sum of its tracks, from
before to after; predicted ones are worked out from the spectra before, with the settings put in.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from polaritykit.base.octaves import OCTAVES_HZ, octave_bins
from polaritykit.base.types import Floats
from polaritykit.spectra.pair_sum import sum_level_db
from polaritykit.spectra.pool import Spectra
from polaritykit.spectra.records import PairSpectra


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Pooled spectra of named tracks."""

    names: tuple[str, ...]
    spectra: Spectra

    def pair(self, a: str, b: str) -> PairSpectra | None:
        """Spectra of one pair; None where a track is missing."""
        if a not in self.names or b not in self.names:
            return None
        return self.spectra.pair(self.names.index(a), self.names.index(b))


@dataclass(frozen=True, kw_only=True)
class PairGain:
    """One source in one pair, before and after."""

    reference: str
    other: str
    #: Home track of the source.
    home: str
    band_hz: tuple[float, float]
    predicted_db: float
    measured_db: float


@dataclass(frozen=True, kw_only=True)
class OctaveGain:
    """One octave of the sum of all tracks, before and after."""

    centre_hz: float
    predicted_db: float
    measured_db: float


def pair_gains(
    pairs: Sequence[Mapping[str, Any]],
    before: Measured,
    after: Measured,
    applied: Sequence[Mapping[str, Any]],
) -> tuple[PairGain, ...]:
    """Compare the sums of pairs before and after their corrections.

    Parameters
    ----------
    pairs : sequence of mapping
        ``pairs`` of the report that was applied.
    before, after : Measured
        The files, and their corrected copies.
    applied : sequence of mapping
        What was done to each track: ``name``, ``invert``, ``delay_ms``, as in ``applied.json``.

    Returns
    -------
    tuple of PairGain
        For every source of every pair whose tracks were set differently from one another.
    """
    settings = {entry["name"]: (bool(entry["invert"]), float(entry["delay_ms"])) for entry in applied}
    gains = []
    for pair in pairs:
        key = pair["reference"], pair["other"]
        old, new = before.pair(*key), after.pair(*key)
        first, second = (settings.get(name, (False, 0.0)) for name in key)
        invert, delay_ms = first[0] != second[0], second[1] - first[1]
        if old is None or new is None or (not invert and delay_ms == 0.0):
            continue
        for source in pair["sources"]:
            if not source.get("band_hz"):
                continue
            low, high = source["band_hz"]
            recorded = sum_level_db(old, band_hz=(low, high))
            expected = sum_level_db(old, band_hz=(low, high), delay_ms=delay_ms, invert=invert)
            measured = sum_level_db(new, band_hz=(low, high))
            if recorded is None or expected is None or measured is None:
                continue
            gains.append(
                PairGain(
                    reference=key[0],
                    other=key[1],
                    home=source["home"],
                    band_hz=(low, high),
                    predicted_db=expected - recorded,
                    measured_db=measured - recorded,
                )
            )
    return tuple(gains)


def octave_gains(
    before: Measured, after: Measured, applied: Sequence[Mapping[str, Any]]
) -> tuple[OctaveGain, ...]:
    """Compare the plain sum of all tracks, octave by octave, before and after the corrections.

    Parameters
    ----------
    before, after : Measured
        The files, and their corrected copies.
    applied : sequence of mapping
        What was done to each track: ``name``, ``invert``, ``delay_ms``.

    Returns
    -------
    tuple of OctaveGain
        Octaves that hold sound, lowest first.

    Raises
    ------
    ValueError
        When the two hold different tracks.
    """
    if before.names != after.names:
        raise ValueError("the tracks before and after are not the same")
    settings = {entry["name"]: (bool(entry["invert"]), float(entry["delay_ms"])) for entry in applied}
    chosen = [settings.get(name, (False, 0.0)) for name in before.names]
    signs = np.array([-1.0 if invert else 1.0 for invert, _ in chosen])
    delays_s = np.array([delay_ms for _, delay_ms in chosen]) * 1e-3
    plain = _sum_levels_db(before.spectra, np.ones(len(chosen)), np.zeros(len(chosen)))
    predicted = _sum_levels_db(before.spectra, signs, delays_s)
    measured = _sum_levels_db(after.spectra, np.ones(len(chosen)), np.zeros(len(chosen)))
    return tuple(
        OctaveGain(
            centre_hz=centre,
            predicted_db=float(predicted[index] - plain[index]),
            measured_db=float(measured[index] - plain[index]),
        )
        for index, centre in enumerate(OCTAVES_HZ)
        if np.isfinite([plain[index], predicted[index], measured[index]]).all()
    )


def _sum_levels_db(spectra: Spectra, signs: Floats, delays_s: Floats) -> Floats:
    """Level per octave of the sum of all tracks, signed and delayed, against their power sum, dB.

    |Σ w X|² = Σ conj(w_a)·w_b·C_ab with w = sign·exp(−2πjf·delay), C_ab = conj(X_a)·X_b.
    """
    frequency = spectra.frequency_hz
    weight = signs * np.exp(-2j * np.pi * frequency[:, None] * delays_s)
    power = np.einsum("fa,fab,fb->f", weight.conj(), spectra.matrix, weight, optimize=True).real
    levels = np.full(len(OCTAVES_HZ), np.nan)
    for index, centre in enumerate(OCTAVES_HZ):
        inside = octave_bins(frequency, centre)
        total, summed = float(spectra.power[:, inside].sum()), float(power[inside].sum())
        if total > 0.0 and summed > 0.0:
            levels[index] = 10 * np.log10(summed / total)
    return levels
