"""The sign of a stereo pair from its octaves, where the sources' first arrivals and frames leave it open.

An inverted side is inverted in every octave; a low-cut or another capsule turns the phase at the bottom only.

Conventions: as in `polaritykit.jobs.pair.measure`.
"""

import numpy as np

from polaritykit.base.types import Polarity
from polaritykit.jobs.pair.findings import StereoOctave, Wiring
from polaritykit.jobs.pair.low_cut import find_low_cut
from polaritykit.jobs.pair.measure import Measured, bottom_of, octaves_of
from polaritykit.spectra.coherent_offset import spectral_offset
from polaritykit.spectra.records import SpectralOffset

#: The sign is open when the largest peak of the other sign reaches this share: an octave-wide sound gives
#: 0.83 by itself (correlation of an ideal band, closed form).
_MOST_RIVAL = 0.75
#: An octave has a say when its aligned correlation exceeds this, and this many of its uncertainties.
_LEAST_CORRELATION = 0.1
_LEAST_SIGMAS = 3.0
#: Share of the say that must agree on one sign, from this many octaves.
_LEAST_AGREEMENT = 0.6
_FEWEST_OCTAVES = 2
#: A filter's phase is looked for up to here.
_FILTER_BELOW_HZ = 250.0
#: An octave has turned when its phase is farther than this from the sign of the whole.
_TURNED_DEG = 60.0
#: With turned octaves that no filter explains: this many others, and this share of their say.
_FEWEST_OTHERS, _OTHERS_AGREE = 3, 0.8
#: Without a common delay, the sign at the bottom counts from this correlation: above 0.2 it was right for all
#: simulated pairs up to 1 m apart.
_LEAST_BOTTOM = 0.3
_FEWEST_FRAMES = 8
#: Delays looked for: 1.7 m, wider than any usual stereo pair.
_MOST_OFFSET_MS = 5.0


def octave_wiring(measured: Measured) -> tuple[Wiring, float | None, float | None]:
    """Read the sign from the octaves.

    Parameters
    ----------
    measured : Measured

    Returns
    -------
    tuple
        Wiring, offset and its uncertainty in ms; without an offset where the lowest octaves decide or nothing
        does.
    """
    offset = spectral_offset(measured.parts, max_offset_ms=_MOST_OFFSET_MS)
    if offset.offset_ms is not None and offset.rival <= _MOST_RIVAL:
        found = _from_octaves(measured, offset)
        if found is not None:
            return found, offset.offset_ms, offset.offset_std_ms
    if measured.whole.n_frames >= _FEWEST_FRAMES:
        bottom = bottom_of(measured)
        least = max(_LEAST_BOTTOM, _LEAST_SIGMAS * bottom.aligned_correlation_std) if bottom else 0.0
        if bottom is not None and abs(bottom.correlation) >= least:
            polarity: Polarity = "same" if bottom.correlation > 0.0 else "inverted"
            return Wiring(polarity=polarity, basis="bottom", correlation=bottom.correlation), None, None
    return Wiring(polarity="unclear"), None, None


def _from_octaves(measured: Measured, offset: SpectralOffset) -> Wiring | None:
    """Sign that holds over the octaves above a filter."""
    octaves = octaves_of(measured, offset.offset_ms)
    turned = _turned(offset, octaves)
    rest = [octave for octave in octaves if _speaks(octave) and octave not in turned]
    say = sum(octave.aligned_size for octave in rest)
    agreement = offset.sign * sum(octave.aligned_correlation for octave in rest) / say if say else 0.0
    if len(rest) < _FEWEST_OCTAVES or agreement < _LEAST_AGREEMENT:
        return None
    if turned and (len(rest) < _FEWEST_OTHERS or agreement < _OTHERS_AGREE):
        offset_s = (offset.offset_ms or 0.0) * 1e-3
        if find_low_cut(measured.whole, offset_s=offset_s, inverted=offset.sign < 0) is None:
            return None
    return Wiring(
        polarity="same" if offset.sign > 0 else "inverted",
        basis="octaves",
        n_octaves=len(rest),
        octaves_hz=(rest[0].centre_hz, rest[-1].centre_hz),
    )


def _speaks(octave: StereoOctave) -> bool:
    least = max(_LEAST_CORRELATION, _LEAST_SIGMAS * octave.aligned_correlation_std)
    return octave.aligned_size > least


def _turned(offset: SpectralOffset, octaves: tuple[StereoOctave, ...]) -> tuple[StereoOctave, ...]:
    """Speaking octaves at the bottom whose phase departs from the sign of the whole."""
    turned: list[StereoOctave] = []
    for octave in octaves:
        if octave.centre_hz > _FILTER_BELOW_HZ:
            break
        if not _speaks(octave):
            continue
        if offset.sign * np.cos(np.radians(octave.phase_deg)) > np.cos(np.radians(_TURNED_DEG)):
            break
        turned.append(octave)
    return tuple(turned)
