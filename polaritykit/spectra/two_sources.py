"""Two sources in two leaky mics, both always sounding, told apart by how their levels move.

Conventions: mic and source 0 are the main ones, 1 the leaky ones; the method stands in `several_sources`.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.octaves import OCTAVES_HZ, octave_bins
from polaritykit.base.types import Complexes, Floats
from polaritykit.spectra.pool import Spectra
from polaritykit.spectra.several_sources import GROUPS, LEAST_APART, Parted, jackknife_std


@dataclass(frozen=True, kw_only=True)
class TwoSources:
    """What each source brings to the two mics.

    Attributes
    ----------
    main, leaky : list of Spectra
        Pseudo-values over parts of the take: their mean is the source as if alone, over the whole take, and
        their scatter (jackknife) its uncertainty.  Empty where nothing can be said.
    told : tuple of bool
        Octaves in which the two move apart by more than chance, and a flip's effect is known to 1 dB.
    flip_db, flip_std_db : ndarray, shape (2, n_octaves)
        Change of each source's level in the sum by a flip of one mic, and its jackknife deviation.
    reason : str
        ``found``, or ``too_short``, or ``never_apart``: their levels go up and down together.
    """

    reason: str
    main: list[Spectra]
    leaky: list[Spectra]
    told: tuple[bool, ...]
    flip_db: Floats
    flip_std_db: Floats


def two_sources(found: Parted, centres_hz: tuple[float, ...] = OCTAVES_HZ) -> TwoSources:
    """Say what a flip does to each of two sources.

    Parameters
    ----------
    found : Parted
        Of two mics.
    centres_hz : tuple of float
        Octaves of which to say whether the two move apart in them.

    Returns
    -------
    TwoSources
    """
    unknown = np.zeros((2, len(centres_hz)))
    nothing = TwoSources(
        reason="too_short",
        main=[],
        leaky=[],
        told=(False,) * len(centres_hz),
        flip_db=unknown,
        flip_std_db=unknown,
    )
    if found.reason != "found":
        return nothing
    bins = [octave_bins(found.frequency_hz, centre) for centre in centres_hz]
    flips = np.array([_flip_db(one, bins) for one in found.brought])
    std = jackknife_std(flips)
    # What is not known to what one just hears is not told.
    told = tuple(
        bool(inside.any() and np.median(found.apart[inside].min(axis=1)) > LEAST_APART)
        and bool(np.all(one < AUDIBLE_DB))
        for inside, one in zip(bins, std.T, strict=True)
    )
    if not any(told):
        return replace(nothing, reason="never_apart")
    # Around the estimate itself, not the parts' own mean: powers must not come out negative.
    whole, without = found.brought[0], found.brought[1:]
    values = whole + (GROUPS - 1) * (without.mean(axis=0) - without)
    main, leaky = (
        [
            Spectra(
                sample_rate_hz=found.sample_rate_hz,
                fft_size=found.fft_size,
                frequency_hz=found.frequency_hz,
                power=np.stack([value[:, m, m, source].real for m in (0, 1)]),
                # `Spectra` conjugates the first mic.
                matrix=np.conj(value[..., source]),
                n_frames=found.n_frames // GROUPS,
            )
            for value in values
        ]
        for source in (0, 1)
    )
    return TwoSources(reason="found", main=main, leaky=leaky, told=told, flip_db=flips[0], flip_std_db=std)


def _flip_db(brought: Complexes, bins: list[NDArray[np.bool_]]) -> Floats:
    """Change of each source's level in the sum of both mics by a flip of one, ``(source, octave)``."""
    power = brought[:, 0, 0].real + brought[:, 1, 1].real
    crossing = 2.0 * brought[:, 0, 1].real
    found = np.zeros((2, len(bins)))
    for k, inside in enumerate(bins):
        whole, turned = power[inside].sum(axis=0) + 1e-30, crossing[inside].sum(axis=0)
        found[:, k] = 10.0 * np.log10(
            np.maximum(whole - turned, 1e-6 * whole) / np.maximum(whole + turned, 1e-6 * whole)
        )
    return found
