"""Spectra of one pair, frequency bands, levels and gains in them, an offset read from phase."""

from dataclasses import dataclass

from polaritykit.base.types import Complexes, Floats


@dataclass(frozen=True, kw_only=True)
class PairSpectra:
    """Spectra of a pair as recorded, all of shape ``(n_bins,)``."""

    frequency_hz: Floats
    #: Power spectra of the two tracks, in one and the same scale.
    auto_a: Floats
    auto_b: Floats
    #: ``conj(X_a) * X_b``, in that scale, nothing aligned.
    cross: Complexes


@dataclass(frozen=True, kw_only=True)
class FrequencyBands:
    """Points of a curve over log frequency, each a run of bins of a linear grid."""

    centre_hz: Floats
    #: First and last bin of each band, both inclusive.
    first: tuple[int, ...]
    last: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class BandLevels:
    """Level of the sum in one band for the four options, dB against the power sum."""

    as_recorded: float
    flipped: float
    aligned: float
    aligned_flipped: float


@dataclass(frozen=True, kw_only=True)
class BandGains:
    """Levels of the sum in one band, and the change of each option against as recorded, dB."""

    level_db: BandLevels
    flipped_db: float
    aligned_db: float
    aligned_flipped_db: float


@dataclass(frozen=True, kw_only=True)
class SpectralOffset:
    """Offset and sign of b against a from the phase of their coherent frequencies."""

    #: None when the two share no sound above chance; the other numbers then mean nothing.
    offset_ms: float | None
    offset_std_ms: float
    #: +1 or −1: sign of the correlation at the offset.
    sign: int
    #: Largest peak of the other sign over the peak at the offset; near 1 the sign is open.
    rival: float
    #: Share of the weight whose phase agrees: 1 for a pure delay.
    agreement: float
    reason: str | None
